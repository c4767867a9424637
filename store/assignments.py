"""Which instrument serves which job when, as a person says it.

What a person takes from a job stays without one: the span up to now is kept free, so that no walk-up job
opens there by itself, unless the person leaves it to the rule. All jobs that a change touches are judged
anew, closed ones too.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from psycopg import errors

from model.clock import to_datetime, to_us
from model.equipment import Position, Role
from model.errors import BadInput, Conflict, NotFound
from model.event import EventKind
from model.job import Assignment
from store import anew, jobs
from store.acting import Act, Actor, local
from store.database import Connection, one

EARLIEST_US = 1_577_836_800_000_000
"""2020-01-01: readings of before are refused, too (the outside contract)."""


@dataclass(frozen=True, slots=True)
class Wish:
    """An instrument shall serve a job in a span of event time [µs], from ``since_us`` until before
    ``until_us`` (None: for good); a gauge on a ``side`` of the valve (None: where it is registered)."""

    job_id: int
    instrument_id: int
    since_us: int
    until_us: int | None = None
    deciding: bool = False
    side: Position | None = None


@dataclass(frozen=True, slots=True)
class Served:
    """An assignment as sentences name it."""

    id: int
    job_id: int | None
    title: str | None
    label: str
    instrument_id: int
    since: datetime
    until: datetime | None
    deciding: bool
    time_zone: str
    side: Position | None = None
    """As a person said; None: where the instrument is registered."""

    @property
    def span(self) -> str:
        return f"from {local(self.since, self.time_zone)} to {local(self.until, self.time_zone)}"

    def shown(self) -> dict[str, object]:
        """For the audit."""
        return {
            "job_id": self.job_id,
            "instrument": self.label,
            "since": self.since,
            "until": self.until,
            "deciding": self.deciding,
            "side": self.side,
        }


_SERVED = """
SELECT a.id, a.job_id, j.title, g.name || '/' || i.name AS label, a.instrument_id, a.since, a.until,
       a.deciding, a.side, coalesce(s.time_zone, 'UTC') AS time_zone
FROM assignment a JOIN instrument i ON i.id = a.instrument_id JOIN gateway g ON g.id = i.gateway_id
LEFT JOIN job j ON j.id = a.job_id LEFT JOIN site s ON s.id = coalesce(j.site_id, g.site_id)
"""
_INSERT = """
INSERT INTO assignment (job_id, instrument_id, since, until, deciding, side, since_fixed, until_fixed)
VALUES (%(job_id)s, %(instrument_id)s, %(since)s, %(until)s, %(deciding)s, %(side)s, true, %(until_given)s)
RETURNING *
"""
_UPDATE = """
UPDATE assignment SET job_id = %(job_id)s, instrument_id = %(instrument_id)s, since = %(since)s,
    until = %(until)s, deciding = %(deciding)s, side = %(side)s,
    since_fixed = since_fixed OR NOT %(since_kept)s,
    until_fixed = CASE WHEN %(until_kept)s THEN until_fixed ELSE %(until_given)s END
WHERE id = %(id)s RETURNING *
"""
_MEETING = (
    _SERVED
    + """
WHERE a.instrument_id = %(instrument)s AND a.id <> %(but)s
  AND tstzrange(a.since, a.until) && tstzrange(%(since)s, %(until)s)
ORDER BY a.since
"""
)


def by_id(conn: Connection, assignment_id: int) -> Served:
    """One assignment; raises `NotFound`, also for a span that is only kept free."""
    row = conn.execute(_SERVED + "WHERE a.id = %s AND a.job_id IS NOT NULL", (assignment_id,)).fetchone()
    if row is None:
        raise NotFound(f"There is no assignment {assignment_id}.")
    return _served(row)


def assign(conn: Connection, wish: Wish, actor: Actor, *, take_over: bool = False) -> Assignment:
    """Let an instrument serve a job in a span.

    Raises
    ------
    Conflict
        It serves another job then; with ``take_over`` that one gives the span up.
    """
    act = Act(conn, actor)
    _lock(conn, [wish.instrument_id], [wish.job_id])
    made = place(act, wish, take_over=take_over)
    act.done(f"assignment corrected by {actor.name}")
    return made


def place(act: Act, wish: Wish, *, take_over: bool = False) -> Assignment:
    """`assign` as a part of a larger act, which holds the locks."""
    kept = _write(act, wish, take_over=take_over)
    served = by_id(act.conn, kept.id)
    act.note("assign", f"job:{wish.job_id}", after=served.shown())
    job = jobs.by_id(act.conn, wish.job_id)
    act.tell(
        EventKind.JOB_CHANGED,
        job,
        f"{served.label} {_role(served)} {served.span}: assigned by {act.actor.name}.",
        {"assignment_id": kept.id},
    )
    return kept


def correct(
    conn: Connection,
    assignment_id: int,
    wish: Wish,
    actor: Actor,
    *,
    take_over: bool = False,
    to_rule: bool = False,
) -> Assignment:
    """Say afterwards how it was: another span, job or instrument, deciding or not.

    Parameters
    ----------
    to_rule : bool
        Readings that no job has any more may open walk-up jobs; else their span is kept free.
    """
    act = Act(conn, actor)
    before = by_id(conn, assignment_id)
    _lock(conn, [before.instrument_id, wish.instrument_id], _jobs_of(before, wish))
    before = by_id(conn, assignment_id)
    assert before.job_id is not None
    kept = _write(act, wish, take_over=take_over, old=before)
    after = by_id(conn, kept.id)
    _leave(act, before, wish, to_rule=to_rule)
    act.anew.add(before.job_id)
    act.note("correct-assignment", f"job:{before.job_id}", before.shown(), after.shown())
    text = (
        f"Assignment corrected by {actor.name}: {after.label} {_role(after)} {after.span}; "
        f"before: {before.label} {_role(before)} {before.span}."
    )
    for job_id in sorted({before.job_id, wish.job_id}):
        act.tell(EventKind.JOB_CHANGED, jobs.by_id(conn, job_id), text, {"assignment_id": kept.id})
    act.done(f"assignment corrected by {actor.name}")
    return kept


def move(conn: Connection, assignment_id: int, side: Position, at_us: int, actor: Actor) -> Assignment:
    """From a moment on [µs] a gauge sits on the other side of the valve; what it read before keeps its side.

    On the circuit's side it decides from then on.

    Raises
    ------
    BadInput
        It did not serve then.
    """
    act = Act(conn, actor)
    before = by_id(conn, assignment_id)
    _lock(conn, [before.instrument_id], _jobs_of(before, None))
    before = by_id(conn, assignment_id)
    assert before.job_id is not None
    at = to_datetime(at_us)
    if not before.since < at or (before.until is not None and before.until <= at):
        raise BadInput(
            f"{before.label} serves this job {before.span}; it cannot be moved then.", field="since"
        )
    conn.execute("UPDATE assignment SET until = %s, until_fixed = true WHERE id = %s", (at, before.id))
    until_us = None if before.until is None else to_us(before.until)
    wish = Wish(before.job_id, before.instrument_id, at_us, until_us, side is Position.CIRCUIT, side)
    kept = _write(act, wish, take_over=False)
    after = by_id(conn, kept.id)
    act.note("move-gauge", f"job:{before.job_id}", before.shown(), after.shown())
    act.tell(
        EventKind.JOB_CHANGED,
        jobs.by_id(conn, before.job_id),
        f"{after.label} moved to {_SIDES[side]} {local(at, before.time_zone)}, says {actor.name}; what it "
        "read before keeps its side.",
        {"assignment_id": kept.id},
    )
    act.done(f"assignment corrected by {actor.name}")
    return kept


def remove(conn: Connection, assignment_id: int, actor: Actor, *, to_rule: bool = False) -> None:
    """An instrument did not serve the job at all."""
    act = Act(conn, actor)
    before = by_id(conn, assignment_id)
    _lock(conn, [before.instrument_id], _jobs_of(before, None))
    before = by_id(conn, assignment_id)
    assert before.job_id is not None
    conn.execute("DELETE FROM assignment WHERE id = %s", (assignment_id,))
    _leave(act, before, None, to_rule=to_rule)
    act.anew.add(before.job_id)
    act.note("unassign", f"job:{before.job_id}", before=before.shown())
    act.tell(
        EventKind.JOB_CHANGED,
        jobs.by_id(conn, before.job_id),
        f"Assignment corrected by {actor.name}: {before.label} did not serve this job {before.span}.",
    )
    act.done(f"assignment corrected by {actor.name}")


def kept_free(conn: Connection, instrument_ids: list[int]) -> list[Served]:
    """Spans in which no walk-up job opens by itself, because a person took the instrument away there."""
    rows = conn.execute(
        _SERVED + "WHERE a.job_id IS NULL AND a.instrument_id = ANY(%s) ORDER BY a.since", (instrument_ids,)
    )
    return [_served(row) for row in rows]


# Parts --------------------------------------------------------------------------------------------------


_SIDES = {Position.CIRCUIT: "the circuit's side", Position.PUMP: "the pump's side"}


def _role(served: Served) -> str:
    role = "decides and serves" if served.deciding else "serves"
    return role if served.side is None else f"{role} on {_SIDES[served.side]}"


def _served(row: dict[str, Any]) -> Served:
    return Served(**{**row, "side": None if row["side"] is None else Position(row["side"])})


def _jobs_of(before: Served, wish: Wish | None) -> list[int]:
    found = {before.job_id, None if wish is None else wish.job_id}
    return sorted(number for number in found if number is not None)


def _lock(conn: Connection, instrument_ids: list[int], job_ids: list[int]) -> None:
    # With the jobs that the instruments serve, for those may have to give way.
    rows = conn.execute(
        "SELECT DISTINCT job_id FROM assignment WHERE instrument_id = ANY(%s) AND job_id IS NOT NULL",
        (instrument_ids,),
    )
    anew.lock(conn, instrument_ids, [*job_ids, *(row["job_id"] for row in rows)])


def _write(act: Act, wish: Wish, *, take_over: bool, old: Served | None = None) -> Assignment:
    conn = act.conn
    _check(conn, wish, old)
    span = _span(wish)
    meeting = {"instrument": wish.instrument_id, "but": 0 if old is None else old.id, **span}
    for other in [_served(row) for row in conn.execute(_MEETING, meeting).fetchall()]:
        if other.job_id is not None:
            _give_up(act, other, wish, take_over=take_over)
        _cut(conn, other.id, wish.since_us, wish.until_us)
    # An end that was left as the rule made it stays the rule's.
    same = old is not None and (old.job_id, old.instrument_id) == (wish.job_id, wish.instrument_id)
    row = {
        "id": None if old is None else old.id,
        "job_id": wish.job_id,
        "instrument_id": wish.instrument_id,
        "deciding": wish.deciding,
        "side": wish.side,
        "since_kept": same and old is not None and old.since == span["since"],
        "until_kept": same and old is not None and old.until == span["until"],
        "until_given": wish.until_us is not None,
        **span,
    }
    try:
        made = one(conn.execute(_INSERT if old is None else _UPDATE, row).fetchone())
    except errors.ExclusionViolation as error:
        # Somebody was quicker by a moment.
        raise Conflict("That instrument serves another job then; look again.", field="instrument") from error
    if wish.deciding:
        conn.execute(
            "UPDATE assignment SET deciding = false WHERE job_id = %(job_id)s AND deciding "
            "AND instrument_id <> %(instrument_id)s "
            "AND tstzrange(since, until) && tstzrange(%(since)s, %(until)s)",
            row,
        )
    _revive(conn, wish)
    act.anew.add(wish.job_id)
    return jobs.assignment_from_row(made)


def _span(wish: Wish) -> dict[str, datetime | None]:
    until = None if wish.until_us is None else to_datetime(wish.until_us)
    return {"since": to_datetime(wish.since_us), "until": until}


def _check(conn: Connection, wish: Wish, old: Served | None) -> None:
    if wish.until_us is not None and wish.until_us <= wish.since_us:
        raise BadInput("The span ends before it begins.", field="until")
    if wish.since_us < EARLIEST_US:
        raise BadInput("The span begins before 2020; there are no readings from then.", field="since")
    row = conn.execute(
        "SELECT g.name || '/' || i.name AS label, i.role, i.position FROM instrument i "
        "JOIN gateway g ON g.id = i.gateway_id WHERE i.id = %s",
        (wish.instrument_id,),
    ).fetchone()
    if row is None:
        raise NotFound(f"There is no instrument {wish.instrument_id}.", field="instrument")
    job = jobs.by_id(conn, wish.job_id)
    if job.closed_us is not None and job.merged_into is None and wish.until_us is None:
        raise BadInput(
            f"Job {job.id} is closed: say until when the instrument served it, or open the job again first.",
            field="until",
        )
    if wish.side is not None and row["role"] != Role.GAUGE:
        raise BadInput(f"Only of a vacuum gauge the side is said; {row['label']} is none.", field="side")
    same = old is not None and (old.instrument_id, old.side) == (wish.instrument_id, wish.side)
    if not wish.deciding or (same and old is not None and old.deciding):
        return
    if row["role"] != Role.GAUGE:
        raise BadInput(f"Only a vacuum gauge can decide; {row['label']} is none.", field="deciding")
    if (wish.side or row["position"]) != Position.CIRCUIT:
        raise BadInput(
            f"{row['label']} sits on the pump's side; only a gauge on the circuit's side can decide.",
            field="deciding",
        )


def _give_up(act: Act, other: Served, wish: Wish, *, take_over: bool) -> None:
    """Another job gives a span up, or the wish is refused."""
    if other.job_id == wish.job_id:
        raise Conflict(
            f"{other.label} serves this job already {other.span}; correct that line instead.",
            field="instrument",
        )
    if not take_over:
        raise Conflict(_taken(other, wish), field="instrument")
    assert other.job_id is not None
    act.anew.add(other.job_id)
    act.note("give-up-span", f"job:{other.job_id}", before=other.shown())
    span = f"from {local(to_datetime(wish.since_us), other.time_zone)} "
    span += "on" if wish.until_us is None else f"to {local(to_datetime(wish.until_us), other.time_zone)}"
    act.tell(
        EventKind.JOB_CHANGED,
        jobs.by_id(act.conn, other.job_id),
        f"Assignment corrected by {act.actor.name}: {other.label} served job {wish.job_id} {span}; "
        f"before: this one {other.span}.",
    )


def _taken(other: Served, wish: Wish) -> str:
    offer = "end that there" if wish.until_us is None else "take it out there"
    return (
        f"{other.label} serves job {other.job_id}, “{other.title}”, {other.span}. "
        f"Take it over to {offer}, or choose another span."
    )


def _cut(conn: Connection, assignment_id: int, since_us: int, until_us: int | None) -> None:
    """Take a span out of an assignment; up to two pieces are left, with the new ends given by a person."""
    row = one(conn.execute("DELETE FROM assignment WHERE id = %s RETURNING *", (assignment_id,)).fetchone())
    since = to_datetime(since_us)
    until = None if until_us is None else to_datetime(until_us)
    pieces = []
    if row["since"] < since:
        pieces.append({**row, "until": since, "until_fixed": True})
    if until is not None and (row["until"] is None or row["until"] > until):
        pieces.append({**row, "since": until, "since_fixed": True})
    for piece in pieces:
        conn.execute(
            "INSERT INTO assignment (job_id, instrument_id, since, until, deciding, side, since_fixed, "
            "until_fixed) VALUES (%(job_id)s, %(instrument_id)s, %(since)s, %(until)s, %(deciding)s, "
            "%(side)s, %(since_fixed)s, %(until_fixed)s)",
            piece,
        )


def _leave(act: Act, before: Served, wish: Wish | None, *, to_rule: bool) -> None:
    """What becomes of the readings that no job has any more: kept free up to now, or left to the rule."""
    now = to_datetime(act.actor.at_us)
    end = now if before.until is None else min(before.until, now)
    left = [(before.since, end)]
    if wish is not None and wish.instrument_id == before.instrument_id:
        since, until = to_datetime(wish.since_us), wish.until_us
        left = [(before.since, min(end, since))]
        if until is not None:
            left.append((max(before.since, to_datetime(until)), end))
    for since, until_ in left:
        if since >= until_:
            continue
        if to_rule:
            anew.look_at(act.conn, before.instrument_id, to_us(since), to_us(until_))
        else:
            piece = {"id": before.instrument_id, "since": since, "until": until_}
            act.conn.execute(_KEEP_FREE, piece)


# Less what serves a job meanwhile: a multirange does the sums.
_KEEP_FREE = """
INSERT INTO assignment (instrument_id, since, until, since_fixed, until_fixed)
SELECT %(id)s, lower(piece), upper(piece), true, true FROM unnest(
    tstzmultirange(tstzrange(%(since)s, %(until)s)) - coalesce(
        (SELECT range_agg(tstzrange(since, until)) FROM assignment WHERE instrument_id = %(id)s), '{}')
) AS piece
"""


def _revive(conn: Connection, wish: Wish) -> None:
    """A job that was merged away and gets an instrument back is a job of its own again."""
    conn.execute(
        "UPDATE job SET merged_into = NULL, closed_at = NULL, closed_by_rule = false, state = 'planned' "
        "WHERE id = %s AND merged_into IS NOT NULL",
        (wish.job_id,),
    )

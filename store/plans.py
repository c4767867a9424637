"""Hold plans and their logs."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from psycopg import errors
from psycopg.types.json import Jsonb

from model.clock import US, to_datetime, to_us
from model.equipment import Position, Role
from model.errors import Conflict, NotFound
from model.event import EventKind
from model.hold_plan import Drying, HoldPlan, Progress
from model.instants import at_site
from model.job import JobState
from model.judgement import Cause, Verdict, leak_probability
from model.reading import Quantity
from store import audit, events, timers
from store.database import Connection, one
from store.events import NewEvent
from store.lists import Listing
from store.timers import Timer

LOOK = "plan-look"
"""Kind of the timers, whose subject is the plan's number."""
HOLD_SLACK_S = 120.0
"""By so much the judgement may put the begin of a hold before the valve's report."""
BATTERY_BACK_S = 86400.0

SELECT = """
    SELECT h.*, i.name AS valve, g.name AS gateway, g.site_id, s.time_zone, p.name AS made_by_name, (
        SELECT coalesce(json_agg(json_build_array(q.id, q.name) ORDER BY q.name, q.id), '[]')
        FROM hold_plan_reader r JOIN person q ON q.id = r.person_id WHERE r.plan_id = h.id) AS tell
    FROM hold_plan h JOIN instrument i ON i.id = h.instrument_id JOIN gateway g ON g.id = i.gateway_id
    JOIN site s ON s.id = g.site_id LEFT JOIN person p ON p.id = h.made_by
"""
PLANS = Listing(
    SELECT + "WHERE (%(job)s::int IS NULL OR h.job_id = %(job)s) "
    "AND (%(state)s::text IS NULL OR h.state = %(state)s)",
    newest_first=True,
)
SEEN = """
    SELECT j.state, p.hold_s, p.patience_s, p.target_pa, (
        SELECT i.interval_s FROM assignment a JOIN instrument i ON i.id = a.instrument_id
        WHERE a.job_id = j.id AND a.until IS NULL AND i.role = %(gauge)s
          AND coalesce(a.side, i.position) = %(circuit)s
        ORDER BY a.deciding DESC, i.id LIMIT 1) AS interval_s
    FROM job j JOIN procedure p ON p.id = j.procedure_id WHERE j.id = %(job)s
"""
HOLD = """
    SELECT id, verdict, text, detail #> '{diagnosis,probabilities}' AS probabilities FROM hold_test
    WHERE job_id = %s AND withdrawn_at IS NULL AND started_at >= %s ORDER BY started_at LIMIT 1
"""
BATTERIES = """
    SELECT i.id, i.name, l.quantity, l.time, l.value FROM assignment a
    JOIN instrument i ON i.id = a.instrument_id JOIN latest l ON l.instrument_id = i.id AND l.place_id = 1
    WHERE a.job_id = %s AND a.until IS NULL AND i.role IN ('gauge', 'valve') AND l.quantity = ANY(%s)
    ORDER BY i.id, l.quantity
"""
# The first is found by the key alone. A plan that is hindered asks every ten seconds.
FIRST_CHARGE = """
    SELECT time, value FROM reading
    WHERE instrument_id = %s AND quantity = %s AND place_id = 1 AND time >= %s ORDER BY time LIMIT 1
"""
ADVICE = """
    SELECT detail #>> '{advice,urgency}' AS urgency, detail #> '{advice,steps}' AS steps
    FROM hold_test WHERE id = %s
"""


@dataclass(frozen=True, slots=True)
class NewPlan:
    """A plan to be made; see `model.hold_plan.HoldPlan`.

    Parameters
    ----------
    tell : tuple of int or None
        Who is told how it went; None: who made it.
    """

    job_id: int
    instrument_id: int
    held_s: float
    not_before_us: int | None
    report_us: int
    accepted: tuple[str, ...] = ()
    accepted_reason: str = ""
    drying: Drying | None = None
    tell: tuple[int, ...] | None = None


@dataclass(frozen=True, slots=True)
class Ground:
    """What a plan stands on: its job and the job's procedure."""

    state: JobState
    hold_s: float
    patience_s: float
    target_pa: float
    interval_s: float


def add(conn: Connection, new: NewPlan, made_by: int | None, now_us: int) -> int:
    """Write a plan down, with its first look at once; audited.

    Raises
    ------
    Conflict
        If the valve has a plan already.
    """
    progress = Progress()
    try:
        with conn.transaction():
            row = conn.execute(
                "INSERT INTO hold_plan (job_id, instrument_id, made_by, made_at, held_s, not_before, "
                "report_at, accepted, accepted_reason, drying, state, progress) "
                "VALUES (%s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s) RETURNING id",
                (
                    new.job_id,
                    new.instrument_id,
                    made_by,
                    to_datetime(now_us),
                    new.held_s,
                    None if new.not_before_us is None else to_datetime(new.not_before_us),
                    to_datetime(new.report_us),
                    list(new.accepted),
                    new.accepted_reason,
                    _drying(new),
                    progress.state,
                    Jsonb(progress.as_json()),
                ),
            ).fetchone()
    except errors.UniqueViolation as error:
        raise Conflict("This valve has a plan already: change it, or call it off first.") from error
    plan_id = int(one(row)["id"])
    _write_readers(conn, plan_id, new, made_by)
    timers.put(conn, [Timer(LOOK, str(plan_id), now_us)])
    audit.record(conn, made_by, "make-plan", f"plan:{plan_id}", to_datetime(now_us), **_noted(new))
    return plan_id


def change(conn: Connection, plan: HoldPlan, new: NewPlan, by: int | None, now_us: int) -> None:
    """Write what a plan shall do from now on; its progress stays. Lock it first; audited."""
    conn.execute(
        "UPDATE hold_plan SET held_s = %s, not_before = %s, report_at = %s, accepted = %s, "
        "accepted_reason = %s, drying = %s WHERE id = %s",
        (
            new.held_s,
            None if new.not_before_us is None else to_datetime(new.not_before_us),
            to_datetime(new.report_us),
            list(new.accepted),
            new.accepted_reason,
            _drying(new),
            plan.id,
        ),
    )
    conn.execute("DELETE FROM hold_plan_reader WHERE plan_id = %s", (plan.id,))
    _write_readers(conn, plan.id, new, plan.made_by)
    timers.put(conn, [Timer(LOOK, str(plan.id), now_us)])
    audit.record(conn, by, "change-plan", f"plan:{plan.id}", to_datetime(now_us), **_noted(new))


def _write_readers(conn: Connection, plan_id: int, new: NewPlan, made_by: int | None) -> None:
    """Who is told how it went. A machine that made a plan has no ways of its own."""
    whom = new.tell if new.tell is not None else () if made_by is None else (made_by,)
    conn.execute(
        "INSERT INTO hold_plan_reader (plan_id, person_id) "
        "SELECT %s, id FROM person WHERE id = ANY(%s) AND role <> 'machine'",
        (plan_id, list(whom)),
    )


def _drying(new: NewPlan) -> Jsonb | None:
    return None if new.drying is None else Jsonb(new.drying.as_json())


def _noted(new: NewPlan) -> dict[str, str | int | list[str]]:
    return {
        "job": new.job_id,
        "held_s": round(new.held_s),
        "not_before": "" if new.not_before_us is None else to_datetime(new.not_before_us).isoformat(),
        "report_at": to_datetime(new.report_us).isoformat(),
        "accepted": list(new.accepted),
        "accepted_reason": new.accepted_reason,
        "drying": "" if new.drying is None else json.dumps(new.drying.as_json()),
        "tell": "who made it" if new.tell is None else ", ".join(map(str, new.tell)),
    }


def by_id(conn: Connection, plan_id: int) -> HoldPlan:
    """One plan; raises `NotFound`."""
    return _found(conn.execute(SELECT + "WHERE h.id = %s", (plan_id,)).fetchone(), plan_id)


def lock(conn: Connection, plan_id: int) -> HoldPlan:
    """One plan, held until the transaction ends; raises `NotFound`."""
    row = conn.execute(SELECT + "WHERE h.id = %s FOR NO KEY UPDATE OF h", (plan_id,)).fetchone()
    return _found(row, plan_id)


def of_job(conn: Connection, job_id: int, limit: int = 20) -> list[HoldPlan]:
    """Plans of a job, the newest first."""
    rows = conn.execute(SELECT + "WHERE h.job_id = %s ORDER BY h.id DESC LIMIT %s", (job_id, limit))
    return [from_row(row) for row in rows]


def write(conn: Connection, plan_id: int, progress: Progress) -> None:
    """Write how far a plan has come."""
    conn.execute(
        "UPDATE hold_plan SET state = %s, progress = %s WHERE id = %s",
        (progress.state, Jsonb(progress.as_json()), plan_id),
    )


def note(conn: Connection, plan_id: int, lines: Sequence[str], now_us: int) -> None:
    """Append to a plan's log."""
    for line in lines:
        conn.execute(
            "INSERT INTO hold_plan_line (plan_id, at, text) VALUES (%s, %s, %s)",
            (plan_id, to_datetime(now_us), line),
        )


def log(conn: Connection, plan_id: int) -> list[dict[str, Any]]:
    """The log of a plan: ``at`` and ``text``, the oldest first."""
    return conn.execute(
        "SELECT at, text FROM hold_plan_line WHERE plan_id = %s ORDER BY id", (plan_id,)
    ).fetchall()


def record(
    conn: Connection,
    plan: HoldPlan,
    tells: Sequence[tuple[EventKind, str, int | None]],
    now_us: int,
    told: int = 0,
) -> None:
    """Tell what a plan has to tell, as events of its job, about a hold where there is one; the last thing in
    a transaction.

    Parameters
    ----------
    told : int
        Over so many channels who made it is told already.
    """
    new = [
        NewEvent(
            kind=kind,
            happened_us=now_us,
            text=at_site(text, plan.time_zone),
            subject=f"plan:{plan.id}" if hold_id is None else f"hold:{hold_id}",
            site_id=plan.site_id,
            job_id=plan.job_id,
            data={
                "plan": plan.id,
                "valve": f"{plan.gateway}/{plan.valve}",
                "told": told,
                **({} if hold_id is None else _advice(conn, hold_id)),
            },
        )
        for kind, text, hold_id in tells
    ]
    events.record(conn, new, now_us)


def _advice(conn: Connection, hold_id: int) -> dict[str, object]:
    """What to do about a hold, and how soon, as its own events have it."""
    row = one(conn.execute(ADVICE, (hold_id,)).fetchone())
    return {"urgency": row["urgency"], "advice": row["steps"] or []}


def ground(conn: Connection, job_id: int) -> Ground:
    """Job and procedure of a plan; raises `NotFound`."""
    row = conn.execute(SEEN, {"job": job_id, "gauge": Role.GAUGE, "circuit": Position.CIRCUIT}).fetchone()
    if row is None:
        raise NotFound(f"There is no job {job_id}.")
    return Ground(
        JobState(row["state"]), row["hold_s"], row["patience_s"], row["target_pa"], row["interval_s"] or 0.0
    )


def hold(conn: Connection, job_id: int, closed_us: int) -> tuple[int, Verdict, str, float, float] | None:
    """The hold test that began when a valve reported closed [µs]: number, verdict, sentence, probability of
    moisture alone and of a leak."""
    since = to_datetime(closed_us - round(HOLD_SLACK_S * US))
    row = conn.execute(HOLD, (job_id, since)).fetchone()
    if row is None:
        return None
    told = row["probabilities"] or {}
    moisture = float(told.get(Cause.MOISTURE, 0.0))
    return row["id"], Verdict(row["verdict"]), row["text"], moisture, leak_probability(told)


def charges(conn: Connection, job_id: int) -> list[tuple[str, list[tuple[int, float]]]]:
    """Name, and first and last charge of its last day [µs, share], of whatever a hold of the job depends on
    and reports a battery; empty where it reports volts only, of which the share is not known."""
    share, volts = int(Quantity.BATTERY_SHARE), int(Quantity.BATTERY_VOLTS)
    found: dict[int, tuple[str, list[tuple[int, float]]]] = {}
    for row in conn.execute(BATTERIES, (job_id, [share, volts])).fetchall():
        samples: list[tuple[int, float]] = []
        if row["quantity"] == share:
            last_us = to_us(row["time"])
            since = to_datetime(last_us - round(BATTERY_BACK_S * US))
            first = conn.execute(FIRST_CHARGE, (row["id"], share, since)).fetchone()
            samples = [(last_us, row["value"])]
            if first is not None:
                samples.insert(0, (to_us(first["time"]), first["value"]))
        found.setdefault(row["id"], (row["name"], samples))
    return list(found.values())


def from_row(row: dict[str, Any]) -> HoldPlan:
    """A plan from a row of `SELECT`."""
    return HoldPlan(
        id=row["id"],
        job_id=row["job_id"],
        instrument_id=row["instrument_id"],
        valve=row["valve"],
        gateway=row["gateway"],
        site_id=row["site_id"],
        time_zone=row["time_zone"],
        made_by=row["made_by"],
        made_by_name=row["made_by_name"],
        made_us=to_us(row["made_at"]),
        held_s=row["held_s"],
        not_before_us=None if row["not_before"] is None else to_us(row["not_before"]),
        report_us=to_us(row["report_at"]),
        accepted=tuple(row["accepted"]),
        accepted_reason=row["accepted_reason"],
        drying=None if row["drying"] is None else Drying.of_json(row["drying"]),
        tell=tuple((number, name) for number, name in row["tell"]),
        progress=Progress.of_json(row["progress"]),
    )


def _found(row: dict[str, Any] | None, plan_id: int) -> HoldPlan:
    if row is None:
        raise NotFound(f"There is no plan {plan_id}.")
    return from_row(row)

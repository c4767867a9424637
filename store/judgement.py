"""Results of the judgement: phases, hold tests with their revisions, and facts.

A hold test as JSON (column ``detail``, and the API) is made by `encode` and read by `decode`, nowhere else.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import msgspec
from psycopg.types.json import Jsonb

from model.clock import to_datetime, to_us
from model.judgement import Fact, HoldTest, Phase, PhaseKind
from store.database import Connection, one


def encode(hold: HoldTest) -> dict[str, Any]:
    """A hold test as JSON carries it; times stay microseconds, pressures Pa."""
    result: dict[str, Any] = msgspec.to_builtins(hold)
    return result


def decode(detail: Mapping[str, Any]) -> HoldTest:
    """The inverse of `encode`; what a newer version added is ignored."""
    return msgspec.convert(detail, HoldTest)


def _json(value: object) -> Jsonb:
    return Jsonb(value, dumps=msgspec.json.encode)


@dataclass(frozen=True, slots=True)
class StoredHold:
    """A hold test with what only the database knows of it.

    Parameters
    ----------
    revision : int
        0 as long as there was no verdict.
    stale : bool
        Its readings changed since the cause was estimated.
    withdrawn : bool
        Late readings showed that there was no such hold.
    """

    id: int
    job_id: int
    revision: int
    stale: bool
    withdrawn: bool
    hold: HoldTest


@dataclass(frozen=True, slots=True)
class Revision:
    """A verdict, or another cause of it, and why it was made."""

    hold_test_id: int
    revision: int
    hold: HoldTest
    because: str
    at_us: int


def phases(conn: Connection, job_ids: Iterable[int]) -> dict[int, list[Phase]]:
    """Phases of jobs in order of time."""
    result: dict[int, list[Phase]] = {}
    rows = conn.execute(
        "SELECT * FROM phase WHERE job_id = ANY(%s) ORDER BY job_id, started_at, kind",
        (list(job_ids),),
        prepare=True,
    )
    for row in rows:
        result.setdefault(row["job_id"], []).append(_phase(row))
    return result


def write_phases(
    conn: Connection, gone: Sequence[tuple[int, Phase]], changed: Sequence[tuple[int, Phase]]
) -> None:
    """Delete and write phases; each comes with its job."""
    if gone:
        conn.execute(
            "DELETE FROM phase p USING unnest(%s::int[], %s::timestamptz[], %s::text[]) "
            "AS g (job_id, started_at, kind) "
            "WHERE p.job_id = g.job_id AND p.started_at = g.started_at AND p.kind = g.kind",
            (
                [job for job, _ in gone],
                [to_datetime(phase.start_us) for _, phase in gone],
                [str(phase.kind) for _, phase in gone],
            ),
            prepare=True,
        )
    if changed:
        with conn.cursor() as cursor:
            cursor.executemany(
                "INSERT INTO phase (job_id, kind, started_at, ended_at, start_pa, end_pa, lowest_pa, "
                "start_uncertainty_s) VALUES (%s, %s, %s, %s, %s, %s, %s, %s) "
                "ON CONFLICT (job_id, started_at, kind) DO UPDATE SET ended_at = excluded.ended_at, "
                "start_pa = excluded.start_pa, end_pa = excluded.end_pa, lowest_pa = excluded.lowest_pa, "
                "start_uncertainty_s = excluded.start_uncertainty_s",
                [_phase_row(job, phase) for job, phase in changed],
            )


def holds(conn: Connection, job_ids: Iterable[int]) -> dict[int, list[StoredHold]]:
    """Hold tests of jobs in order of time, withdrawn ones too."""
    result: dict[int, list[StoredHold]] = {}
    rows = conn.execute(
        "SELECT id, job_id, revision, stale, withdrawn_at, detail FROM hold_test WHERE job_id = ANY(%s) "
        "ORDER BY job_id, started_at",
        (list(job_ids),),
        prepare=True,
    )
    for row in rows:
        result.setdefault(row["job_id"], []).append(_hold(row))
    return result


def add_hold(conn: Connection, job_id: int, hold: HoldTest) -> StoredHold:
    """Write a hold that was not known yet."""
    row = conn.execute(
        "INSERT INTO hold_test (job_id, started_at, ended_at, verdict, reason, text, decided_at, detail) "
        "VALUES (%(job)s, %(started)s, %(ended)s, %(verdict)s, %(reason)s, %(text)s, %(decided)s, "
        "%(detail)s) RETURNING id, job_id, revision, stale, withdrawn_at, detail",
        {"job": job_id, **_hold_columns(hold)},
        prepare=True,
    ).fetchone()
    return _hold(one(row))


def write_holds(conn: Connection, changed: Sequence[StoredHold], now_us: int) -> None:
    """Write known holds as they are now."""
    if not changed:
        return
    with conn.cursor() as cursor:
        cursor.executemany(
            "UPDATE hold_test SET started_at = %(started)s, ended_at = %(ended)s, verdict = %(verdict)s, "
            "reason = %(reason)s, text = %(text)s, decided_at = %(decided)s, detail = %(detail)s, "
            "revision = %(revision)s, stale = %(stale)s, "
            "withdrawn_at = CASE WHEN %(withdrawn)s THEN coalesce(withdrawn_at, %(now)s) END "
            "WHERE id = %(id)s",
            [
                {
                    **_hold_columns(stored.hold),
                    "id": stored.id,
                    "revision": stored.revision,
                    "stale": stored.stale,
                    "withdrawn": stored.withdrawn,
                    "now": to_datetime(now_us),
                }
                for stored in changed
            ],
        )


def mark_stale(conn: Connection, spans: Mapping[int, tuple[int, int]]) -> None:
    """Note that readings of jobs changed in a span of event time [µs]: causes estimated from them are out
    of date."""
    jobs = sorted(spans)
    if jobs:
        conn.execute(
            "UPDATE hold_test h SET stale = true "
            "FROM unnest(%s::int[], %s::timestamptz[], %s::timestamptz[]) AS s (job_id, since, until) "
            "WHERE h.job_id = s.job_id AND h.revision > 0 AND NOT h.stale "
            "AND h.started_at <= s.until "
            "AND greatest(coalesce(h.ended_at, h.decided_at), "
            "to_timestamp((h.detail #>> '{diagnosis,until_us}')::float8 / 1000000)) >= s.since",
            (
                jobs,
                [to_datetime(spans[job][0]) for job in jobs],
                [to_datetime(spans[job][1]) for job in jobs],
            ),
            prepare=True,
        )


def add_revisions(conn: Connection, revisions: Sequence[Revision]) -> None:
    """Append revisions."""
    if not revisions:
        return
    with conn.cursor() as cursor:
        cursor.executemany(
            "INSERT INTO hold_test_revision (hold_test_id, revision, verdict, reason, text, cause, detail, "
            "because, at) VALUES (%s, %s, %s, %s, %s, %s, %s, %s, %s)",
            [
                (
                    item.hold_test_id,
                    item.revision,
                    item.hold.verdict,
                    item.hold.reason,
                    item.hold.text,
                    None if item.hold.diagnosis is None else item.hold.diagnosis.cause,
                    _json(encode(item.hold)),
                    item.because,
                    to_datetime(item.at_us),
                )
                for item in revisions
            ],
        )


def facts(conn: Connection, job_ids: Iterable[int]) -> dict[int, list[tuple[Fact, bool]]]:
    """Facts of jobs with whether they still hold, in order of time."""
    result: dict[int, list[tuple[Fact, bool]]] = {}
    rows = conn.execute(
        "SELECT * FROM fact WHERE job_id = ANY(%s) ORDER BY job_id, happened_at, kind, subject_at",
        (list(job_ids),),
        prepare=True,
    )
    for row in rows:
        fact = Fact(
            row["kind"], to_us(row["subject_at"]), to_us(row["happened_at"]), row["text"], row["data"]
        )
        result.setdefault(row["job_id"], []).append((fact, row["withdrawn_at"] is None))
    return result


def told(conn: Connection, job_ids: Iterable[int]) -> dict[tuple[int, str, int], int]:
    """Of facts that have moved since they were told: job, kind, start [µs] and the start that was told."""
    rows = conn.execute(
        "SELECT job_id, kind, subject_at, told_at FROM fact WHERE job_id = ANY(%s) AND told_at IS NOT NULL",
        (list(job_ids),),
        prepare=True,
    )
    return {(row["job_id"], row["kind"], to_us(row["subject_at"])): to_us(row["told_at"]) for row in rows}


def note_told(conn: Connection, facts: Sequence[tuple[int, Fact, int]]) -> None:
    """Note which start was told of facts that have moved [µs]; each comes with its job."""
    if facts:
        with conn.cursor() as cursor:
            cursor.executemany(
                "UPDATE fact SET told_at = %s WHERE job_id = %s AND kind = %s AND subject_at = %s",
                [
                    (to_datetime(told_us), job, fact.kind, to_datetime(fact.subject_us))
                    for job, fact, told_us in facts
                ],
            )


def write_facts(
    conn: Connection,
    live: Sequence[tuple[int, Fact]],
    withdrawn: Sequence[tuple[int, Fact]],
    moved: Sequence[tuple[int, Fact, Fact]],
    now_us: int,
) -> None:
    """Write facts that are true now, take back others, and move those whose subject turned out to begin
    elsewhere."""
    with conn.cursor() as cursor:
        if withdrawn:
            cursor.executemany(
                "UPDATE fact SET withdrawn_at = %s WHERE job_id = %s AND kind = %s AND subject_at = %s",
                [
                    (to_datetime(now_us), job, fact.kind, to_datetime(fact.subject_us))
                    for job, fact in withdrawn
                ],
            )
        if moved:
            cursor.executemany(
                "DELETE FROM fact WHERE job_id = %s AND kind = %s AND subject_at = %s",
                [(job, old.kind, to_datetime(old.subject_us)) for job, old, _ in moved],
            )
        written = [*live, *((job, new) for job, _, new in moved)]
        if written:
            cursor.executemany(
                "INSERT INTO fact (job_id, kind, subject_at, happened_at, text, data) "
                "VALUES (%s, %s, %s, %s, %s, %s) ON CONFLICT (job_id, kind, subject_at) "
                "DO UPDATE SET happened_at = excluded.happened_at, "
                "text = excluded.text, data = excluded.data, withdrawn_at = NULL, "
                "told_at = CASE WHEN fact.withdrawn_at IS NULL THEN fact.told_at END",
                [
                    (
                        job,
                        fact.kind,
                        to_datetime(fact.subject_us),
                        to_datetime(fact.time_us),
                        fact.text,
                        _json(fact.data),
                    )
                    for job, fact in written
                ],
            )


def _phase(row: dict[str, Any]) -> Phase:
    return Phase(
        kind=PhaseKind(row["kind"]),
        start_us=to_us(row["started_at"]),
        end_us=None if row["ended_at"] is None else to_us(row["ended_at"]),
        start_pa=row["start_pa"],
        end_pa=row["end_pa"],
        lowest_pa=row["lowest_pa"],
        start_uncertainty_s=row["start_uncertainty_s"],
    )


def _phase_row(job_id: int, phase: Phase) -> tuple[object, ...]:
    return (
        job_id,
        phase.kind,
        to_datetime(phase.start_us),
        None if phase.end_us is None else to_datetime(phase.end_us),
        phase.start_pa,
        phase.end_pa,
        phase.lowest_pa,
        phase.start_uncertainty_s,
    )


def _hold(row: dict[str, Any]) -> StoredHold:
    return StoredHold(
        id=row["id"],
        job_id=row["job_id"],
        revision=row["revision"],
        stale=row["stale"],
        withdrawn=row["withdrawn_at"] is not None,
        hold=decode(row["detail"]),
    )


def _hold_columns(hold: HoldTest) -> dict[str, object]:
    return {
        "started": to_datetime(hold.start_us),
        "ended": None if hold.end_us is None else to_datetime(hold.end_us),
        "verdict": hold.verdict,
        "reason": hold.reason,
        "text": hold.text,
        "decided": None if hold.decided_us is None else to_datetime(hold.decided_us),
        "detail": _json(encode(hold)),
    }

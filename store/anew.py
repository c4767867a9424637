"""Asking for jobs to be judged anew, and taking back what was said of a job that has no readings left.

The asking transaction changes what a job is judged by; a worker does the rest. Until it has, the results stay
as they were and the job says that it is being judged anew. Verdicts that change then are revised with the
reason given here.
"""

from __future__ import annotations

from collections.abc import Iterable

from model.clock import US, to_datetime, to_us
from model.event import EventKind
from model.job import Job
from model.judgement import Fact, Phase
from store import jobs, judgement, standing, timers, tracks, work
from store.database import Connection
from store.events import NewEvent
from store.timers import Timer
from store.work import Span

AHEAD_US = 300 * US
"""Readings may be this far ahead of the clock (the outside contract)."""

_LAST = """
SELECT a.job_id, a.instrument_id, a.since, coalesce(r.last, a.since) AS last,
       r.last IS NOT NULL OR EXISTS (SELECT FROM track t WHERE t.job_id = a.job_id) AS judged
FROM assignment a
CROSS JOIN LATERAL (
    SELECT max(time) AS last FROM reading_of(a.instrument_id, a.since, coalesce(a.until, 'infinity'))
    WHERE time < coalesce(a.until, 'infinity'::timestamptz)
) r
WHERE a.job_id = ANY(%s) AND a.since <= %s
"""


def lock(conn: Connection, instrument_ids: Iterable[int], job_ids: Iterable[int]) -> None:
    """Keep the workers away from instruments and jobs until the end of the transaction.

    They only try for these locks, and here they are taken in one order and before anything else: nobody waits
    in a circle.
    """
    for kind, numbers in ((work.INSTRUMENT_LOCK, instrument_ids), (work.JOB_LOCK, job_ids)):
        # A larger number names nothing, which is somebody else's to say.
        for number in sorted(number for number in set(numbers) if number < 2**31):
            conn.execute("SELECT pg_advisory_xact_lock(%s, %s)", (kind, number))


def ask(conn: Connection, job_ids: Iterable[int], because: str, now_us: int) -> list[NewEvent]:
    """Let jobs be judged from their first reading again, in the caller's transaction, which has changed what
    they are judged by and holds their locks.

    Returns
    -------
    list of NewEvent
        What is taken back at once, because no instrument serves the job any more; record them last.
    """
    ids = sorted(set(job_ids))
    standing.clear_failures(conn, ids)
    rows = conn.execute(_LAST, (ids, to_datetime(now_us + AHEAD_US))).fetchall()
    begun = {row["job_id"] for row in rows}
    rows = [row for row in rows if row["judged"]]  # else it waits for its first reading
    goals_us: dict[int, int] = {}
    for row in rows:
        goals_us[row["job_id"]] = max(to_us(row["last"]), goals_us.get(row["job_id"], 0))
    tracks.forget(conn, goals_us, because)
    served = sorted(goals_us)
    # What the causes were estimated from may be gone.
    conn.execute(
        "UPDATE hold_test SET stale = true WHERE job_id = ANY(%s) AND revision > 0 AND withdrawn_at IS NULL",
        (served,),
    )
    conn.execute(
        "UPDATE job SET state = 'running' WHERE id = ANY(%s) AND state IN ('finished', 'unproven')", (served,)
    )
    work.add(conn, [Span(row["instrument_id"], to_us(row["since"]), to_us(row["last"])) for row in rows])
    timers.put(conn, [Timer(timers.JOB_SILENCE, str(number), now_us) for number in served])
    told = []
    for number in ids:
        if number not in begun:
            told += withdraw(conn, jobs.by_id(conn, number), because, now_us)
    return told


def withdraw(conn: Connection, job: Job, because: str, now_us: int) -> list[NewEvent]:
    """Take back all that was said of a job that no instrument serves any more."""
    holds = [hold for hold in judgement.holds(conn, [job.id]).get(job.id, []) if not hold.withdrawn]
    conn.execute(
        "UPDATE hold_test SET withdrawn_at = %s WHERE job_id = %s AND withdrawn_at IS NULL",
        (to_datetime(now_us), job.id),
    )
    facts: list[tuple[int, Fact]] = [
        (job.id, fact) for fact, live in judgement.facts(conn, [job.id]).get(job.id, []) if live
    ]
    judgement.write_facts(conn, [], facts, [], now_us)
    phases: list[tuple[int, Phase]] = [
        (job.id, phase) for phase in judgement.phases(conn, [job.id]).get(job.id, [])
    ]
    judgement.write_phases(conn, phases, [])
    tracks.end(conn, [job.id])
    for kind in (timers.JOB_WAKE, timers.JOB_SILENCE):
        timers.drop(conn, kind, [str(job.id)])
    conn.execute("UPDATE job SET state = 'planned' WHERE id = %s AND closed_at IS NULL", (job.id,))
    return [
        NewEvent(
            kind=EventKind.HOLD_REVISED,
            happened_us=hold.hold.start_us,
            text="The readings of this hold test belong to this job no longer; what was said of it is "
            "withdrawn.",
            subject=f"hold:{hold.id}",
            site_id=job.site_id,
            job_id=job.id,
            data={
                "hold_test_id": hold.id,
                "start_us": hold.hold.start_us,
                "verdict": None,
                "because": because,
            },
        )
        for hold in holds
        if hold.revision > 0 and hold.hold.verdict.final
    ]


def look_at(conn: Connection, instrument_id: int, since_us: int, until_us: int | None) -> None:
    """Let the workers look at readings that serve no job any more: they may open a walk-up job."""
    row = conn.execute(
        "SELECT max(time) AS last "
        "FROM reading_of(%(id)s, %(since)s, coalesce(%(until)s::timestamptz, 'infinity')) "
        "WHERE time < coalesce(%(until)s::timestamptz, 'infinity')",
        {
            "id": instrument_id,
            "since": to_datetime(since_us),
            "until": None if until_us is None else to_datetime(until_us),
        },
    ).fetchone()
    if row is not None and row["last"] is not None:
        work.add(conn, [Span(instrument_id, since_us, to_us(row["last"]))])

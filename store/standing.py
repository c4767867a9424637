"""What the judgement writes of a job itself: its state, its end, and failures of the judgement."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime

from model.clock import to_datetime
from model.job import JobState
from store.database import Connection, one

FAILURES_TO_PARK = 3


def set_states(conn: Connection, states: Mapping[int, JobState]) -> None:
    """Move jobs to other states; a closed one stays closed."""
    ids = sorted(states)
    if ids:
        conn.execute(
            "UPDATE job j SET state = s.state FROM unnest(%s::int[], %s::text[]) AS s (id, state) "
            "WHERE j.id = s.id AND j.state <> s.state AND j.closed_at IS NULL",
            (ids, [str(states[number]) for number in ids]),
        )


def end(conn: Connection, job_id: int, old_us: int | None, new_us: int | None, state: JobState) -> None:
    """Close a job by the rule at a moment of event time [µs], move its end there, or open it again (None).

    Ends that a person did not give are taken back to the new end; `walkups.reach` moves them on to it.
    """
    if new_us is None:
        conn.execute(
            "UPDATE job SET state = %s, closed_at = NULL, closed_by_rule = false WHERE id = %s",
            (state, job_id),
        )
    else:
        conn.execute(
            "UPDATE job SET state = 'closed', closed_at = %s, closed_by_rule = true WHERE id = %s "
            "AND (closed_at IS NULL OR closed_by_rule)",
            (to_datetime(new_us), job_id),
        )
    if new_us is None or (old_us is not None and old_us < new_us):
        return
    span = {"job": job_id, "old": _at(old_us), "new": to_datetime(new_us)}
    conn.execute(
        "DELETE FROM assignment WHERE job_id = %(job)s AND until IS NOT DISTINCT FROM %(old)s "
        "AND NOT until_fixed AND since >= %(new)s",
        span,
    )
    conn.execute(
        "UPDATE assignment SET until = %(new)s "
        "WHERE job_id = %(job)s AND until IS NOT DISTINCT FROM %(old)s AND NOT until_fixed",
        span,
    )


def _at(moment_us: int | None) -> datetime | None:
    return None if moment_us is None else to_datetime(moment_us)


def note_failure(conn: Connection, job_id: int, now_us: int) -> bool:
    """Count a failed judgement; returns whether the job is parked by it."""
    row = conn.execute(
        "UPDATE job SET failures = failures + 1, "
        "parked_at = CASE WHEN failures + 1 >= %s THEN coalesce(parked_at, %s) ELSE parked_at END "
        "WHERE id = %s RETURNING parked_at IS NOT NULL AND failures = %s AS parked",
        (FAILURES_TO_PARK, to_datetime(now_us), job_id, FAILURES_TO_PARK),
    ).fetchone()
    return bool(one(row)["parked"])


def clear_failures(conn: Connection, job_ids: Iterable[int]) -> None:
    """Forget failures and parking."""
    conn.execute("UPDATE job SET failures = 0, parked_at = NULL WHERE id = ANY(%s)", (sorted(job_ids),))

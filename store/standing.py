"""What the judgement writes of a job itself: its state, its end, and failures of the judgement."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from model.clock import to_datetime
from model.job import JobState
from store import jobs
from store.database import Connection, one
from store.equipment import tell

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


def close(conn: Connection, job_id: int, at_us: int) -> None:
    """Close a job at a moment of event time; its instruments are free from then on."""
    jobs.release(conn, job_id, at_us)
    conn.execute(
        "UPDATE job SET state = 'closed', closed_at = %s, closed_by_rule = true "
        "WHERE id = %s AND closed_at IS NULL",
        (to_datetime(at_us), job_id),
    )


def move_end(conn: Connection, job_id: int, old_us: int, new_us: int) -> list[int]:
    """Move the end of a job that was closed by rule, and the beginnings that lie on it; what a person gave
    stays where it is.

    Returns
    -------
    list of int
        The instruments concerned.
    """
    both = {"job": job_id, "old": to_datetime(old_us), "new": to_datetime(new_us)}
    # For a moment an end may lie behind the beginning after it.
    conn.execute("SET CONSTRAINTS assignment_one_at_a_time DEFERRED")
    conn.execute(
        "DELETE FROM assignment b USING assignment a WHERE a.job_id = %(job)s AND a.until = %(old)s "
        "AND b.instrument_id = a.instrument_id AND b.since >= %(old)s AND b.until <= %(new)s "
        "AND NOT a.until_fixed AND NOT b.since_fixed",
        both,
    )
    conn.execute(
        "UPDATE assignment b SET since = %(new)s FROM assignment a, job j WHERE a.job_id = %(job)s "
        "AND a.until = %(old)s AND b.instrument_id = a.instrument_id AND b.job_id = j.id AND j.walk_up "
        "AND NOT a.until_fixed AND NOT b.since_fixed "
        "AND (b.since = %(old)s OR (b.since > %(old)s AND b.since < %(new)s))",
        both,
    )
    # Up to what a person gave to another job at the furthest.
    rows = conn.execute(
        "UPDATE assignment a SET until = least(%(new)s, (SELECT min(b.since) FROM assignment b "
        "WHERE b.instrument_id = a.instrument_id AND b.id <> a.id AND b.since >= a.until)) "
        "WHERE job_id = %(job)s AND until = %(old)s AND since < %(new)s AND NOT until_fixed "
        "RETURNING instrument_id",
        both,
    ).fetchall()
    conn.execute("SET CONSTRAINTS assignment_one_at_a_time IMMEDIATE")
    conn.execute("UPDATE job SET closed_at = %(new)s WHERE id = %(job)s", both)
    tell(conn)
    return [row["instrument_id"] for row in rows]


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

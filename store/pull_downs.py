"""What is said of running pull-downs: one row a job, written anew at moments that its age fixes.

An estimate has no revisions, and belongs to the pull-down that began when it says: it is read only while that
one runs.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import msgspec
from psycopg.types.json import Jsonb

from model.clock import to_datetime, to_us
from model.pull_down import PullEstimate
from model.rig import Rig
from store import timers
from store.database import Connection
from store.timers import Timer

_RUNNING = """
SELECT d.detail FROM pull_down d
JOIN job j ON j.id = d.job_id AND j.closed_at IS NULL
JOIN phase p ON p.job_id = d.job_id AND p.started_at = d.started_at
    AND p.kind = 'pull-down' AND p.ended_at IS NULL
WHERE d.job_id = %s
"""


@dataclass(frozen=True, slots=True)
class Last:
    """Of which pull-down an estimate is, by its start, from when [µs], and with which pump and hose."""

    start_us: int
    at_us: int
    rig: Rig


def made(conn: Connection, job_ids: Iterable[int]) -> dict[int, Last]:
    """The last estimate of each job."""
    rows = conn.execute(
        "SELECT job_id, started_at, at, detail->'rig' AS rig FROM pull_down WHERE job_id = ANY(%s)",
        (list(job_ids),),
        prepare=True,
    )
    return {
        row["job_id"]: Last(
            to_us(row["started_at"]), to_us(row["at"]), msgspec.convert(row["rig"] or {}, Rig)
        )
        for row in rows
    }


def renew(conn: Connection, job_ids: Iterable[int], now_us: int) -> None:
    """Have the workers look at the pull-downs of jobs: their pump or hose changed."""
    timers.put(conn, [Timer(timers.JOB_WAKE, str(job), now_us) for job in job_ids])


def write(conn: Connection, estimates: Sequence[tuple[int, PullEstimate]]) -> None:
    """Write estimates in place of the earlier ones; each comes with its job."""
    if not estimates:
        return
    with conn.cursor() as cursor:
        cursor.executemany(
            "INSERT INTO pull_down (job_id, started_at, at, detail) VALUES (%s, %s, %s, %s) "
            "ON CONFLICT (job_id) DO UPDATE SET started_at = excluded.started_at, at = excluded.at, "
            "detail = excluded.detail",
            [
                (
                    job,
                    to_datetime(found.start_us),
                    to_datetime(found.at_us),
                    Jsonb(msgspec.to_builtins(found), dumps=msgspec.json.encode),
                )
                for job, found in estimates
            ],
        )


def forget(conn: Connection, job_ids: Iterable[int]) -> None:
    """Say nothing more of the pull-downs of jobs."""
    conn.execute("DELETE FROM pull_down WHERE job_id = ANY(%s)", (list(job_ids),))


def running(conn: Connection, job_id: int) -> PullEstimate | None:
    """What is said of the pull-down of a job, while it runs."""
    row = conn.execute(_RUNNING, (job_id,)).fetchone()
    return None if row is None else decode(row["detail"])


def decode(detail: Mapping[str, Any]) -> PullEstimate:
    """An estimate from its column; what a newer version added is ignored."""
    return msgspec.convert(detail, PullEstimate)

"""How far each job is judged, with states to go on from: a persisted one that lags a little, and checkpoints.

A state at a time knows every reading up to and at that time. It is opaque here: bytes that the judgement
made."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from model.clock import to_datetime, to_us
from store.database import Connection

AGAIN = "again"
"""In place of the digest of a view: the job is to be judged from its first reading again."""


@dataclass(frozen=True, slots=True)
class Saved:
    """Where a job's judgement stands.

    Parameters
    ----------
    settings, seen : str
        Digests of what it was judged by, and of the view that was written last.
    head_us, goal_us : int
        Judged up to this event time, and to be judged up to that [µs].
    epoch : int
        Goes up when late readings rewind the judgement.
    state_us : int
        Time of the persisted state [µs].
    written_s : float
        How long ago the view was written [s], by the database's own clock.
    wake_us : int or None
        When the job's timer goes off [µs].
    silent : frozenset of int
        Instruments that were told silent.
    because : str
        Why it is judged anew, empty if nobody asked for it.
    """

    settings: str
    seen: str
    head_us: int
    goal_us: int
    epoch: int
    state_us: int
    written_s: float
    wake_us: int | None
    silent: frozenset[int]
    because: str = ""


@dataclass(frozen=True, slots=True)
class Progress:
    """What to keep of a judgement; ``state`` and ``seen`` None: as they were."""

    job_id: int
    settings: str
    head_us: int
    goal_us: int
    epoch: int
    state: tuple[int, bytes] | None
    seen: str | None
    wake_us: int | None
    silent: frozenset[int]
    because: str


@dataclass(frozen=True, slots=True)
class Checkpoint:
    """A state to come back to."""

    job_id: int
    time_us: int
    state: bytes


_STATES = """
SELECT w.job_id,
       CASE WHEN t.state_at < w.since THEN t.state_at ELSE c.time END AS time,
       CASE WHEN t.state_at < w.since THEN t.state ELSE c.state END AS state
FROM unnest(%s::int[], %s::timestamptz[]) AS w (job_id, since)
JOIN track t ON t.job_id = w.job_id
LEFT JOIN LATERAL (
    SELECT time, state FROM checkpoint
    WHERE job_id = t.job_id AND time < w.since AND t.state_at >= w.since ORDER BY time DESC LIMIT 1
) c ON true
"""
_BEGIN = """
INSERT INTO track
    (job_id, settings, head_at, goal_at, epoch, state_at, state, seen, written_at, wake_at, silent, because)
VALUES (%(job)s, %(settings)s, %(head_at)s, %(goal_at)s, %(epoch)s, %(state_at)s, %(state)s,
        coalesce(%(seen)s, ''), now(), %(wake_at)s, %(silent)s, %(because)s)
ON CONFLICT (job_id) DO UPDATE SET settings = excluded.settings, head_at = excluded.head_at,
    goal_at = excluded.goal_at, epoch = excluded.epoch, state_at = excluded.state_at,
    state = excluded.state, seen = coalesce(%(seen)s, track.seen),
    written_at = CASE WHEN %(seen)s::text IS NULL THEN track.written_at ELSE now() END,
    wake_at = excluded.wake_at, silent = excluded.silent, because = excluded.because
"""
_GO_ON = """
UPDATE track t SET head_at = p.head_at, goal_at = p.goal_at, seen = coalesce(p.seen, t.seen),
    written_at = CASE WHEN p.seen IS NULL THEN t.written_at ELSE now() END,
    wake_at = p.wake_at, because = p.because
FROM unnest(%s::int[], %s::timestamptz[], %s::timestamptz[], %s::text[], %s::timestamptz[], %s::text[])
    AS p (job_id, head_at, goal_at, seen, wake_at, because)
WHERE t.job_id = p.job_id
"""
# Ten minutes apart for two hours, an hour apart for two days, then a day apart: the first of each stretch
# stays.
_THIN = """
DELETE FROM checkpoint c USING track t
WHERE t.job_id = ANY(%s) AND c.job_id = t.job_id AND c.time < t.head_at - interval '2 hours' AND EXISTS (
    SELECT FROM checkpoint o WHERE o.job_id = c.job_id AND o.time < c.time AND o.time >= date_bin(
        CASE WHEN c.time < t.head_at - interval '2 days' THEN interval '1 day' ELSE interval '1 hour' END,
        c.time, timestamptz '2020-01-01 00:00Z'))
"""


def load(conn: Connection, job_ids: Iterable[int]) -> dict[int, Saved]:
    """Where the judgement of jobs stands; a job that was never judged is missing."""
    rows = conn.execute(
        "SELECT job_id, settings, seen, head_at, goal_at, epoch, state_at, wake_at, silent, because, "
        "extract(epoch FROM now() - written_at)::float8 AS written_s FROM track WHERE job_id = ANY(%s)",
        (sorted(job_ids),),
        prepare=True,
    )
    return {
        row["job_id"]: Saved(
            settings=row["settings"],
            seen=row["seen"],
            head_us=to_us(row["head_at"]),
            goal_us=to_us(row["goal_at"]),
            epoch=row["epoch"],
            state_us=to_us(row["state_at"]),
            written_s=row["written_s"],
            wake_us=None if row["wake_at"] is None else to_us(row["wake_at"]),
            silent=frozenset(row["silent"]),
            because=row["because"],
        )
        for row in rows
    }


def states(conn: Connection, since_us: Mapping[int, int]) -> dict[int, tuple[int, bytes]]:
    """The newest state of each job from before a moment, with its time [µs]; missing where there is none."""
    if not since_us:
        return {}
    jobs = sorted(since_us)
    rows = conn.execute(_STATES, (jobs, [to_datetime(since_us[job]) for job in jobs]), prepare=True)
    return {row["job_id"]: (to_us(row["time"]), row["state"]) for row in rows if row["time"] is not None}


def save(conn: Connection, progress: Sequence[Progress]) -> None:
    """Keep how far jobs are judged."""
    # Most of the time only the head moves on: one small statement for all.
    moved = [item for item in progress if item.state is None]
    if moved:
        conn.execute(
            _GO_ON,
            (
                [item.job_id for item in moved],
                [to_datetime(item.head_us) for item in moved],
                [to_datetime(item.goal_us) for item in moved],
                [item.seen for item in moved],
                [None if item.wake_us is None else to_datetime(item.wake_us) for item in moved],
                [item.because for item in moved],
            ),
            prepare=True,
        )
    whole = [_columns(item, *item.state) for item in progress if item.state is not None]
    if whole:
        with conn.cursor() as cursor:
            cursor.executemany(_BEGIN, whole)


def _columns(item: Progress, state_us: int, state: bytes) -> dict[str, object]:
    return {
        "job": item.job_id,
        "settings": item.settings,
        "head_at": to_datetime(item.head_us),
        "goal_at": to_datetime(item.goal_us),
        "epoch": item.epoch,
        "state_at": to_datetime(state_us),
        "state": state,
        "seen": item.seen,
        "wake_at": None if item.wake_us is None else to_datetime(item.wake_us),
        "silent": sorted(item.silent),
        "because": item.because,
    }


def rewind(conn: Connection, since_us: Mapping[int, int]) -> None:
    """Forget checkpoints that late readings have overtaken: those at and after a moment [µs] of each job."""
    if not since_us:
        return
    jobs = sorted(since_us)
    conn.execute(
        "DELETE FROM checkpoint c USING unnest(%s::int[], %s::timestamptz[]) AS w (job_id, since) "
        "WHERE c.job_id = w.job_id AND c.time >= w.since",
        (jobs, [to_datetime(since_us[job]) for job in jobs]),
        prepare=True,
    )


def add_checkpoints(conn: Connection, checkpoints: Sequence[Checkpoint]) -> None:
    """Keep states to come back to, and thin the older ones out. Call it after `save`."""
    if not checkpoints:
        return
    with conn.cursor() as cursor:
        cursor.executemany(
            "INSERT INTO checkpoint (job_id, time, state) VALUES (%s, %s, %s) "
            "ON CONFLICT (job_id, time) DO UPDATE SET state = excluded.state",
            [(point.job_id, to_datetime(point.time_us), point.state) for point in checkpoints],
        )
    conn.execute(_THIN, (sorted({point.job_id for point in checkpoints}),), prepare=True)


def forget(conn: Connection, goals_us: Mapping[int, int], because: str) -> None:
    """Forget all states of jobs, so that they are judged from their first reading again up to a goal [µs];
    results stay."""
    jobs = sorted(goals_us)
    conn.execute("DELETE FROM checkpoint WHERE job_id = ANY(%s)", (jobs,))
    # The row stays, because it says which instruments are silent; no digest is empty, so nothing else of it
    # is used. The old head goes: it may lie behind the last reading that is left.
    conn.execute(
        "UPDATE track t SET settings = '', seen = %s, because = %s, head_at = g.goal, goal_at = g.goal "
        "FROM unnest(%s::int[], %s::timestamptz[]) AS g (job_id, goal) WHERE t.job_id = g.job_id",
        (AGAIN, because, jobs, [to_datetime(goals_us[job]) for job in jobs]),
    )


def end(conn: Connection, job_ids: Iterable[int]) -> None:
    """Nothing is left to be judged of these jobs."""
    ids = sorted(job_ids)
    conn.execute("DELETE FROM checkpoint WHERE job_id = ANY(%s)", (ids,))
    # The row stays for its epoch: states kept in memory must not come to life again.
    conn.execute(
        "UPDATE track SET settings = '', seen = '', because = '', goal_at = head_at, wake_at = NULL, "
        "silent = '{}' WHERE job_id = ANY(%s)",
        (ids,),
    )


def look_again(conn: Connection, job_ids: Iterable[int], because: str) -> None:
    """Let the tables be brought in line with the next view of these jobs, even if it is as before."""
    # Whoever changed them may have taken a timer of theirs: none counts as set.
    conn.execute(
        "UPDATE track SET seen = CASE seen WHEN %(again)s THEN seen ELSE '' END, "
        "because = CASE because WHEN '' THEN %(because)s ELSE because END, wake_at = NULL "
        "WHERE job_id = ANY(%(ids)s)",
        {"again": AGAIN, "because": because, "ids": sorted(job_ids)},
    )

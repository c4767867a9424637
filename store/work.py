"""Work: which instruments have new readings, claimed by advisory locks that end with the transaction.

Ingest appends a row per touched instrument; nobody updates one. Row locks are not used: workers that
claimed row by row deadlocked, and a hundred instruments a transaction are twenty times as fast as one."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass

from model.clock import to_datetime, to_us
from store.database import Connection, one

INSTRUMENT_LOCK = 0x494E
JOB_LOCK = 0x4A4F
"""Classes of advisory locks. They are only ever tried for, and the lock of the events comes last: so nobody
waits in a circle."""

LOOK_AHEAD = 2000
"""How many rows are looked at at once to find instruments; more than one claim, so that workers pass each
other."""


@dataclass(frozen=True, slots=True)
class Touched:
    """New readings of an instrument: earliest and latest event time [µs], and the rows that said so."""

    instrument_id: int
    since_us: int
    until_us: int
    rows: tuple[int, ...]
    waited_s: float = 0.0
    """Since the first of them was committed, by the database's clock."""


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of event time of an instrument, both ends in it [µs]."""

    instrument_id: int
    since_us: int
    until_us: int


# Locking happens in one statement and reading in the next: what a holder before us did must be seen.
_LOCK = """
WITH ahead AS MATERIALIZED (
    SELECT id, instrument_id FROM work WHERE id > %(after)s ORDER BY id LIMIT %(ahead)s
),
hurried AS MATERIALIZED (SELECT id, instrument_id FROM work WHERE instrument_id = ANY(%(first)s)),
waiting AS MATERIALIZED (
    SELECT instrument_id FROM (SELECT * FROM hurried UNION ALL SELECT * FROM ahead) AS w
    GROUP BY instrument_id ORDER BY instrument_id = ANY(%(first)s) DESC, min(id)
)
SELECT ARRAY(
    SELECT instrument_id FROM waiting WHERE pg_try_advisory_xact_lock(%(class)s, instrument_id)
    LIMIT %(limit)s
) AS mine, (SELECT max(id) FROM ahead) AS last, (SELECT count(*) FROM ahead) AS n
"""
_TOUCHED = """
SELECT instrument_id, min(since) AS since, max(until) AS until, array_agg(id) AS rows,
    extract(epoch FROM clock_timestamp() - min(at))::float8 AS waited_s FROM work
WHERE instrument_id = ANY(%s) GROUP BY instrument_id ORDER BY min(id)
"""


def claim(conn: Connection, limit: int, first: Collection[int] = ()) -> list[Touched]:
    """Up to ``limit`` instruments with work for this transaction alone, some ``first``, then the oldest."""
    mine = _lock(conn, limit, sorted(first))
    if not mine:
        return []
    rows = conn.execute(_TOUCHED, (mine,), prepare=True)
    return [
        Touched(
            row["instrument_id"],
            to_us(row["since"]),
            to_us(row["until"]),
            tuple(row["rows"]),
            row["waited_s"],
        )
        for row in rows
    ]


def _lock(conn: Connection, limit: int, first: Sequence[int]) -> list[int]:
    """Lock instruments that nobody else has; further on where others have all of the oldest work."""
    wanted: dict[str, object] = {"after": 0, "ahead": LOOK_AHEAD, "class": INSTRUMENT_LOCK, "limit": limit}
    wanted["first"] = first
    while True:
        found = one(conn.execute(_LOCK, wanted, prepare=True).fetchone())
        mine: list[int] = found["mine"]
        if mine or found["n"] < LOOK_AHEAD:
            return mine
        wanted["after"] = found["last"]


def done(conn: Connection, touched: Iterable[Touched]) -> None:
    """Delete the rows behind claims; rows that came since stay."""
    rows = [row for item in touched for row in item.rows]
    if rows:
        conn.execute("DELETE FROM work WHERE id = ANY(%s)", (rows,), prepare=True)


def add(conn: Connection, spans: Sequence[Span]) -> None:
    """Append work and tell the workers."""
    if not spans:
        return
    conn.execute(
        "INSERT INTO work (instrument_id, since, until) SELECT * FROM unnest(%s::int[], %s::timestamptz[], "
        "%s::timestamptz[])",
        (
            [span.instrument_id for span in spans],
            [to_datetime(span.since_us) for span in spans],
            [to_datetime(span.until_us) for span in spans],
        ),
    )
    conn.execute("SELECT pg_notify('work', '')")


def lock_jobs(conn: Connection, job_ids: Iterable[int]) -> set[int]:
    """Those of the jobs that nobody else judges right now, locked for this transaction."""
    ids = sorted(set(job_ids))
    if not ids:
        return set()
    rows = conn.execute(
        "SELECT id FROM unnest(%s::int[]) AS id WHERE pg_try_advisory_xact_lock(%s, id)",
        (ids, JOB_LOCK),
        prepare=True,
    )
    return {row["id"] for row in rows}

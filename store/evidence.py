"""Evidence: what served a job outlives its retention, packed.

A reading is a row of some hundred bytes with its index; half an hour of a channel packed is one row of three
arrays, which PostgreSQL compresses. Evidence belongs to an instrument and a time, not to a job: jobs that are
merged, corrected or judged anew find it as they find any reading. The database's function `reading_of` gives
both, and everything that may ask for an old reading asks it.

While a day goes from the readings to the evidence its readings may be in both. Nobody minds: of two readings
with one time the smaller value counts, here as everywhere, and the same twice is the same.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from store.database import Connection, one

AFTER = timedelta(days=1)
"""So much of what comes after a job is kept with it: the rule that ended it looks past its end, and late
readings may move that end. Our own choice."""


@dataclass(frozen=True, slots=True)
class Kept:
    """Stretches of a day in which an instrument served jobs, each from ``since`` until before ``until``."""

    instrument_id: int
    since: tuple[datetime, ...]
    until: tuple[datetime, ...]


# Also what a person took from its job, which is a span without one: it can be given to a job again.
_KEPT = """
SELECT instrument_id, array_agg(lower(span) ORDER BY span) AS since,
       array_agg(upper(span) ORDER BY span) AS until
FROM (
    SELECT instrument_id, unnest(
        range_agg(tstzrange(since, until + %(after)s)) * tstzmultirange(tstzrange(%(begin)s, %(end)s))
    ) AS span
    FROM assignment
    WHERE since < %(end)s AND (until IS NULL OR until + %(after)s > %(begin)s)
    GROUP BY instrument_id
) spans GROUP BY instrument_id ORDER BY instrument_id
"""
_COUNT = """
SELECT count(*) AS n FROM unnest(%(since)s::timestamptz[], %(until)s::timestamptz[]) AS s (since, until)
JOIN reading r ON r.instrument_id = %(instrument)s AND r.time >= s.since AND r.time < s.until
"""
# With what is packed of these half hours already: a reading that comes after its day was packed and dropped
# is added to it. Of a reading that came twice, long apart, the first arrival is the true one.
_PACK = """
WITH kept AS MATERIALIZED (
    SELECT quantity, place_id, time, value, min(arrived) AS arrived FROM (
        SELECT r.quantity, r.place_id, r.time, r.value, r.arrived
        FROM unnest(%(since)s::timestamptz[], %(until)s::timestamptz[]) AS s (since, until)
        JOIN reading r ON r.instrument_id = %(instrument)s AND r.time >= s.since AND r.time < s.until
        UNION ALL
        SELECT e.quantity, e.place_id, u.time, u.value, u.arrived
        FROM evidence e CROSS JOIN LATERAL unpacked(e.starts, e.steps, e.value, e.arrived) u
        WHERE e.instrument_id = %(instrument)s
          AND e.starts >= date_bin('30 minutes', (%(since)s::timestamptz[])[1], 'epoch')
          AND e.starts < (%(until)s::timestamptz[])[cardinality(%(until)s::timestamptz[])]
    ) both_of_them GROUP BY quantity, place_id, time, value
), stepped AS (
    SELECT *, time - lag(time, 1, starts) OVER piece AS step,
           arrived - lag(arrived, 1, starts) OVER piece AS wait
    FROM (SELECT *, date_bin('30 minutes', time, 'epoch') AS starts FROM kept) binned
    WINDOW piece AS (PARTITION BY quantity, place_id, starts ORDER BY time, value)
)
INSERT INTO evidence (instrument_id, quantity, place_id, starts, n, steps, value, arrived)
SELECT %(instrument)s, quantity, place_id, starts, count(*),
       array_agg((extract(epoch FROM step) * 1000000)::integer ORDER BY time, value),
       array_agg(value ORDER BY time, value),
       array_agg((extract(epoch FROM wait) * 1000000)::bigint ORDER BY time, value)
FROM stepped GROUP BY quantity, place_id, starts
ON CONFLICT (instrument_id, quantity, place_id, starts) DO UPDATE
SET n = excluded.n, steps = excluded.steps, value = excluded.value, arrived = excluded.arrived
"""


def kept(conn: Connection, begin: datetime, end: datetime) -> list[Kept]:
    """What is to be kept of the readings from ``begin`` until before ``end``, an item an instrument."""
    rows = conn.execute(_KEPT, {"begin": begin, "end": end, "after": AFTER})
    return [Kept(row["instrument_id"], tuple(row["since"]), tuple(row["until"])) for row in rows]


def count(conn: Connection, what: Kept) -> int:
    """How many readings there are to pack."""
    return int(one(conn.execute(_COUNT, _columns(what)).fetchone())["n"])


def pack(conn: Connection, what: Kept) -> int:
    """Pack readings, in the caller's transaction, and leave them where they are; returns how many there were.

    Doing it twice does no harm.
    """
    found = count(conn, what)
    if found:
        conn.execute(_PACK, _columns(what))
    return found


def _columns(what: Kept) -> dict[str, int | Sequence[datetime]]:
    return {"instrument": what.instrument_id, "since": list(what.since), "until": list(what.until)}

"""Minute rollups: lowest, highest, sum and number of the readings of each minute of each channel.

A minute is made anew from its readings, so doing it twice, or late, does no harm. Touched minutes are noted
in the transaction that handles the readings and made a little later, once for all readings of the minute.
"""

from __future__ import annotations

from collections.abc import Sequence

from model.clock import to_datetime
from store.database import Connection
from store.work import Span

SPREAD_S = 20
"""How long a touched minute waits, so that a gauge at 1 Hz costs three rollups a minute and not sixty."""

LONG_US = 6 * 3600 * 1_000_000
"""A longer span may be mostly empty (one old reading in a pack), so its minutes are looked up in the
readings."""

# A minute that another process is making right now is waited for: it has not seen the newest readings.
_NOTE = """
INSERT INTO rollup_todo (instrument_id, minute, due)
SELECT DISTINCT s.id, m, now() + make_interval(secs => %s)
FROM unnest(%s::int[], %s::timestamptz[], %s::timestamptz[]) AS s (id, since, until),
     generate_series(date_trunc('minute', s.since, 'UTC'), s.until, interval '1 minute') AS m
ORDER BY 1, 2
ON CONFLICT DO NOTHING
"""
_NOTE_LONG = """
INSERT INTO rollup_todo (instrument_id, minute, due)
SELECT DISTINCT r.instrument_id, date_trunc('minute', r.time, 'UTC'), now() + make_interval(secs => %s)
FROM reading r WHERE r.instrument_id = %s AND r.time BETWEEN %s AND %s
ORDER BY 1, 2
ON CONFLICT DO NOTHING
"""
_TAKE = """
DELETE FROM rollup_todo WHERE (instrument_id, minute) IN (
    SELECT instrument_id, minute FROM rollup_todo WHERE due <= now() + make_interval(secs => %s)
    ORDER BY due LIMIT %s FOR UPDATE SKIP LOCKED)
RETURNING instrument_id, minute
"""
_MAKE = """
INSERT INTO rollup_minute (instrument_id, quantity, place_id, minute, n, low, high, total)
SELECT t.id, r.quantity, r.place_id, t.minute, count(*), min(r.value), max(r.value), sum(r.value)
FROM unnest(%s::int[], %s::timestamptz[]) AS t (id, minute)
CROSS JOIN LATERAL (
    SELECT quantity, place_id, time, min(value) AS value FROM reading
    WHERE instrument_id = t.id AND time >= t.minute AND time < t.minute + interval '1 minute'
    GROUP BY quantity, place_id, time
) r
GROUP BY 1, 2, 3, 4 ORDER BY 1, 2, 3, 4
ON CONFLICT (instrument_id, quantity, place_id, minute) DO UPDATE SET
    n = excluded.n, low = excluded.low, high = excluded.high, total = excluded.total
"""


def note(conn: Connection, spans: Sequence[Span]) -> None:
    """Note the minutes of touched spans."""
    short = [span for span in spans if span.until_us - span.since_us <= LONG_US]
    if short:
        conn.execute(
            _NOTE,
            (
                SPREAD_S,
                [span.instrument_id for span in short],
                [to_datetime(span.since_us) for span in short],
                [to_datetime(span.until_us) for span in short],
            ),
            prepare=True,
        )
    for span in spans:
        if span.until_us - span.since_us > LONG_US:
            conn.execute(
                _NOTE_LONG,
                (SPREAD_S, span.instrument_id, to_datetime(span.since_us), to_datetime(span.until_us)),
            )


def make(conn: Connection, limit: int = 1000, *, ahead_s: float = 0.0) -> int:
    """Make up to ``limit`` minutes that are due, or will be within ``ahead_s`` seconds; returns how many."""
    minutes = conn.execute(_TAKE, (ahead_s, limit), prepare=True).fetchall()
    if minutes:
        # A statement of its own: it must see what the minutes' readers had committed before they were taken.
        conn.execute(
            _MAKE,
            ([row["instrument_id"] for row in minutes], [row["minute"] for row in minutes]),
            prepare=True,
        )
    return len(minutes)

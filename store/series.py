"""Readings for people to look at: downsampled series with their gaps, and trends from the minute rollups."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from model.clock import US, to_datetime
from model.reading import Quantity
from store.database import Connection, one
from store.readings import POSTGRES_EPOCH_US

NO_PLACE = 1


@dataclass(frozen=True, slots=True)
class Span:
    """Which readings: of one channel, from ``since`` until before ``until``."""

    instrument_id: int
    quantity: Quantity
    since: datetime
    until: datetime
    place: str = ""


@dataclass(frozen=True, slots=True)
class Series:
    """Readings in order of time, in SI units.

    Parameters
    ----------
    total : int
        How many there are in the span; more than ``times`` if they were thinned.
    gaps : tuple of (datetime, datetime)
        Neighbouring readings that lie too far apart to be joined by a line.
    """

    times: tuple[datetime, ...]
    values: tuple[float, ...]
    gaps: tuple[tuple[datetime, datetime], ...]
    total: int


AT_ONCE = 500_000
"""Readings that are fetched whole and thinned here, in a tenth of the time; longer spans the server thins."""

# All built from constants, so that ruff's S608 does not apply.
# Of two values for one time the smaller judges, so the smaller is shown.
_THOSE = """
    reading_of(%(instrument)s, %(since)s, %(until)s) WHERE quantity = %(quantity)s
    AND place_id = (SELECT id FROM place WHERE name = %(place)s) AND time < %(until)s
"""
_CHANNEL = f"SELECT time, min(value) AS value FROM {_THOSE} GROUP BY time"  # noqa: S608
# PostgreSQL's binary forms, end to end: a row each would be most of the time.
_PACKED = f"""
SELECT string_agg(timestamptz_send(time) || float8send(value), ''::bytea ORDER BY time, value) AS packed
FROM (
    SELECT time, value FROM {_THOSE} ORDER BY time, value LIMIT {AT_ONCE + 1}
) c
"""  # noqa: S608
_PAIR = np.dtype([("time_us", ">i8"), ("value", ">f8")])
_COUNT = f"SELECT count(*) AS n, min(time) AS first, max(time) AS last FROM ({_CHANNEL}) c"  # noqa: S608
_ALL = f"SELECT time, value FROM ({_CHANNEL}) c ORDER BY time"  # noqa: S608
# The lowest and the highest reading of each bucket, and the very first and last: no extreme is lost.
_THINNED = f"""
WITH c AS ({_CHANNEL}), b AS (
    SELECT time, value, width_bucket(extract(epoch FROM time)::float8,
        extract(epoch FROM %(first)s::timestamptz)::float8,
        extract(epoch FROM %(last)s::timestamptz)::float8 + 1e-6, %(buckets)s) AS bucket FROM c
), extremes AS (
    SELECT (array_agg(time ORDER BY value, time))[1] AS low_at,
           (array_agg(time ORDER BY value DESC, time))[1] AS high_at FROM b GROUP BY bucket
)
SELECT c.time, c.value FROM c
WHERE c.time IN (SELECT low_at FROM extremes UNION SELECT high_at FROM extremes)
   OR c.time IN (%(first)s, %(last)s)
ORDER BY c.time
"""  # noqa: S608
_GAPS = f"""
SELECT since, time AS until FROM (
    SELECT time, lag(time) OVER (ORDER BY time) AS since FROM ({_CHANNEL}) c
) steps WHERE time - since > %(gap)s ORDER BY time
"""  # noqa: S608


def read(conn: Connection, span: Span, points: int, gap_s: float) -> Series:
    """At most about ``points`` readings of a span that keep its minima and maxima.

    Parameters
    ----------
    points : int
        How many readings to give back, at least 4.
    gap_s : float
        Readings further apart than this have a gap between them [s].
    """
    what: dict[str, object] = {
        "instrument": span.instrument_id,
        "quantity": int(span.quantity),
        "place": span.place,
        "since": span.since,
        "until": span.until,
        "gap": timedelta(seconds=gap_s),
    }
    packed = one(conn.execute(_PACKED, what, binary=True).fetchone())["packed"] or b""
    pairs = np.frombuffer(packed, _PAIR)
    if len(pairs) <= AT_ONCE:
        return _thinned(pairs["time_us"].astype(np.int64) + POSTGRES_EPOCH_US, pairs["value"], points, gap_s)
    return _thinned_by_the_server(conn, what, points)


def _thinned(times_us: NDArray[np.int64], values: NDArray[np.float64], points: int, gap_s: float) -> Series:
    """Thin readings in order of time and value.

    Parameters
    ----------
    times_us, values : array, shape (n,)
    """
    # Of two values for one time the smaller, which comes first.
    first = np.diff(times_us, prepend=-1) > 0
    times_us, values = times_us[first], values[first].astype(float)
    total = len(times_us)
    gaps = np.flatnonzero(np.diff(times_us) > gap_s * US)
    kept = np.arange(total)
    if total > points:
        span_us = times_us[-1] - times_us[0] + 1
        bucket = (times_us - times_us[0]) * max(points // 2 - 1, 1) // span_us
        starts = np.flatnonzero(np.diff(bucket, prepend=-1))
        sizes = np.diff(starts, append=total)
        extremes = [
            # Of equal ones in a bucket the first.
            where[np.diff(bucket[where], prepend=-1) > 0]
            for extreme in (np.minimum, np.maximum)
            for where in [np.flatnonzero(values == np.repeat(extreme.reduceat(values, starts), sizes))]
        ]
        kept = np.unique(np.concatenate([[0], *extremes, [total - 1]]))
    return Series(
        times=tuple(map(to_datetime, times_us[kept].tolist())),
        values=tuple(values[kept].tolist()),
        gaps=tuple(
            (to_datetime(since), to_datetime(until))
            for since, until in zip(times_us[gaps].tolist(), times_us[gaps + 1].tolist(), strict=True)
        ),
        total=total,
    )


def _thinned_by_the_server(conn: Connection, what: dict[str, object], points: int) -> Series:
    found = one(conn.execute(_COUNT, what).fetchone())
    if found["n"] > points:
        what |= {"first": found["first"], "last": found["last"], "buckets": max(points // 2 - 1, 1)}
    rows = conn.execute(_THINNED if found["n"] > points else _ALL, what).fetchall()
    gaps = conn.execute(_GAPS, what).fetchall()
    return Series(
        times=tuple(row["time"] for row in rows),
        values=tuple(row["value"] for row in rows),
        gaps=tuple((row["since"], row["until"]) for row in gaps),
        total=found["n"],
    )


@dataclass(frozen=True, slots=True)
class Window:
    """The stretch of a trend, cut into equal buckets."""

    since: datetime
    until: datetime


def trends(
    conn: Connection, windows: Mapping[int, Window], buckets: int
) -> dict[int, list[tuple[int, float, float]]]:
    """Lowest and highest pressure of each gauge in equal buckets of its window, from the minute rollups.

    Returns
    -------
    dict of int to list of (bucket, low_pa, high_pa)
        By instrument. Buckets count from 0; those without readings are missing.
    """
    rows = conn.execute(
        "SELECT w.gauge, width_bucket(extract(epoch FROM r.minute)::float8, "
        "  extract(epoch FROM w.since)::float8, extract(epoch FROM w.until)::float8, "
        "  %(buckets)s) - 1 AS bucket, "
        "  min(r.low) AS low, max(r.high) AS high "
        "FROM unnest(%(gauges)s::int[], %(since)s::timestamptz[], %(until)s::timestamptz[]) "
        "  AS w (gauge, since, until) "
        "JOIN rollup_minute r ON r.instrument_id = w.gauge AND r.quantity = %(quantity)s "
        "  AND r.place_id = %(place)s AND r.minute >= w.since AND r.minute < w.until "
        "GROUP BY 1, 2 ORDER BY 1, 2",
        {
            "gauges": list(windows),
            "since": [window.since for window in windows.values()],
            "until": [window.until for window in windows.values()],
            "buckets": buckets,
            "quantity": int(Quantity.PRESSURE),
            "place": NO_PLACE,
        },
    )
    result: dict[int, list[tuple[int, float, float]]] = {}
    for row in rows:
        result.setdefault(row["gauge"], []).append((row["bucket"], row["low"], row["high"]))
    return result

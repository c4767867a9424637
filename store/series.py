"""Readings for people to look at: downsampled series with their gaps, and trends from the minute rollups."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
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
"""Readings that are fetched whole; longer series are fetched day by day, so that memory stays flat."""
SLICE = timedelta(days=1)

# Of two values for one time the smaller judges, so the smaller is shown; it comes first. PostgreSQL's binary
# forms, end to end: a row each would be most of the time.
_PACKED = """
SELECT string_agg(timestamptz_send(time) || float8send(value), ''::bytea ORDER BY time, value) AS packed
FROM (
    SELECT time, value FROM reading_of(%(instrument)s, %(since)s, %(until)s)
    WHERE quantity = %(quantity)s AND place_id = (SELECT id FROM place WHERE name = %(place)s)
      AND time < %(until)s
    ORDER BY time, value LIMIT %(most)s
) c
"""
PAIR = np.dtype([("time_us", ">i8"), ("value", ">f8")])
"""As PostgreSQL sends them."""
# Nothing lies outside of these; of evidence it is known to the half hour.
_BOUNDS = """
WITH place AS (SELECT id FROM place WHERE name = %(place)s), bounds AS (
    SELECT min(time) AS first, max(time) AS last FROM reading
    WHERE instrument_id = %(instrument)s AND quantity = %(quantity)s AND place_id = (SELECT id FROM place)
      AND time >= %(since)s AND time < %(until)s
    UNION ALL
    SELECT min(starts), max(starts) + interval '30 minutes' FROM evidence
    WHERE instrument_id = %(instrument)s AND quantity = %(quantity)s AND place_id = (SELECT id FROM place)
      AND starts > %(since)s - interval '30 minutes' AND starts < %(until)s
)
SELECT greatest(min(first), %(since)s) AS first,
       least(max(last) + interval '1 microsecond', %(until)s) AS last
FROM bounds
"""


def read(conn: Connection, span: Span, points: int, gap_s: float) -> Series:
    """At most ``points`` readings of a span: first and last, and the lowest and highest of equal stretches.

    Parameters
    ----------
    points : int
        How many readings to give back, at least 4.
    gap_s : float
        Readings further apart than this have a gap between them [s].
    """
    times_us, values = _fetch(conn, span, max(AT_ONCE, points) + 1)
    if len(times_us) <= max(AT_ONCE, points):
        slices: Iterable[_Pairs] = [(times_us, values)]
        ends = (int(times_us[0]), int(times_us[-1])) if len(times_us) else (0, 0)
    else:
        days = _days(conn, span)
        ends = (int(times_us[0]), _last_us(conn, days))
        slices = (_fetch(conn, day, None) for day in days)
    thinned = _Thinned(*ends, points, round(gap_s * US))
    for some in slices:
        thinned.take(*some)
    return thinned.series()


_Pairs = tuple[NDArray[np.int64], NDArray[np.float64]]
"""Times [µs] and values, in order of time."""


def _fetch(conn: Connection, span: Span, most: int | None) -> _Pairs:
    what = {
        "instrument": span.instrument_id,
        "quantity": int(span.quantity),
        "place": span.place,
        "since": span.since,
        "until": span.until,
        "most": most,
    }
    packed = one(conn.execute(_PACKED, what, binary=True).fetchone())["packed"] or b""
    pairs = np.frombuffer(packed, PAIR)
    times_us = pairs["time_us"].astype(np.int64) + POSTGRES_EPOCH_US
    return times_us, pairs["value"].astype(float)


def _days(conn: Connection, span: Span) -> list[Span]:
    """A span in pieces that are fetched one after the other."""
    bounds = one(
        conn.execute(
            _BOUNDS,
            {
                "instrument": span.instrument_id,
                "quantity": int(span.quantity),
                "place": span.place,
                "since": span.since,
                "until": span.until,
            },
        ).fetchone()
    )
    days = []
    since = bounds["first"]
    while since < bounds["last"]:
        days.append(replace(span, since=since, until=min(since + SLICE, bounds["last"])))
        since += SLICE
    return days


def _last_us(conn: Connection, days: Sequence[Span]) -> int:
    for day in reversed(days):
        times_us, _ = _fetch(conn, day, None)
        if len(times_us):
            return int(times_us[-1])
    raise LookupError("a reading was expected")


class _Thinned:
    """Takes readings in order of time, in as many parts as one likes, and keeps at most ``points`` of them.

    Parameters
    ----------
    first_us, last_us : int
        The very first and last of all that will be taken [µs].
    """

    def __init__(self, first_us: int, last_us: int, points: int, gap_us: int) -> None:
        self._first_us, self._span_us = first_us, last_us - first_us + 1
        self._points, self._gap_us = points, gap_us
        self._buckets = max(points // 2 - 1, 1)
        self._extremes: list[dict[int, tuple[int, float]]] = [{}, {}]
        """Lowest and highest by bucket, each with its time; of equal ones the first."""
        self._all: list[_Pairs] = []
        """Everything, while it is no more than may be kept."""
        self._ends: list[tuple[int, float]] = []
        self._last_us: int | None = None
        self._gaps: list[tuple[int, int]] = []
        self._total = 0

    def take(self, times_us: NDArray[np.int64], values: NDArray[np.float64]) -> None:
        """Take the next readings, none of them earlier than the last."""
        # Of two values for one time the smaller, which comes first.
        new = np.diff(times_us, prepend=-(2**62) if self._last_us is None else self._last_us) > 0
        times_us, values = times_us[new], values[new]
        if not len(times_us):
            return
        self._note_gaps(times_us)
        self._total += len(times_us)
        self._all = [*self._all, (times_us, values)] if self._total <= self._points else []
        self._note_extremes(times_us, values)
        self._ends = [*self._ends[:1], *((int(times_us[n]), float(values[n])) for n in (0, -1))]
        self._ends = [self._ends[0], self._ends[-1]]
        self._last_us = int(times_us[-1])

    def _note_gaps(self, times_us: NDArray[np.int64]) -> None:
        before = times_us[0] if self._last_us is None else self._last_us
        joined = np.concatenate([[before], times_us])
        where = np.flatnonzero(np.diff(joined) > self._gap_us)
        self._gaps += zip(joined[where].tolist(), joined[where + 1].tolist(), strict=True)

    def _note_extremes(self, times_us: NDArray[np.int64], values: NDArray[np.float64]) -> None:
        bucket = (times_us - self._first_us) * self._buckets // self._span_us
        starts = np.flatnonzero(np.diff(bucket, prepend=-1))
        sizes = np.diff(starts, append=len(bucket))
        for kept, extreme, better in zip(
            self._extremes, (np.minimum, np.maximum), (float.__lt__, float.__gt__), strict=True
        ):
            where = np.flatnonzero(values == np.repeat(extreme.reduceat(values, starts), sizes))
            for n in where[np.diff(bucket[where], prepend=-1) > 0].tolist():
                number, found = int(bucket[n]), (int(times_us[n]), float(values[n]))
                if number not in kept or better(found[1], kept[number][1]):
                    kept[number] = found

    def series(self) -> Series:
        """What was kept."""
        if self._total <= self._points:
            pairs = [
                pair
                for times, values in self._all
                for pair in zip(times.tolist(), values.tolist(), strict=True)
            ]
        else:
            low, high = self._extremes
            pairs = sorted({*self._ends, *low.values(), *high.values()})
        return Series(
            times=tuple(to_datetime(at) for at, _ in pairs),
            values=tuple(value for _, value in pairs),
            gaps=tuple((to_datetime(since), to_datetime(until)) for since, until in self._gaps),
            total=self._total,
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

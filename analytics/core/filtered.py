"""Filtered pressure: what the rule of a hold test looks at instead of single readings."""

from __future__ import annotations

from bisect import bisect_left, insort
from dataclasses import dataclass, field
from itertools import pairwise

from model.clock import US

AT_LEAST = 5
"""Readings that a trailing median needs; a fifth of its length is also where a gauge counts as slow."""

SLOW_READINGS = 3
"""Readings that a slow gauge's median needs, and that must be over the limit in a row."""

_INTERVALS = 15
_MOST = 1_500
"""Readings kept at the most: 60 s at 25 Hz. A faster gauge is judged by its last 1,500."""


@dataclass(slots=True)
class Filter:
    """Trailing median of one gauge, on line.

    Parameters
    ----------
    length_us : int
        Length of the trailing window [µs].
    registered_us : int
        Registered reporting interval [µs], used until three intervals were seen.

    Notes
    -----
    The rule's page says: *the median of the readings in the trailing 60 s, at least five of them; where
    readings come slower than every 12 s, the median of the last three*. Read here as: the window is
    (t − 60 s, t]; a fast gauge with fewer than five readings in it (lost packets) takes its last five, if
    none of them is divided from the next by a gap; otherwise there is no filtered pressure yet. How readings
    come is what is seen, the median of the last 15 intervals, not what was registered.
    """

    length_us: int
    registered_us: int
    times: list[int] = field(default_factory=list)
    values: list[float] = field(default_factory=list)
    ordered: list[float] = field(default_factory=list)
    """The same values, sorted, without the last five kept from before the window."""
    start: int = 0
    """Index in ``times`` at which the trailing window begins."""
    intervals: list[int] = field(default_factory=list)
    interval_us: int = 0
    pressure: float | None = None
    """The filtered pressure at the last reading [Pa], None where there is none."""

    def __post_init__(self) -> None:
        self.interval_us = self.interval_us or self.registered_us

    @property
    def slow(self) -> bool:
        """Whether readings come slower than every 12 s (for a window of 60 s)."""
        return self.interval_us * AT_LEAST > self.length_us

    @property
    def gap_us(self) -> int:
        """What is longer than this without a reading is a gap: max(5 intervals, 60 s)."""
        return max(5 * self.interval_us, 60 * US)

    def push(self, time_us: int, value: float) -> float | None:
        """Take the next reading and return the filtered pressure there [Pa]."""
        if self.times:
            self.intervals.append(time_us - self.times[-1])
            if len(self.intervals) > _INTERVALS:
                del self.intervals[0]
            if len(self.intervals) >= 3:
                self.interval_us = sorted(self.intervals)[len(self.intervals) // 2]
        self.times.append(time_us)
        self.values.append(value)
        insort(self.ordered, value)
        self._forget(time_us)
        self.pressure = self._median()
        return self.pressure

    def _forget(self, time_us: int) -> None:
        since = time_us - self.length_us
        while self.times[self.start] <= since or len(self.times) - self.start > _MOST:
            del self.ordered[bisect_left(self.ordered, self.values[self.start])]
            self.start += 1
        # The last five stay for the thin cases; the rest goes in blocks, because each cut moves the list.
        spare = min(self.start, len(self.times) - AT_LEAST)
        if spare > 64 or (spare > 0 and len(self.times) < 64):
            del self.times[:spare], self.values[:spare]
            self.start -= spare

    def _median(self) -> float | None:
        if self.slow:
            return sorted(self.values[-3:])[1] if len(self.values) >= SLOW_READINGS else None
        n = len(self.ordered)
        if n >= AT_LEAST:
            half = n // 2
            return self.ordered[half] if n % 2 else (self.ordered[half - 1] + self.ordered[half]) / 2.0
        if len(self.values) < AT_LEAST:
            return None
        last = self.times[-AT_LEAST:]
        if any(b - a > self.gap_us for a, b in pairwise(last)):
            return None
        return sorted(self.values[-AT_LEAST:])[AT_LEAST // 2]

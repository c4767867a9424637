"""What pictures of a log have in common: their scale, and readings that share a column."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np

from analytics.core.series_csv import Series
from model.clock import US, to_us
from physics.types import BoolArray, FloatArray

_DECADES = 1.3
"""Pressures that span more decades than this are drawn on a logarithmic scale."""


@dataclass(frozen=True, slots=True)
class Scale:
    """Pressures on an axis: 0 at the lowest, 1 at the highest [Pa]."""

    low: float
    high: float
    logarithmic: bool

    def place(self, pressure: float) -> float:
        """Where a pressure lies; what lies outside is put to the end."""
        clipped = min(max(pressure, self.low), self.high)
        if self.logarithmic:
            return math.log(clipped / self.low) / math.log(self.high / self.low)
        return (clipped - self.low) / (self.high - self.low)

    def ticks(self, unit_pa: float, most: int) -> list[float]:
        """Round pressures in a unit, from low to high [Pa]."""
        low, high = self.low / unit_pa, self.high / unit_pa
        if self.logarithmic:
            decades = range(math.ceil(math.log10(low) - 1e-9), math.floor(math.log10(high) + 1e-9) + 1)
            step = max(-(-len(decades) // most), 1)
            if len(decades) >= 2:
                return [10.0**decade * unit_pa for decade in decades[::step]]
        step_size = _round_step((high - low) / most)
        first = math.ceil(low / step_size - 1e-9)
        return [i * step_size * unit_pa for i in range(first, math.floor(high / step_size + 1e-9) + 1)]


def scale_for(pressures: FloatArray, marks: list[float]) -> Scale:
    """A scale on which readings and marks [Pa] have room."""
    known = pressures[np.isfinite(pressures)]
    values = np.concatenate((known, np.array(marks, dtype=np.float64)))
    if not len(values):
        return Scale(0.0, 1.0, False)
    low, high = float(values.min()), float(values.max())
    positive = values[values > 0]
    least = float(positive.min()) if len(positive) else 0.0
    if least > 0 and high > least * 10**_DECADES:
        # Below a millionth of the highest there is only the zero of a gauge.
        floor = max(least, high * 1e-9)
        return Scale(floor / 1.15, high * 1.15, True)
    room = 0.06 * (high - low) or 0.1 * abs(high) or 1.0
    return Scale(low - room, high + room, False)


@dataclass(frozen=True, slots=True)
class Columns:
    """Lowest and highest pressure of each column of a picture, NaN where it has no reading [Pa]."""

    low: FloatArray
    high: FloatArray
    over: BoolArray


def columns_of(series: Series, width: int) -> Columns:
    """Readings gathered into ``width`` columns of equal length in time."""
    first, last = int(series.time_us[0]), int(series.time_us[-1])
    at = ((series.time_us - first) / max(last - first, 1) * (width - 1)).round().astype(np.intp)
    known = ~np.isnan(series.pressure_pa)
    low, high = np.full(width, np.inf), np.full(width, -np.inf)
    np.minimum.at(low, at[known], series.pressure_pa[known])
    np.maximum.at(high, at[known], series.pressure_pa[known])
    over = np.zeros(width, dtype=bool)
    over[at[series.over]] = True
    none = np.isinf(low)
    low[none] = high[none] = np.nan
    return Columns(low, high, over)


def moment_us(text: str) -> int:
    """A time of the result, back as event time [µs]."""
    return to_us(datetime.fromisoformat(text))


def clock_text(text: str, calendar: bool) -> str:
    """A time of the result for people: of the calendar, or counted from the start of the log's own clock."""
    if calendar:
        return f"{datetime.fromisoformat(text):%Y-%m-%d %H:%M:%S}"
    return span_text(moment_us(text) / US)


def span_text(seconds: float) -> str:
    """Hours, minutes and seconds: ``1:05:00``."""
    whole = round(abs(seconds))
    sign = "-" if seconds < 0 and whole else ""
    return f"{sign}{whole // 3600}:{whole % 3600 // 60:02d}:{whole % 60:02d}"


def marks_of(result: dict[str, Any]) -> list[float]:
    """Pressures that a picture must show beside the readings [Pa]."""
    hold = result["hold"]
    return [] if hold is None or hold["limit_pa"] is None else [hold["limit_pa"]]


def _round_step(rough: float) -> float:
    power = 10.0 ** math.floor(math.log10(rough)) if rough > 0 else 1.0
    return next(factor * power for factor in (1, 2, 5, 10) if factor * power >= rough * (1 - 1e-9))

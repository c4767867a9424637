"""Long logs with fewer readings: medians of blocks, which keep what the filtered pressure looks at."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from analytics.core.series_csv import Series
from physics.types import BoolArray, FloatArray, IntArray


def thinned(series: Series, most: int) -> tuple[Series, int]:
    """A log of no more than about ``most`` rows, and of how many readings each of its rows is the median.

    Over-range counts as higher than any number. A row in which the valve's report changes begins a block, so
    that no change is lost or moved. Short logs come back as they are, with 1.
    """
    size = -(-len(series) // most)
    if size <= 1:
        return series, 1
    starts = np.arange(0, len(series), size)
    if series.valve is not None:
        changes = np.flatnonzero(np.diff(series.valve) != 0) + 1
        # A column that changes all the time is no valve; there is nothing to keep of it.
        if len(changes) < most:
            starts = np.union1d(starts, changes)
    counts = np.diff(np.append(starts, len(series)))
    high = np.where(series.over, np.inf, series.pressure_pa)
    middle = _medians(high, starts, counts)
    over = np.isposinf(middle)
    number = series.pressure_pa[starts]
    top = np.nanmax(series.pressure_pa[series.over], initial=-np.inf) if series.over.any() else -np.inf
    pressure = np.where(over, top if np.isfinite(top) else np.nan, middle)
    at = starts + counts // 2
    return (
        replace(
            series,
            time_us=series.time_us[at],
            pressure_pa=np.where(counts == 1, number, pressure),
            over=np.where(counts == 1, series.over[starts], over),
            temperature_k=None
            if series.temperature_k is None
            else _medians(series.temperature_k, starts, counts),
            valve=None if series.valve is None else series.valve[starts],
        ),
        size,
    )


def _medians(values: FloatArray, starts: IntArray, counts: IntArray) -> FloatArray:
    """Median of each block, NaN left out; NaN where nothing is left."""
    block = np.repeat(np.arange(len(starts)), counts)
    known: BoolArray = ~np.isnan(values)
    block, kept = block[known], values[known]
    order = np.lexsort((kept, block))
    block, kept = block[order], kept[order]
    n = np.bincount(block, minlength=len(starts))
    first = np.cumsum(n) - n
    result = np.full(len(starts), np.nan)
    some = n > 0
    # The lower of the two middle ones where a block is even: two finite values or two infinite.
    result[some] = kept[(first + (n - 1) // 2)[some]]
    return result

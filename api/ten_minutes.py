"""The last ten minutes of a gauge: a curve for a narrow screen, and whether it rises, falls or stands."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

from model.clock import US
from model.equipment import ZERO_OFFSET_PA

LENGTH_US = 600 * US
WIDTH, HEIGHT = 340.0, 96.0
ENDS_US = 60 * US
"""First and last are medians of so much: one reading that jumps is no trend."""
LEAST_SPAN = 1.12
"""The curve is not drawn steeper than a span of this ratio: what a gauge of ±10 % can tell apart."""
LEAST_PA = 0.13


@dataclass(frozen=True, slots=True)
class TenMinutes:
    """A trend. Pressures [Pa], times [µs].

    Parameters
    ----------
    word : str
        falling, rising, or steady: by the steps that the gauge supports.
    target_y : float or None
        Where the target lies in the drawing; None: outside of it.
    """

    path: str
    word: str
    from_pa: float
    to_pa: float
    from_us: int
    to_us: int
    target_y: float | None


def ten_minutes(
    times_us: Sequence[int],
    values_pa: Sequence[float],
    now_us: int,
    accuracy: float,
    target_pa: float,
    gap_us: int,
) -> TenMinutes | None:
    """The trend up to now; None where there are fewer than two readings in it.

    Parameters
    ----------
    times_us, values_pa : sequence
        Readings in order of time [µs], [Pa].
    accuracy : float
        Of the gauge: share of the reading.
    gap_us : int
        Readings further apart are not joined [µs].
    """
    since_us = now_us - LENGTH_US
    points = [(at, pa) for at, pa in zip(times_us, values_pa, strict=True) if since_us <= at <= now_us]
    if len(points) < 2:
        return None
    from_us, to_us = points[0][0], points[-1][0]
    from_pa = median(pa for at, pa in points if at <= from_us + ENDS_US)
    to_pa = median(pa for at, pa in points if at >= to_us - ENDS_US)
    low, high = _span([pa for _, pa in points])
    path: list[str] = []
    before: int | None = None
    for at, pa in points:
        place = f"{(at - since_us) / LENGTH_US * WIDTH:.1f} {_y(pa, low, high):.1f}"
        # A point after a gap gets a stroke of its own, else it would not be seen.
        path.append(f"M{place}h1" if before is None or at - before > gap_us else f"L{place}")
        before = at
    target_y = _y(target_pa, low, high) if low <= target_pa <= high else None
    return TenMinutes(
        "".join(path), _word(from_pa, to_pa, accuracy), from_pa, to_pa, from_us, to_us, target_y
    )


def _word(from_pa: float, to_pa: float, accuracy: float) -> str:
    """Steady below half the gauge's standard uncertainty, the size of the steps that are shown."""
    least = max(accuracy * max(from_pa, to_pa), ZERO_OFFSET_PA) / (2.0 * math.sqrt(3.0))
    if abs(to_pa - from_pa) < least:
        return "steady"
    return "falling" if to_pa < from_pa else "rising"


def _span(values_pa: Sequence[float]) -> tuple[float, float]:
    low, high = (max(end, LEAST_PA) for end in (min(values_pa), max(values_pa)))
    room = max(math.sqrt(LEAST_SPAN * low / high), 1.0)
    return low / (1.02 * room), high * 1.02 * room


def _y(pressure_pa: float, low: float, high: float) -> float:
    share = math.log(max(pressure_pa, LEAST_PA) / low) / math.log(high / low)
    return round(HEIGHT * (1.0 - share), 1)

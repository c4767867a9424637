"""What the circuit's pressure says after a valve was moved, as pure functions over its readings.

All limits are our own choices, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from statistics import median

from model.clock import US
from model.equipment import ZERO_OFFSET_PA

Sample = tuple[int, float]
"""Event time [µs] and pressure [Pa]; over the gauge's range: infinite."""

FALL_WITHIN_S = 60.0
FALL_SHARE = 0.02
"""A fall by less cannot be told from the noise of a gauge."""
RISE_SHARE, RISE_PA = 0.1, 2.7
"""By more, twice in a row, it rises: a tenth and 20 micron."""
BEFORE_S = 60.0
GRACE_S = 60.0
"""So long readings of that minute may be on their way; then the pressure is not known to fall."""

SETTLES_S, WINDOW_S = 60.0, 60.0
FIRST_LOOK_S, LAST_LOOK_S = 300.0, 600.0
"""Gas evens out for seconds in a small circuit and for ten minutes through long thin pipes (trade page)."""
GOES_ON_SHARE = 0.05
"""A fall by so much within four minutes goes on."""


class Seen(StrEnum):
    """What a look has shown."""

    WAIT = "wait"
    """Nothing yet."""
    GOOD = "good"
    """An opening: it falls. A closing: it does not go on falling."""
    BAD = "bad"
    UNKNOWN = "unknown"
    """And there will be no more to see."""


@dataclass(frozen=True, slots=True)
class Look:
    """A look, and its reason as the end of a sentence."""

    seen: Seen
    why: str = ""


def opening(samples: Sequence[Sample], opened_us: int, now_us: int, heard_us: int) -> Look:
    """Whether the pressure falls after an opening.

    Parameters
    ----------
    samples : sequence of (µs, Pa)
        Of the circuit's gauge in event time, from a minute before.
    opened_us : int
        When the valve left its seat, by the gateway's clock, as the samples.
    now_us, heard_us : int
        Now, and when we learned of the opening, by the server's clock.

    Returns
    -------
    Look
        `Seen.BAD` as well where the readings of that minute do not come: nobody knows that it falls.
    """
    before = [pa for at, pa in samples if opened_us - BEFORE_S * US <= at < opened_us]
    after = [(at, pa) for at, pa in samples if at >= opened_us]
    reference = median(before[-5:]) if before else (after[0][1] if after else None)
    if reference is not None and len(after) >= 2:
        limit = reference * (1 + RISE_SHARE) + RISE_PA
        if min(pa for _, pa in after[-2:]) > limit:
            return Look(Seen.BAD, "the pressure rose")
    due_us = opened_us + round(FALL_WITHIN_S * US)
    if after and after[-1][0] >= due_us and reference is not None:
        within = [pa for at, pa in after if at <= due_us] or [after[0][1]]
        lowest = median(within[-3:])
        if lowest < reference * (1 - FALL_SHARE):
            return Look(Seen.GOOD)
        return Look(Seen.BAD, f"the pressure did not fall within {FALL_WITHIN_S:.0f} s")
    if now_us - heard_us > (FALL_WITHIN_S + GRACE_S) * US:
        return Look(Seen.BAD, "no reading of the circuit says that the pressure falls")
    return Look(Seen.WAIT)


def closing(samples: Sequence[Sample], closed_us: int, now_us: int) -> Look:
    """Whether the pressure agrees that a valve is closed: it does not go on falling.

    Looked at twice, because gas that evens out through long pipes falls too, and bends.

    Parameters
    ----------
    samples : sequence of (µs, Pa)
        Of the circuit's gauge in event time.
    closed_us : int
        When the valve reported closed, by the gateway's clock.
    """
    for begin_s, end_s, last in ((SETTLES_S, FIRST_LOOK_S, False), (FIRST_LOOK_S, LAST_LOOK_S, True)):
        first = _window(samples, closed_us, begin_s)
        final = _window(samples, closed_us, end_s - WINDOW_S)
        if first is None or final is None:
            if now_us - closed_us > (LAST_LOOK_S + GRACE_S) * US:
                return Look(Seen.UNKNOWN)
            return Look(Seen.WAIT)
        if not final < first * (1 - GOES_ON_SHARE) - ZERO_OFFSET_PA:
            return Look(Seen.GOOD)
        if last:
            return Look(Seen.BAD, f"the pressure fell on, from {first:.1f} to {final:.1f} Pa in five minutes")
    return Look(Seen.WAIT)


def _window(samples: Sequence[Sample], closed_us: int, begin_s: float) -> float | None:
    """Median of a minute that is over, as the samples say; None: not yet, or no reading in it."""
    begin_us = closed_us + round(begin_s * US)
    end_us = begin_us + round(WINDOW_S * US)
    if not samples or samples[-1][0] < end_us:
        return None
    inside = [pa for at, pa in samples if begin_us <= at <= end_us]
    return median(inside) if inside else None

"""What the circuit's pressure says after a valve was moved, as pure functions over its readings.

All limits are our own choices, no source, where none is named.
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
FALL_SHARE, FALL_PA = 0.02, 0.133
"""A fall by no more cannot be told from the noise of a gauge, nor one of a single micron from the step of its
display. A gauge's accuracy, ten times as much, does not count here: it is the same before and after."""
PUMP_REACHES_PA = 6.7
"""50 micron: a healthy two-stage pump, blanked off, reaches this or less (practice, trade page)."""
SHARE_OF_WAY = 0.1
"""In a minute a circuit behind a hose goes at least a tenth of the way to what it can reach: it has a time
constant of up to ten minutes."""
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
    LEVEL = "level"
    """An opening: it stands so near to the lowest that can be reached or shown that no fall can be asked
    for, and has not risen."""
    BAD = "bad"
    UNKNOWN = "unknown"
    """And there will be no more to see."""


@dataclass(frozen=True, slots=True)
class Look:
    """A look, and its reason as the end of a sentence."""

    seen: Seen
    why: str = ""


def reach(
    pump_side: Sequence[Sample], accuracy: float, opened_us: int, lowest_shown_pa: float | None
) -> float:
    """The lowest that the circuit's gauge may come to after an opening [Pa].

    What the pump side was at before it, at most, by its gauge's accuracy; without one what a healthy pump
    reaches; and never below the range of the circuit's own gauge.

    Parameters
    ----------
    pump_side : sequence of (µs, Pa)
        Of the gauge on the pump side, from a minute before it; empty: there is none, or it is silent.
    accuracy : float
        Of that gauge, as a share.
    """
    before = [pa for at, pa in pump_side if opened_us - BEFORE_S * US <= at < opened_us]
    pump_pa = PUMP_REACHES_PA
    if before:
        pump_pa = median(before[-5:]) * (1 + accuracy) + ZERO_OFFSET_PA
    return max(pump_pa, lowest_shown_pa or 0.0)


def opening(
    samples: Sequence[Sample], opened_us: int, now_us: int, heard_us: int, reach_pa: float = 0.0
) -> Look:
    """Whether the pressure falls after an opening.

    Parameters
    ----------
    samples : sequence of (µs, Pa)
        Of the circuit's gauge in event time, from a minute before.
    opened_us : int
        When the valve left its seat, by the gateway's clock, as the samples.
    now_us, heard_us : int
        Now, and when we learned of the opening, by the server's clock.
    reach_pa : float
        The lowest that it can come to, see `reach`.

    Returns
    -------
    Look
        `Seen.BAD` as well where the readings of that minute do not come: nobody knows that it falls.
    """
    after = [(at, pa) for at, pa in samples if at >= opened_us]
    reference = _reference(samples, opened_us)
    if rises(samples, samples, opened_us):
        return Look(Seen.BAD, ROSE)
    due_us = opened_us + round(FALL_WITHIN_S * US)
    if after and after[-1][0] >= due_us and reference is not None:
        within = [pa for at, pa in after if at <= due_us] or [after[0][1]]
        lowest = median(within[-3:])
        visible_pa = max(FALL_SHARE * reference, FALL_PA)
        if lowest < reference - visible_pa:
            return Look(Seen.GOOD)
        is_deep = SHARE_OF_WAY * (reference - reach_pa) <= visible_pa
        if is_deep and lowest <= reference + max(RISE_SHARE * reference, ZERO_OFFSET_PA):
            return Look(Seen.LEVEL)
        return Look(Seen.BAD, f"the pressure did not fall within {FALL_WITHIN_S:.0f} s")
    if now_us - heard_us > (FALL_WITHIN_S + GRACE_S) * US:
        return Look(Seen.BAD, "no reading of the circuit says that the pressure falls")
    return Look(Seen.WAIT)


ROSE = "the pressure rose"


def rises(before: Sequence[Sample], newest: Sequence[Sample], opened_us: int) -> bool:
    """Whether the pressure is higher than before an opening: twice in a row, by a tenth and 20 micron.

    Parameters
    ----------
    before, newest : sequence of (µs, Pa)
        Of the circuit's gauge: from a minute before the opening, and the last of it.
    """
    after = [pa for at, pa in newest if at >= opened_us]
    reference = _reference(before, opened_us)
    if reference is None or len(after) < 2:
        return False
    return min(after[-2:]) > reference + RISE_SHARE * abs(reference) + RISE_PA


def _reference(samples: Sequence[Sample], opened_us: int) -> float | None:
    """Where the pressure stood before an opening, or else right after it [Pa]; None: nobody knows."""
    before = [pa for at, pa in samples if opened_us - BEFORE_S * US <= at < opened_us]
    return median(before[-5:]) if before else next((pa for at, pa in samples if at >= opened_us), None)


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

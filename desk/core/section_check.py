"""Isolating by sections: how fast a part of the circuit rises, and which section the leak is in.

The pump is cut off, the whole is watched for some minutes, then again with one section after the other cut
off from the gauge. A leak Q raises a volume V by dP/dt = Q/V: without the section that leaks the rest stands,
and without one that does not it rises as before, or faster, because the volume is smaller. The method is
common practice; the shares at which something is said are our own choice. An estimate: it changes no verdict.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from model.clock import US
from model.equipment import ZERO_OFFSET_PA

SETTLE_S = 60.0
"""The pressure evens out after a valve is closed; longer in long thin pipe. Our own choice."""
SHORTEST_S = 180.0
USUAL_S = 300.0
LEAST_READINGS = 5
SURE = 2.0
"""Standard errors of the slope within which it is taken to lie."""
GONE, AS_BEFORE = 0.5, 0.8
"""At most half of the rise is left: it was in the section that is cut off. At least so much: it was not."""


@dataclass(frozen=True, slots=True)
class Rise:
    """A straight line through the readings of a stretch. Rates [Pa/s], pressures [Pa].

    Parameters
    ----------
    error_pa_per_s : float
        Half-width within which the slope is taken to lie.
    told : bool
        It rises by more than that, and by more than the zero of a gauge may wander.
    """

    pa_per_s: float
    error_pa_per_s: float
    from_pa: float
    to_pa: float
    seconds: float
    told: bool


class Finding(StrEnum):
    """What a stretch with a section cut off tells of that section."""

    IN_IT = "in-it"
    NOT_IN_IT = "not-in-it"
    OPEN = "open"


def rise(times_us: Sequence[int], values_pa: Sequence[float], start_us: int, end_us: int) -> Rise | None:
    """How fast it rose between two moments, without the settling; None: too short or too few readings."""
    since_us = start_us + round(SETTLE_S * US)
    if end_us - start_us < SHORTEST_S * US:
        return None
    points = [
        ((at - since_us) / US, pa)
        for at, pa in zip(times_us, values_pa, strict=True)
        if since_us <= at <= end_us
    ]
    if len(points) < LEAST_READINGS:
        return None
    n = len(points)
    mean_t, mean_p = sum(t for t, _ in points) / n, sum(p for _, p in points) / n
    spread = sum((t - mean_t) ** 2 for t, _ in points)
    seconds = points[-1][0] - points[0][0]
    if spread == 0 or seconds < (SHORTEST_S - SETTLE_S) / 2:
        return None
    slope = sum((t - mean_t) * (p - mean_p) for t, p in points) / spread
    residuals = sum((p - mean_p - slope * (t - mean_t)) ** 2 for t, p in points)
    error = SURE * math.sqrt(residuals / (n - 2) / spread)
    first, last = (mean_p + slope * (t - mean_t) for t in (points[0][0], points[-1][0]))
    told = slope > error and slope * seconds > ZERO_OFFSET_PA
    return Rise(slope, error, first, last, seconds, told)


def compare(whole: Rise, without: Rise) -> Finding:
    """Whether the leak is in the section that was cut off."""
    if not whole.told:
        return Finding.OPEN
    surely, at_least = whole.pa_per_s - whole.error_pa_per_s, without.pa_per_s - without.error_pa_per_s
    if without.pa_per_s + without.error_pa_per_s <= GONE * surely:
        return Finding.IN_IT
    return Finding.NOT_IN_IT if at_least >= AS_BEFORE * whole.pa_per_s else Finding.OPEN


def conclusion(whole: Rise, found: Sequence[tuple[str, Finding]]) -> str:
    """The result in words.

    Parameters
    ----------
    whole : Rise
        Of all of it, the pump cut off.
    found : sequence of (str, Finding)
        Of each section that was cut off, by name.
    """
    if not whole.told:
        return (
            "The whole did not rise by more than can be told in that time: nothing can be found so. Hold for "
            "longer, or begin again after a longer rise."
        )
    names = {one: ", ".join(name for name, finding in found if finding is one) for one in Finding}
    said = []
    if names[Finding.IN_IT]:
        many = sum(finding is Finding.IN_IT for _, finding in found) > 1
        said.append(
            f"The rise ends without {names[Finding.IN_IT]}: look for the leak there."
            + (" More than one ended it: a valve between them may not close." if many else "")
        )
    if names[Finding.NOT_IN_IT]:
        said.append(f"Not in {names[Finding.NOT_IN_IT]}: without it the rest rises as before.")
    if names[Finding.OPEN]:
        said.append(f"Not to be told of {names[Finding.OPEN]}: measure longer, or more than one part leaks.")
    if found and not names[Finding.IN_IT] and not names[Finding.OPEN]:
        said.append("In none of them: it is in what was left each time, or in the rig.")
    said.append(
        "A rise that bends over is water or gas from oil and walls, which is in every section that is wet."
    )
    return " ".join(said)


def rig_words(found: Rise, lowest_pa: float | None, healthy_pa: float) -> str:
    """What a rise of the rig alone says: pump, hoses, core tool and gauge against the closed valve.

    Parameters
    ----------
    lowest_pa : float or None
        How far the pump brought the rig before it was cut off.
    healthy_pa : float
        What a healthy pump reaches [Pa].
    """
    said = []
    if lowest_pa is not None and lowest_pa > healthy_pa:
        said.append(
            "The pump did not bring the rig as low as a healthy one does: its oil, the gas ballast, the "
            "hoses or the gauge."
        )
    if found.told:
        said.append(
            "The rig rises by itself: tighten and renew its seals, hose by hose, and test it again. Until "
            "then a hold of the circuit proves nothing."
        )
    else:
        said.append("The rig stands, as far as that time can tell: what rises now is the circuit.")
    return " ".join(said)

"""Whether the pump is still felt behind a valve that reports closed: then it may not have closed.

The pressure of a closed circuit falls while it evens out and as it cools, and then no more. One that goes on
falling over the second half of the time, without cooling, is still pumped. A valve that did not close on a
pump at its end pressure makes a flat line, which nothing tells from a tight circuit: this names no more than
what shows. It changes no verdict.
"""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np

from analytics.core.hold import Hold
from model.clock import US
from model.equipment import ZERO_OFFSET_PA

LEAST_S = 900.0
"""Evening out takes ten minutes and more through long thin pipe (trade page)."""

FALL = 0.2
"""Of ln P over the second half of the time. Own choice: behind a hose, where P falls like 1/t, it is 0.7."""

COOLED_K = 1.0
"""Cooling takes up to 10 % of a vapour's pressure a kelvin (trade page): more than this may be the reason."""


def pump_felt(hold: Hold) -> bool:
    """Say whether the pressure of a hold falls as only a pump makes it fall.

    Parameters
    ----------
    hold : Hold
        Everything remembered of it.
    """
    start_pa, last_pa = hold.start_pa, hold.last_pa
    # Cheap first: this is asked for with every batch.
    if not hold.by_valve or start_pa is None or last_pa is None or last_pa > (1 - FALL / 2) * start_pa:
        return False
    if len(hold.early.parts) < 8 or _cooled(hold):
        return False
    count = np.array(hold.early.counts)
    t, p = np.array(hold.early.times) / count, np.array(hold.early.sums) / count
    if t[-1] < max(LEAST_S, 3 * (hold.settled_us - hold.start_us) / US):
        return False
    # By time, not by number: the newest parts may be short and many.
    edges = t[-1] * np.array([1 / 2, 2 / 3, 5 / 6, np.inf])
    thirds = [p[(begin <= t) & (t < end)] for begin, end in pairwise(edges)]
    if any(len(part) == 0 or part.min() <= ZERO_OFFSET_PA for part in thirds):
        return False
    before, between, after = (float(np.median(part)) for part in thirds)
    # Everything falls, and by more than a zero offset could make of it.
    return before > between > after + ZERO_OFFSET_PA and math.log(before / after) >= 2 / 3 * FALL


def _cooled(hold: Hold) -> bool:
    falls = [first_k - hold.last_k.get(number, first_k) for number, first_k in hold.first_k.items()]
    return max(falls, default=0.0) > COOLED_K

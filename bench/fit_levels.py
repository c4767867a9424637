"""Finds at which levels of its distribution the leak rate's 90 % interval ends, by stratum.

A quantile regression alone covers 90 % over all holds; over those that do not leak, or those with much water,
it does not, because it is right to distrust what looks alike. But which interval misses is open to choice
within what looks alike: so the map of the levels is made to lose both by the regression (which keeps the
interval narrow) and by how far each stratum of the simulated holds is from 90 %:

    mean ρ_0.05(z_low − a) + mean ρ_0.95(z_high − b)
        + K·mean over strata of [(share missed − 0.1)² + (share missed below − 0.05)²]

ρ_τ(u) = τu − min(u, 0) is Koenker and Bassett's loss, a and b are the log-odds of the levels, z those of the
mixture's share at or below the true leak rate. A hold is missed where a > z_low or b < z_high; both this and
the corner of ρ are rounded off, so that they have a slope. An interval begins at nothing where its low level
is not over the mixture's share at nothing, so a leak of zero counts like every other; but it can be missed on
one side only, so the second square is for strata in which everything leaks. Strata are known of simulated
holds only; the map sees figures of the readings.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import expit, logit

from analytics.core.estimate import LEAST_SHARE
from analytics.core.small_map import SmallMap
from bench.fit_map import fit_scores
from physics.types import FloatArray

LEAKING = "leak: some"
"""Name of the stratum of all holds that leak."""

HIDDEN, RIDGE = 12, 1e-4
MISSED = 0.1
BY_STRATUM = 3000.0
"""K: so much that the strata are met and the regression decides what is left open."""
_ROUND, _CORNER = 0.1, 0.2
"""Over how much of the log-odds the edge of an interval and the corner of the loss are rounded off."""
_LEAST_ABOVE = 1e-9
_STEPS = 600


@dataclass(frozen=True, slots=True)
class Level:
    """What the levels of the leak rate's interval see of a hold, and the truth.

    Parameters
    ----------
    figures : ndarray, shape (k,)
        As `analytics.core.estimate.Weighed` has them.
    strata : tuple of str
        That the hold belongs to.
    down, up : float
        Shares of the mixture at or below the true leak rate, as far down and as far up as may be.
    most_low, least_high : float
        These shares at the rate that is told, less and more the gauge's scale error: the interval always
        holds both.
    """

    figures: FloatArray
    strata: tuple[str, ...]
    down: float
    up: float
    most_low: float
    least_high: float


def fit_levels(many: Sequence[Level], seed: int) -> SmallMap:
    """Map from figures to the log-odds of the low and the high level."""
    down, up, most_low, least_high = (
        _log_odds([getattr(one, name) for one in many]) for name in ("down", "up", "most_low", "least_high")
    )
    strata = sorted({name for one in many for name in one.strata})
    belongs = np.array([[name in one.strata for one in many] for name in strata], dtype=np.float32)
    shares = belongs / belongs.sum(axis=1, keepdims=True)
    # Strata in which everything leaks have a share of their own that may be missed below.
    sided = (belongs[:, [LEAKING not in one.strata for one in many]] == 0).all(axis=1)
    n = len(many)

    def wrong(scores: FloatArray) -> tuple[float, FloatArray]:
        low, high = scores[:, 0].astype(np.float64), scores[:, 1].astype(np.float64)
        found_low, slope_low = _regression(down - low, MISSED / 2)
        found_high, slope_high = _regression(up - high, 1 - MISSED / 2)
        below = expit((np.minimum(low, most_low) - down) / _ROUND)
        above = expit((up - np.maximum(high, least_high)) / _ROUND)
        off = shares @ (below + above) - MISSED
        off_below = np.where(sided, shares @ below - MISSED / 2, 0.0)
        each = 2 * BY_STRATUM / len(strata) / _ROUND
        slopes = np.column_stack(
            [
                -slope_low / n + each * ((off + off_below) @ shares) * below * (1 - below) * (low < most_low),
                -slope_high / n - each * (off @ shares) * above * (1 - above) * (high > least_high),
            ]
        )
        return found_low + found_high + BY_STRATUM * float(np.mean(off**2 + off_below**2)), slopes

    return fit_scores(
        np.array([one.figures for one in many]), wrong, 2, hidden=HIDDEN, ridge=RIDGE, seed=seed, most=_STEPS
    )


def _regression(left: FloatArray, at: float) -> tuple[float, FloatArray]:
    """Mean of the loss of a quantile, its corner rounded off, and its slope by what is left over."""
    found = at * left + _CORNER * np.logaddexp(0.0, -left / _CORNER)
    return float(found.mean()), at - expit(-left / _CORNER)


def _log_odds(shares: Sequence[float]) -> FloatArray:
    return np.asarray(logit(np.clip(shares, LEAST_SHARE, 1 - _LEAST_ABOVE)))

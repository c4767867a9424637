"""From weighed shapes to probabilities of the causes and an interval of the leak rate.

Each member of `analytics.core.shapes` says how likely it is that leak, water and tail add more than a tenth
of the permitted rise; their weights make probabilities of the five causes of it. Those are too sure of
themselves, because no member is the truth. So a small map follows (`analytics.core.small_map`), on their
logarithms and a few plain figures of the curve; its coefficients come from simulated holds of models that are
not fitted here (``bench/calibrate.py``), and lie with their origin in ``calibration.json``. The members are
then weighed anew, so that they agree with the calibrated probabilities (Jeffrey's rule [1]_: within a cause
their weights keep their proportions).

The leak rate has the distribution of the mixture of these members: a part at nothing, where members without a
leak lie, and truncated normal distributions. Shapes being wrong by a share of what water and tail add, this
share widens the distribution upwards. At which two levels of it the interval ends is told by a second small
map, made from more such simulations: so that 90 % of the true leak rates lie between them not only over all
holds, but over those that do not leak, those that leak little or much, and those with each cause, alike
(``bench/fit_levels.py``; regression quantiles [2]_ held to the strata).

References
----------
.. [1] Jeffrey, R. (1983). The Logic of Decision, 2nd edition, University of Chicago Press, chapter 11 (from
   memory).
.. [2] Koenker, R. and Bassett, G. (1978). Regression quantiles. Econometrica 46(1), 33-50.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np

from analytics.core.binned import Binned
from analytics.core.shapes import TAIL, WATER, Fits
from analytics.core.small_map import SmallMap
from model.judgement import Cause
from physics.types import FloatArray

COUNTS = 0.1
"""A part counts when it adds more than this share of the permitted rise."""

SIZE_ERROR = 0.1
"""Standard deviation of a part's size for what the shapes do not describe: the share is no sharp edge."""

SHAPE_ERROR = 0.1
"""Share of what water and tail add by which the leak may be larger than a member says. Our own choice; what
it lacks is made good by the calibrated level."""

SCALE_SD, SCALE_ERROR = 0.06, 0.1
"""Scale error of a heat-conduction gauge: ±10 % holds 90 % of them [trade page, from memory]. No interval is
narrower than that."""

CAUSES = (Cause.TIGHT, Cause.LEAK, Cause.MOISTURE, Cause.LEAK_AND_MOISTURE, Cause.OUTGASSING)

_MEMBERS = 60
_LEAST_RAW = 1e-3
LEAST_SHARE = 1e-5
"""Of every mixture at nothing: none excludes it for certain."""

_GRID = np.concatenate([[0.0], np.geomspace(1e-5, 100.0, 200)])


@dataclass(frozen=True, slots=True)
class Asked:
    """What the hold was meant to show.

    Parameters
    ----------
    start_pa, permitted_pa : float
        Start value and permitted rise [Pa].
    settle_s, end_s : float
        Between these the parts are reckoned [s].
    """

    start_pa: float
    permitted_pa: float
    settle_s: float
    end_s: float


def asked(start_pa: float, limit_pa: float | None, settle_s: float, end_s: float) -> Asked:
    """What a hold with this start value and limit permits; twice the start value without a limit."""
    limit = 2.0 * start_pa if limit_pa is None else limit_pa
    return Asked(start_pa, max(limit - start_pa, 0.1 * abs(start_pa), 0.1), settle_s, end_s)


@dataclass(frozen=True, slots=True)
class Calibration:
    """How the coefficients were made, the maps of the causes, and of the levels of the leak rate's interval.

    ``levels`` gives the log-odds of both levels, of the figures `Weighed.figures`.
    """

    origin: dict[str, object]
    causes: SmallMap
    levels: SmallMap


@cache
def calibration() -> Calibration:
    """The coefficients that come with the program."""
    stored = json.loads(Path(__file__).with_name("calibration.json").read_text(encoding="utf-8"))
    return Calibration(stored["origin"], SmallMap.read(stored["causes"]), SmallMap.read(stored["levels"]))


def causes_by_member(fits: Fits, permitted_pa: float) -> FloatArray:
    """Probabilities of `CAUSES` as each member says, shape (5, m)."""
    from scipy.special import ndtr

    sd = np.maximum(np.hypot(fits.sd, SIZE_ERROR * fits.size), 1e-9)
    counts = ndtr((fits.size - COUNTS * permitted_pa) / sd) * (fits.size > 0)
    leak, water, tail = counts.T
    dry, beside = 1 - leak, 1 - (1 - water) * (1 - tail)
    return np.stack(
        [dry * (1 - beside), leak * (1 - beside), dry * water, leak * beside, dry * (1 - water) * tail]
    )


def features(readings: Binned, fits: Fits, asked: Asked, raw: FloatArray) -> FloatArray:
    """What the map of the causes looks at: logarithms of the members' own probabilities, and the curve.

    Parameters
    ----------
    readings, fits, asked
        The hold, its fits and what was asked of it.
    raw : ndarray, shape (5,)
        Probabilities of the causes as all members together say, not calibrated.
    """
    t, p = readings.t, readings.p
    if readings.kelvin is not None:
        p = p * readings.kelvin[0] / readings.kelvin
    span, third = float(t[-1] - t[0]), max(len(t) // 3, 2)
    thirds = (slice(0, third), slice(third, max(2 * third, third + 2)), slice(-third, None))
    rises = [slope(t[part], p[part]) * span / asked.permitted_pa for part in thirds]
    sizes = fits.weights @ fits.size / asked.permitted_pa
    return np.array(
        [
            *np.log(np.maximum(raw, 1e-3)),
            *np.clip(fits.evidence, -7.0, 0.0),
            *np.log(sizes + 0.01),
            math.log(max(rises[2], 0.02) / max(rises[0], 0.02)),
            math.log(max(rises[1], 0.02) / max(rises[0], 0.02)),
            # No leak is faster than the slowest third.
            math.log(max(min(rises), 0.01)),
            math.log(max(rises[2], 0.01)),
            *np.arcsinh(5.0 * np.array([(p[-1] - p[0]) / asked.permitted_pa, *rises])),
            min(max(math.log(fits.misfit + 0.1), -2.0), 4.0),
            math.log(max(asked.end_s, 60.0) / 6000.0),
            math.log(readings.n / 500.0),
            math.log(max(readings.noise, 1e-3) / 0.01),
            float(readings.kelvin is not None),
            float(t[-1]) / asked.end_s,
            math.log(max(float(p[-1]), 0.1) / 2300.0),
            math.log(asked.permitted_pa / max(float(p[0]), 1.0)),
        ]
    )


@dataclass(frozen=True, slots=True)
class Weighed:
    """Members whose weights agree with the calibrated probabilities.

    Parameters
    ----------
    fits : Fits
        With these weights.
    causes : ndarray, shape (5,)
        Calibrated probabilities of `CAUSES`.
    speaking : ndarray, shape (m,)
        Weights as far as a member speaks for the likeliest cause, if that is a leak; else as they are.
    figures : ndarray, shape (k,)
        What the map of the causes looked at, and the logarithms of what it said.
    """

    fits: Fits
    causes: FloatArray
    speaking: FloatArray
    figures: FloatArray


def weighed(readings: Binned, fits: Fits, asked: Asked, using: Calibration) -> Weighed:
    """Calibrate the probabilities of the causes, and weigh the members by them."""
    # No member excludes a cause for certain: there is always one to go by.
    members = np.maximum(causes_by_member(fits, asked.permitted_pa), 1e-9)
    raw = members @ fits.weights
    found = features(readings, fits, asked, raw)
    causes = using.causes(found)
    # A cause that hardly any member speaks for cannot be given to a few of them.
    shares = (causes / np.maximum(raw, _LEAST_RAW))[:, None] * members * fits.weights
    whole = shares.sum(axis=0)
    best = int(causes.argmax())
    speaking = shares[best] if CAUSES[best] in (Cause.LEAK, Cause.LEAK_AND_MOISTURE) else whole
    figures = np.append(found, np.log(causes + _LEAST_RAW))
    return Weighed(replace(fits, weights=whole / whole.sum()), causes, speaking, figures)


def leak_quantiles(fits: Fits, asked: Asked) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Leak rates [Pa/s] with the share of the truth at or below them, as far down and as far up as may be."""
    from scipy.special import ndtr

    some = np.argsort(-fits.weights)[:_MEMBERS]
    weights = fits.weights[some] / fits.weights[some].sum()
    span = max(asked.end_s - asked.settle_s, 1.0)
    middle = fits.slope[some] * span
    own = np.hypot(fits.slope_sd[some] * span, SCALE_SD * middle)
    wide = np.hypot(own, SHAPE_ERROR * (fits.size[some, WATER] + fits.size[some, TAIL]))
    rises = _GRID * max(asked.permitted_pa, float(middle.max()) / 10)

    def shares(sd: FloatArray) -> FloatArray:
        sd = np.maximum(sd, 1e-9)
        below = ndtr(-middle / sd)
        cut = (ndtr((rises[:, None] - middle) / sd) - below) / (1 - below)
        return np.asarray(np.where((middle == 0) & (sd <= 1e-9), 1.0, cut) @ weights)

    down = np.maximum(shares(np.where(middle > 0, own, 0.0)), LEAST_SHARE)
    return rises / span, down, shares(wide)


def leak_interval(members: Weighed, asked: Asked, using: Calibration) -> tuple[float, float, float]:
    """Leak rate, and the 90 % interval around it [Pa/s].

    Parameters
    ----------
    members, asked
        The members, weighed anew, and what was asked of the hold.
    using : Calibration
        The coefficients.
    """
    rates, down, up = leak_quantiles(members.fits, asked)
    low_at, high_at = 1.0 / (1.0 + np.exp(-using.levels.scores(members.figures)))
    low, high = float(np.interp(low_at, down, rates)), float(np.interp(high_at, up, rates))
    value = likeliest_leak(members) if low > 0 or leaks(members.fits) else 0.0
    return value, min(low, value * (1 - SCALE_ERROR)), max(high, value * (1 + SCALE_ERROR))


def leaks(fits: Fits) -> bool:
    """Whether a leak is likelier than none."""
    return bool(fits.weights[fits.slope > 0].sum() > 0.5)


def likeliest_leak(members: Weighed) -> float:
    """Rate of the likeliest set of parts that leaks [Pa/s], 0 where none does.

    A mean over sets would lie where none of them does.
    """
    fits = members.fits
    weights = members.speaking * (fits.slope > 0)
    own = fits.parts == np.argmax(np.bincount(fits.parts, weights, 8))
    whole = float(weights[own].sum())
    return float(weights[own] @ fits.slope[own]) / whole if whole > 0 else 0.0


def slope(t: FloatArray, p: FloatArray) -> float:
    """Of a straight line through points [Pa/s]."""
    x = t - t.mean()
    square = float(x @ x)
    return float(x @ (p - p.mean())) / square if square > 0 else 0.0

"""A caller that knows more of each simulated hold than anybody can: how early a fail could be called.

It is told which parts this hold has, and of each the shape as it will be to the end (temperature, the moment
at which a joint opens, all time constants in it), which readings are spikes, the size of noise and drift, and
how the sizes were drawn. What is left to find are the sizes, the level and the size of the evening out. All
but the sizes of the one or two parts is Gaussian and taken out in closed form; these are weighed on a grid.
So its probability of a fail is nearly Bayes' own. A joint that has not opened yet is no part to it: that one
will open, no reading tells. What it is ahead of the forecast is in part the price of not knowing the shapes,
which cannot be had.
"""

from __future__ import annotations

import math

import numpy as np

from analytics.core.curves import normal_cdf
from bench.early_curves import Case
from physics.types import FloatArray
from physics.units import MICRON_PA

LEVEL = (0.675, 0.16)
"""Pressure at closing as a share of the target: mean and standard deviation in `bench.early_curves`."""
EVENING = (0.1, 0.29)
"""Size of the evening out as a share of that pressure."""
COLOURED = 1.7
"""Variance of a mean over readings of which a part of the noise is coloured, against white noise."""
DRIFT_PER_ROOT_H, DRIFT_SLOW, SLOW_S = 0.004, 0.002, 3600.0

_MEANS = 120
_AHEAD = 16
_SIZES = 31
_FAR = 5.0
_LEAST, _MOST = 0.01, 100.0
_NEAR = (0.3, 4.0)
"""Sizes of parts as shares of the permitted rise: log-uniform over four decades, six in ten of them here."""


def probabilities(case: Case) -> tuple[FloatArray, FloatArray]:
    """When it looks, from settling on [s], and how likely it then holds a fail to be."""
    t, until, p, error, shapes = _means(case)
    ahead = np.linspace(0.0, case.length_s, _AHEAD + 1)[1:]
    future = np.stack([np.interp(ahead, case.time_s, one) for one in case.shapes.T], axis=1)
    drift = _drift(np.concatenate([t, ahead])) * float(np.mean(p)) ** 2
    n, k = len(t), shapes.shape[1]
    whitened = np.linalg.solve(
        np.linalg.cholesky(drift[:n, :n] + np.diag(error**2)), np.column_stack([shapes, drift[:n, n:], p])
    )
    # The factor is triangular in time: what was seen up to a look are its first rows.
    products = np.cumsum(whitened[:, :, None] * whitened[:, None, :], axis=0)
    looks = np.flatnonzero(until >= case.settle_s)
    said = []
    for at in looks:
        seen = products[at]
        onward = ahead > until[at]
        mean, var = seen[k:-1, -1][onward], (drift.diagonal()[n:] - seen[k:-1, k:-1].diagonal())[onward]
        said.append(_fails(case, seen[:k, :k], seen[:k, -1], (future - seen[k:-1, :k])[onward], mean, var))
    return until[looks], np.array(said)


def _means(case: Case) -> tuple[FloatArray, ...]:
    """Times, those of the last readings, means without spikes, their errors, and the shapes there."""
    around = np.median(np.lib.stride_tricks.sliding_window_view(np.pad(case.shown_pa, 2, "edge"), 5), axis=1)
    use = (case.time_s <= case.length_s) & (
        np.abs(case.shown_pa - around) <= _FAR * case.noise * np.abs(around) + _step(case, around)
    )
    t, p = case.time_s[use], case.shown_pa[use]
    place = np.searchsorted(np.geomspace(case.length_s / 600, case.length_s, _MEANS), t)
    starts = np.flatnonzero(np.diff(place, prepend=-1))
    count = np.diff(starts, append=len(t))
    when, mean = np.add.reduceat(t, starts) / count, np.add.reduceat(p, starts) / count
    step = _step(case, mean)
    shaken = case.noise * np.abs(mean)
    hidden = step**2 / 12 / np.where(shaken > step / 2, count, 1)
    error = np.sqrt(COLOURED * shaken**2 / count + hidden + 1e-4)
    shapes = np.add.reduceat(case.shapes[use], starts, axis=0) / count[:, None]
    return when, t[starts + count - 1], mean, error, shapes


def _step(case: Case, pressure_pa: FloatArray) -> FloatArray:
    """Of the display where it steps [Pa]."""
    if not case.stepped:
        return np.zeros_like(pressure_pa)
    micron = pressure_pa / MICRON_PA
    found: FloatArray = MICRON_PA * np.select(
        [micron < 200, micron < 1000, micron < 4000], [1.0, 10.0, 50.0], 100.0
    )
    return found


def _drift(t: FloatArray) -> FloatArray:
    """Covariance of the gauge's drift, as shares of the reading."""
    root = np.sqrt(t / 3600.0)
    back = np.exp(-t / SLOW_S)
    slow = np.exp(-np.abs(t[:, None] - t) / SLOW_S) + 1.0 - back[:, None] - back
    return np.asarray(DRIFT_PER_ROOT_H**2 * np.outer(root, root) + DRIFT_SLOW**2 * slow)


def _fails(
    case: Case, gram: FloatArray, goal: FloatArray, onward: FloatArray, mean: FloatArray, var: FloatArray
) -> float:
    """Probability that the pressure comes over the limit at any of the times to come.

    Parameters
    ----------
    case : Case
        The hold.
    gram, goal : ndarray, shapes (k, k) and (k,)
        Normal equations of what was seen so far: level, evening out, parts.
    onward : ndarray, shape (m, k)
        What one unit of each adds at the times to come [Pa].
    mean, var : ndarray, shape (m,)
        The drift to come, as far as it is foreseen [Pa], [Pa²].
    """
    prior = np.array([1.0 / (LEVEL[1] * case.target_pa) ** 2, 1.0 / (EVENING[1] * case.target_pa) ** 2])
    middle = np.array([LEVEL[0], EVENING[0]]) * case.target_pa
    own = gram[:2, :2] + np.diag(prior)
    inverse = np.linalg.inv(own)
    level = inverse @ (goal[:2] + prior * middle)
    # Parts that have begun; the others no reading tells of.
    begun = 2 + np.flatnonzero(gram.diagonal()[2:] > 0)
    follows = inverse @ gram[:2, begun]
    precision = gram[np.ix_(begun, begun)] - gram[:2, begun].T @ follows
    pull = goal[begun] - gram[:2, begun].T @ level
    spread = np.sqrt(var + np.einsum("mi,ij,mj->m", onward[:, :2], inverse, onward[:, :2]))
    steady = mean + onward[:, :2] @ level
    adds = onward[:, begun] - onward[:, :2] @ follows
    sizes, weights = _grid(precision, pull)
    over = normal_cdf((steady + sizes @ adds.T - case.limit_pa) / spread).max(axis=1)
    return float(weights @ over)


def _grid(precision: FloatArray, pull: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Sizes of the parts, shape (g, parts), and how likely they are."""
    k = len(pull)
    if k == 0:
        return np.zeros((1, 0)), np.ones(1)
    covariance = np.linalg.pinv(precision, hermitian=True)
    best, error = covariance @ pull, np.sqrt(np.maximum(covariance.diagonal(), 1e-12))
    low = np.clip(best - _FAR * error, _LEAST, 0.99 * _MOST)
    high = np.clip(best + _FAR * error, 1.01 * low, _MOST)
    axes = [np.geomspace(a, b, _SIZES) for a, b in zip(low, high, strict=True)]
    sizes = np.stack([one.ravel() for one in np.meshgrid(*axes, indexing="ij")], axis=1)
    near = (sizes >= _NEAR[0]) & (sizes <= _NEAR[1])
    density = 0.4 / math.log(_MOST / _LEAST) + 0.6 / math.log(_NEAR[1] / _NEAR[0]) * near
    score = (
        np.log(density).sum(axis=1) + sizes @ pull - 0.5 * np.einsum("gi,ij,gj->g", sizes, precision, sizes)
    )
    weights = np.exp(score - score.max())
    return sizes, weights / weights.sum()

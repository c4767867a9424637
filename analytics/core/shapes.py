"""Shapes of a rise, fitted to the readings of a hold and weighed against each other.

Each family is a grid of members that are linear once their time constants are given; the weight of a family
is the average over its grid, so that a shape that fits with one time constant only is not taken for one that
fits with all of them. Parameters are paid for as in the Bayesian information criterion [1]_.

No shape is exact: walls and oil have spectra of time constants, and temperatures wander. What the shapes
do not describe is taken for a slowly wandering error of a share of the pressure, beside the noise of the
gauge (a Gaussian process with exponential covariance, as in [2]_). Differences between shapes that are
smaller than this are no evidence, however many readings there are.

References
----------
.. [1] Schwarz, G. (1978). Estimating the dimension of a model. Annals of Statistics 6(2), 461-464.
.. [2] Kennedy, M. C. and O'Hagan, A. (2001). Bayesian calibration of computer models. Journal of the Royal
   Statistical Society B 63(3), 425-464.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from physics.types import FloatArray

_PROPORTIONAL = 0.002
_LEAST_NOISE_PA = 0.02
_WANDERING = 0.008
"""Share of the pressure by which the best shape may be wrong where no temperature is known."""
_WANDERING_KNOWN = 0.004
"""The same with the pressure corrected to the start's temperature."""
_GRID = 12
_LONGEST = 3.0
"""Slowest saturation that is thought of, in lengths of the hold so far: water that has hardly begun."""


@dataclass(frozen=True, slots=True)
class Part:
    """What one part of a shape adds from settling to the end, with its standard deviation [Pa]."""

    size: float = 0.0
    sd: float = 0.0


@dataclass(frozen=True, slots=True)
class Fit:
    """A fitted member of a family; ``weights`` of all members add to 1.

    Parameters
    ----------
    slope, slope_sd : float
        Of the straight part [Pa/s].
    straight, bent, tail : Part
        What the parts add.
    hidden_pa : float
        What a leak would add that is as large as the bent parts still rise at the last reading [Pa].
    vapour_pa : float
        What the bent parts have added since the valve closed [Pa].
    """

    weight: float
    slope: float
    slope_sd: float
    straight: Part
    bent: Part
    tail: Part
    hidden_pa: float
    vapour_pa: float


@dataclass(frozen=True, slots=True)
class Fits:
    """All members, and the misfit of the best: 1 where the errors are as large as supposed."""

    members: tuple[Fit, ...]
    misfit: float


@dataclass(frozen=True, slots=True)
class _Column:
    """One term of a shape: its values, and what a unit of it adds to the end.

    Of a bent one also what it has added since the valve closed, and what it would add from settling to the
    end at the speed it has at the last reading.
    """

    kind: str
    values: FloatArray
    end: float
    since_closing: float = 0.0
    at_last_speed: float = 0.0


@dataclass(frozen=True, slots=True)
class _Raw:
    """A fit before it is weighed."""

    columns: tuple[_Column, ...]
    sizes: FloatArray
    covariance: FloatArray
    misfit: float
    score: float
    prior: float


def fit_shapes(
    t: FloatArray, p: FloatArray, *, settle_s: float, end_s: float, step_pa: float, warmth_known: bool
) -> Fits:
    """Fit all shapes.

    Parameters
    ----------
    t, p : ndarray, shape (n,)
        Times since the valve closed [s] and pressures [Pa], n of at least 8.
    settle_s, end_s : float
        From when to when the parts are reckoned [s].
    step_pa : float
        Step of the gauge's display [Pa].
    warmth_known : bool
        Whether the pressures are corrected for temperature.
    """
    white = _whitening(t, p, step_pa, _WANDERING_KNOWN if warmth_known else _WANDERING)
    goal = white @ p
    constant = white @ np.ones_like(p)
    raw: list[_Raw] = []
    for prior, family in _families(t, settle_s, end_s):
        share = prior / len(family)
        for columns in family:
            design = np.column_stack([constant, *(white @ column.values for column in columns)])
            found = _solve(design, goal, columns, share)
            if found is not None:
                raw.append(found)
    best = min(one.misfit for one in raw)
    # Where even the best fits worse than that, its misfit is the measure: the shapes are wrong by as much.
    misfit = best / max(len(p) - 3, 1)
    temper = max(1.0, misfit)
    scores = np.array([math.log(one.prior) - one.misfit / (2 * temper) - one.score for one in raw])
    weights = np.exp(scores - scores.max())
    weights /= weights.sum()
    return Fits(
        tuple(_fit(one, float(w), temper) for one, w in zip(raw, weights, strict=True) if w > 1e-6), misfit
    )


def _whitening(t: FloatArray, p: FloatArray, step_pa: float, wandering: float) -> FloatArray:
    """The matrix that makes the errors independent and of size 1."""
    distance = np.abs(t[:, None] - t[None, :]) / (0.5 * (t[-1] - t[0]))
    drift = wandering * np.abs(p)
    covariance = np.outer(drift, drift) * np.exp(-distance)
    covariance += np.diag(_noise(p) ** 2 + step_pa**2 / 12)
    result: FloatArray = np.linalg.inv(np.linalg.cholesky(covariance))
    return result


def _noise(p: FloatArray) -> FloatArray:
    """Noise of each point [Pa]: from second differences, which a smooth curve does not enter."""
    bends = np.abs(p[2:] - 2 * p[1:-1] + p[:-2]) / math.sqrt(6.0)
    scale = np.maximum(np.abs(p[1:-1]), 1e-3)
    relative = 1.4826 * float(np.median(bends / scale))
    result: FloatArray = np.maximum(max(relative, _PROPORTIONAL) * np.abs(p), _LEAST_NOISE_PA)
    return result


def _families(
    t: FloatArray, settle_s: float, end_s: float
) -> Iterator[tuple[float, Sequence[tuple[_Column, ...]]]]:
    """Families of shapes with their prior weights: the terms of every member beside a constant.

    One cause alone has weight 1 over its families, two together less (our own choice).
    """
    span, last = float(t[-1] - t[0]), float(t[-1])
    line = _Column("straight", t - settle_s, end_s - settle_s)

    def bent(tau: float) -> _Column:
        column = 1 - np.exp(-(t - settle_s) / tau)
        end = 1 - math.exp(-(end_s - settle_s) / tau)
        # Drawn back to the closing of the valve: settling hides the steepest part.
        whole = math.exp(min(settle_s / tau, 50.0)) * (1 - math.exp(-last / tau))
        speed = math.exp(-(last - settle_s) / tau) / tau
        return _Column("bent", column, end, whole, speed * (end_s - settle_s))

    def tail(first_s: float | None) -> _Column:
        # A tail begins when the valve closes: settling has taken its steepest part away.
        if first_s is None:
            return _Column("tail", np.sqrt(np.maximum(t, 0.0)), math.sqrt(end_s) - math.sqrt(settle_s))
        end = math.log1p(end_s / first_s) - math.log1p(settle_s / first_s)
        return _Column("tail", np.log1p(np.maximum(t, 0.0) / first_s), end)

    taus = np.geomspace(span / 60, _LONGEST * span, 10 * _GRID)
    bends = [bent(float(tau)) for tau in taus]
    # Beside a straight line a slower saturation than this is not told from another straight line.
    fast = [column for tau, column in zip(taus, bends, strict=True) if tau <= span / 1.5]
    pairs = [(one, other) for place, one in enumerate(fast[::4]) for other in bends[4 * (place + 3) :: 8]]
    tails = [tail(float(first)) for first in np.geomspace(span / 300, span / 10, _GRID)]
    yield 1.0, [(line,)]
    yield 0.4, [(column,) for column in bends]
    yield 0.6, pairs
    yield 0.5, [(tail(None),)]
    yield 0.5, [(column,) for column in tails]
    yield 0.3, [(line, column) for column in fast[::2]]
    yield 0.1, [(line, tail(None))]
    yield 0.1, [(line, column) for column in tails]


def _solve(design: FloatArray, goal: FloatArray, columns: tuple[_Column, ...], prior: float) -> _Raw | None:
    try:
        covariance = np.asarray(np.linalg.inv(design.T @ design), dtype=np.float64)
    except np.linalg.LinAlgError:
        return None
    sizes = covariance @ (design.T @ goal)
    alone = len(columns) == 1 and columns[0].kind == "straight"
    if not alone and bool(np.any(sizes[1:] <= 0)):
        return None  # Nothing leaves an isolated circuit by itself: only a straight line may fall, by noise.
    left = goal - design @ sizes
    score = 0.5 * len(sizes) * math.log(len(goal))
    return _Raw(columns, sizes, covariance, float(left @ left), score, prior)


def _fit(raw: _Raw, weight: float, temper: float) -> Fit:
    covariance = raw.covariance * temper

    def part(kind: str) -> Part:
        ends = np.array([0.0, *(column.end if column.kind == kind else 0.0 for column in raw.columns)])
        return Part(float(ends @ raw.sizes), math.sqrt(max(float(ends @ covariance @ ends), 0.0)))

    places = [place for place, column in enumerate(raw.columns, 1) if column.kind == "straight"]
    sizes = raw.sizes[1:]
    return Fit(
        weight=weight,
        slope=float(sum(raw.sizes[place] for place in places)),
        slope_sd=math.sqrt(max(float(sum(covariance[place, place] for place in places)), 0.0)),
        straight=part("straight"),
        bent=part("bent"),
        tail=part("tail"),
        hidden_pa=float(sizes @ np.array([column.at_last_speed for column in raw.columns])),
        vapour_pa=float(
            sum(size * column.since_closing for size, column in zip(sizes, raw.columns, strict=True))
        ),
    )

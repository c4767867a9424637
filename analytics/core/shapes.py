"""Shapes of a rise, fitted to the readings of a hold and weighed against each other.

With the pressure taken to the start's temperature, y(t) = P(t)·T₀/T(t), the model is

    y(t) = c + e(t) + L·l(t) + Σ V·v(t) + D·d(t) + w(t) + noise

====== ========================================================================= =========================
term   shape                                                                     stands for
====== ========================================================================= =========================
l      t, or (t − t₁)₊                                                           leak, choked; one that
                                                                                 opens at t₁
v      1 − exp(−t/τ), one or two τ                                               vapour of water, in volumes
v      exp(g(1 − exp(−t/τ))) − 1, g 2.5, 4.5                                       … from a spot warming again
v      min(t, t₂), also of the second                                            … until the water has run out
v      the first two times p_s(T(t) − 5 K)/p_s(T₀ − 5 K)                         … that follow the temperature
d      ln(1 + s/s₁), √(s + s₁) − √s₁; s: a clock that runs by exp(−E/RT)         gas from oil and walls
e      Σ exp(−t/τ) of either sign                                                evening out
w      wandering of a share of the pressure                                      gauge drift, what no shape
                                                                                 describes, temperature
====== ========================================================================= =========================

L, V and D are not negative. The level c, the evening out and what wanders are Gaussian with known sizes, so
they go into the covariance of the errors [1]_: for every choice of τ, t₁ and s₁ only one to three amplitudes
are left, and their least squares have a closed form. All columns are whitened at once, every member takes
its normal equations out of one matrix of products.

A member's weight is its marginal likelihood by Laplace's method [2]_ under a prior that does not know the
decade of an amplitude (density 1/(A·ln 10⁴) down to its own error), averaged over the grid of time constants:
a shape that fits with one constant only is not taken for one that fits with all of them. Vapour that would
end above saturation at the circuit's temperature is excluded.

Without a thermometer the temperature is a nuisance: a daily swing (amplitude 3 K, any phase) and a change
within hours (2.5 K). With one, a tenth of the gas-law correction remains doubtful: the sensor is not the gas.

References
----------
.. [1] Rasmussen and Williams, Gaussian Processes for Machine Learning, MIT Press 2006, section 2.7: fixed
   basis functions with Gaussian weights in the covariance (from memory).
.. [2] Kass and Raftery (1995). Bayes factors. Journal of the American Statistical Association 90, 773-795.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from analytics.core.binned import Binned, IntArray
from physics.constants import GAS_CONSTANT
from physics.types import FloatArray
from physics.water import saturation_pressure

ACTIVATION = 60e3
"""Of gas bound in oil and on walls [J/mol], about 8 %/K [trade page]."""

COLDER_K = 5.0
"""How much colder than the sensor the wet spot may be [K] [trade page]."""

_WARMEST_K = 303.15
"""Circuit temperature where none is known, for the bound by saturation [K]."""

_DRIFT = 0.003
_DAILY_K, _HOURLY_K, _HOURS_S = 3.0, 2.5, 9000.0
_DOUBTFUL = 0.1
_EVENING_TAUS = (5.0, 15.0, 45.0, 135.0, 300.0)
_EVENING = 0.2
_DAY_S = 86_400.0
_LEAST_ADDED = 0.01
"""Share of its whole that a saturating shape still adds after settling, at the least: what was over before is
scaled by this."""
_DECADES = math.log(1e4)
_N_TAU = 16
_STEEPS = (2.5, 4.5)
"""ln of the ratio of saturation pressures between a warm wall and a spot that evaporation has cooled: some
30 K and 50 K. Our own choice."""
_N_DRY = (4, 8)
_OPENINGS = tuple(np.linspace(0.1, 0.94, 15).tolist())

NONE, LEAK, WATER, TAIL = -1, 0, 1, 2


@dataclass(frozen=True, slots=True)
class Fits:
    """All members: weights, and what their parts add from settling to the end [Pa].

    Parameters
    ----------
    weights : ndarray, shape (m,)
        They add to 1.
    size, sd : ndarray, shape (m, 3)
        Leak, water, tail: what each adds, and its standard deviation [Pa].
    slope, slope_sd : ndarray, shape (m,)
        Of the leak while it is open [Pa/s].
    vapour : ndarray, shape (m,)
        What water has added since the valve closed, up to the last reading [Pa].
    late : ndarray, shape (m,)
        When the leak opened, 0 for at once [s].
    misfit : float
        χ² of the best per reading left; 1 where the errors are as large as supposed.
    evidence : ndarray, shape (8,)
        ln of the marginal likelihood of each set of parts: bit 0 leak, bit 1 water, bit 2 tail.
    parts : ndarray, shape (m,)
        Which set each member has.
    """

    weights: FloatArray
    size: FloatArray
    sd: FloatArray
    slope: FloatArray
    slope_sd: FloatArray
    vapour: FloatArray
    late: FloatArray
    misfit: float
    evidence: FloatArray
    parts: IntArray


@dataclass(frozen=True, slots=True)
class _Columns:
    """Shapes at the readings, each as if it added 1 Pa from settling to the end; shape (m, n) and (m,)."""

    values: FloatArray
    kind: IntArray
    per_second: FloatArray
    since_closing: FloatArray
    plateau: FloatArray
    late: FloatArray


def fit_shapes(readings: Binned, *, settle_s: float, end_s: float) -> Fits:
    """Fit all members.

    Parameters
    ----------
    readings : Binned
        At least eight means.
    settle_s, end_s : float
        From when to when the parts are reckoned [s].
    """
    t, kelvin = readings.t, readings.kelvin
    y = readings.p if kelvin is None else readings.p * kelvin[0] / kelvin
    columns = _columns(t, kelvin, settle_s, end_s)
    white = np.linalg.cholesky(error_covariance(readings, y))
    both = np.linalg.solve(white, np.column_stack([columns.values.T, y]))
    products = both.T @ both
    gram, goal, square = products[:-1, :-1], products[:-1, -1], float(products[-1, -1])
    warmest = _WARMEST_K if kelvin is None else float(kelvin.max()) + 1.0
    return _weighed(columns, gram, goal, square, len(t), float(saturation_pressure(warmest)))


def error_covariance(readings: Binned, y: FloatArray, level: float = 3.0) -> FloatArray:
    """Covariance of all that is not leak, water or tail [Pa²], shape (n, n).

    Noise, evening out, wandering and temperature; and the unknown level, with a standard deviation of
    ``level`` times the largest pressure.

    Parameters
    ----------
    readings : Binned
        Times, errors of the means, temperatures.
    y : ndarray, shape (n,)
        Pressures at the start's temperature [Pa].
    level : float
        0 where the level is treated as a column of its own.
    """
    t = readings.t
    # The errors' size by a smoothed pressure: its own noise would draw the fit down.
    scale = np.convolve(np.pad(np.abs(y), 3, mode="edge"), np.full(7, 1 / 7), mode="valid")
    apart = np.abs(t[:, None] - t[None, :])
    wander = _DRIFT**2 * np.exp(-apart / (0.5 * (t[-1] - t[0])))
    if readings.kelvin is None:
        wander += (_HOURLY_K / 293.15) ** 2 * np.exp(-0.5 * (apart / _HOURS_S) ** 2)
        # cos of the distance: a sine of any phase. The level takes what it has at the start.
        wander += (_DAILY_K / 293.15) ** 2 * np.cos(2 * np.pi * apart / _DAY_S)
    else:
        doubt = _DOUBTFUL * (readings.kelvin / readings.kelvin[0] - 1)
        wander += np.outer(doubt, doubt)
    fading = np.exp(-t[:, None] / np.array(_EVENING_TAUS)) * (_EVENING * max(float(scale[0]), 1.0))
    unknown = level * (float(scale.max()) + 3.0)
    covariance: FloatArray = np.outer(scale, scale) * wander + fading @ fading.T + unknown**2
    covariance[np.diag_indices_from(covariance)] += readings.sd**2
    return covariance


def _columns(t: FloatArray, kelvin: FloatArray | None, settle_s: float, end_s: float) -> _Columns:
    span, last = float(t[-1] - t[0]), float(t[-1])
    # The end and the end of settling are carried along behind the readings.
    at = np.concatenate([t, [settle_s, end_s, last, 0.0]])
    rows: list[FloatArray] = []
    facts: list[tuple[int, float, float, float]] = []  # kind, plateau, late, what it adds

    def add(
        kind: int,
        curves: FloatArray,
        plateau: float = 0.0,
        late: float = 0.0,
        steady: FloatArray | None = None,
    ) -> None:
        """``steady``: the curves at a steady temperature, by which they are scaled."""
        for curve, even in zip(
            np.atleast_2d(curves), np.atleast_2d(curves if steady is None else steady), strict=True
        ):
            rows.append(curve)
            facts.append((kind, plateau, late, max(float(even[-3] - even[-4]), _LEAST_ADDED)))

    add(LEAK, at)
    for share in _OPENINGS:
        opens = float(t[0]) + share * span
        add(LEAK, np.maximum(at - opens, 0.0), late=opens)
    taus = np.geomspace(span / 60, 3 * span, _N_TAU)
    bent = -np.expm1(-at / taus[:, None])
    warming = [_warming(bent, steep) for steep in _STEEPS]
    add(WATER, bent, 1.0)
    for curves in warming:
        add(WATER, curves, 1.0)
    stops = np.geomspace(span / 30, span, _N_TAU)[:, None]
    add(WATER, np.minimum(at, settle_s + stops))
    # A spot that warms and dries: time constants and ends of the water crossed.
    ends = settle_s + np.linspace(0.1, 0.8, _N_DRY[1]) * span
    for tau in np.geomspace(span / 8, span, _N_DRY[0]):
        add(WATER, _warming(-np.expm1(-np.minimum(at, ends[:, None]) / tau), _STEEPS[0]))
    clock = at
    if kelvin is not None:
        warm = np.concatenate([kelvin, [kelvin[0], kelvin[-1], kelvin[-1], kelvin[0]]])
        wet = saturation_pressure(warm - COLDER_K) / saturation_pressure(float(kelvin[0]) - COLDER_K)
        follows = wet * kelvin[0] / warm
        for curves in (bent, *warming):
            add(WATER, curves * follows, 1.0, steady=curves)
        rate = np.exp(-ACTIVATION / GAS_CONSTANT * (1 / kelvin - 1 / kelvin[0]))
        passed = t[0] + np.concatenate([[0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1]) * np.diff(t))])
        clock = np.concatenate([passed, [settle_s, passed[-1] + rate[-1] * (end_s - last), passed[-1], 0.0]])
    firsts = np.geomspace(30.0, 4000.0, 6)[:, None]
    add(TAIL, np.log1p(clock / firsts))
    pumped = np.array([0.0, 100.0, 700.0])[:, None]
    add(TAIL, np.sqrt(clock + pumped) - np.sqrt(pumped))
    table = np.array(rows)
    _, plateau, late, whole = (np.array(one) for one in zip(*facts, strict=True))
    kind = np.array([one[0] for one in facts], dtype=np.intp)
    open_s = np.minimum(end_s - late, end_s - settle_s)
    return _Columns(
        (table[:, : len(t)] - table[:, -4:-3]) / whole[:, None],
        kind,
        1.0 / np.maximum(open_s, 1.0),
        (table[:, -2] - table[:, -1]) / whole,
        plateau / whole,
        late,
    )


def _warming(bent: FloatArray, steep: float) -> FloatArray:
    """Vapour over a spot that comes from cold to the wall's temperature as ``bent`` goes from 0 to 1."""
    return np.asarray(np.expm1(steep * bent) / math.expm1(steep))


@lru_cache(maxsize=2)
def _members(kinds: tuple[int, ...]) -> tuple[tuple[IntArray, FloatArray], ...]:
    """Sets of columns (m, k) with ln of their prior weights (m,), by number of columns."""
    kind = np.array(kinds)
    leaks, waters, tails = (np.flatnonzero(kind == one) for one in (LEAK, WATER, TAIL))
    steady, opening = leaks[:1], leaks[1:]
    blocks = waters.reshape(-1, _N_TAU)
    bent = [blocks[0], *blocks[6:7]]
    # A fast part and a slow one: two volumes, or a spot that cools and is warmed again.
    two = np.array(
        [
            (fast[a], slow[b])
            for fast, others in [(one, blocks[at : at + 2]) for one, at in zip(bent, (0, 6), strict=False)]
            for slow in others
            for a in range(0, _N_TAU - 3, 2)
            for b in range(a + 3, _N_TAU, 2)
        ]
    )
    some = np.concatenate([*(one[::2] for one in bent), blocks[1][::3]])
    found: dict[int, list[tuple[IntArray, FloatArray]]] = {1: [], 2: [], 3: []}

    def family(prior: float, sets: IntArray) -> None:
        found[sets.shape[1]].append((sets, np.full(len(sets), math.log(prior / len(sets)))))

    def cross(ones: IntArray, others: IntArray) -> IntArray:
        ones, others = ones.reshape(len(ones), -1), others.reshape(len(others), -1)
        return np.hstack([np.repeat(ones, len(others), axis=0), np.tile(others, (len(ones), 1))])

    family(0.9, steady[:, None])
    family(0.1, opening[:, None])
    family(0.4, waters[:, None])
    family(0.3, two)
    family(0.8, tails[:, None])
    family(0.35, cross(steady, waters))
    family(0.04, cross(opening[1::2], blocks[0][2::4]))
    family(0.3, cross(steady, two))
    family(0.7, cross(steady, tails))
    family(0.06, cross(opening[1::2], tails[::3]))
    family(0.4, cross(some, tails[::2]))
    family(0.3, cross(cross(steady, some), tails[::2]))
    return tuple(
        (np.concatenate([one for one, _ in found[k]]), np.concatenate([one for _, one in found[k]]))
        for k in (1, 2, 3)
    )


def _weighed(
    columns: _Columns, gram: FloatArray, goal: FloatArray, square: float, n: int, saturation_pa: float
) -> Fits:
    kinds = tuple(int(one) for one in columns.kind)
    # Every column of length 1, and so little added to it that only what is nothing but zeros notices.
    length = np.sqrt(np.maximum(gram.diagonal(), 1e-12))
    gram = gram / np.outer(length, length) + 1e-8 * np.eye(len(gram))
    goal = goal / length
    parts = [
        (
            np.zeros((1, 0), dtype=np.intp),
            np.zeros((1, 0)),
            np.zeros((1, 0, 0)),
            np.array([square]),
            np.zeros(1),
        )
    ]
    for sets, prior in _members(kinds):
        covariance = np.linalg.inv(gram[sets[:, :, None], sets[:, None, :]])
        right = goal[sets]
        size = (covariance @ right[:, :, None])[:, :, 0]
        left = square - (size * right).sum(axis=1)
        units = length[sets]
        size, covariance = size / units, covariance / (units[:, :, None] * units[:, None, :])
        keep = (size > 0).all(axis=1)
        vapour = (size * columns.plateau[sets]).sum(axis=1)
        keep &= vapour <= 1.1 * saturation_pa
        if keep.any():
            parts.append((sets[keep], size[keep], covariance[keep], left[keep], prior[keep]))
    best = min(float(one[3].min()) for one in parts)
    misfit = max(best, 0.0) / max(n - 3, 1)
    temper = max(1.0, misfit)
    return _together(columns, parts, temper, misfit)


def _together(
    columns: _Columns,
    parts: list[tuple[IntArray, FloatArray, FloatArray, FloatArray, FloatArray]],
    temper: float,
    misfit: float,
) -> Fits:
    score, size, sd, slope, slope_sd, vapour, late, which = ([] for _ in range(8))
    for sets, amount, raw, left, prior in parts:
        covariance = raw * temper
        k = sets.shape[1]
        error = np.sqrt(np.maximum(covariance.diagonal(0, 1, 2), 1e-30))
        occam = 0.5 * k * math.log(2 * math.pi) + 0.5 * np.linalg.slogdet(covariance)[1] if k else np.zeros(1)
        density = -np.log(np.maximum(amount, error) * _DECADES).sum(axis=1)
        score.append(prior - left / (2 * temper) + occam + density)
        is_kind = columns.kind[sets][:, :, None] == np.array([LEAK, WATER, TAIL])
        size.append((amount[:, :, None] * is_kind).sum(axis=1))
        spread = np.einsum("mik,mij,mjk->mk", is_kind.astype(float), covariance, is_kind.astype(float))
        sd.append(np.sqrt(np.maximum(spread, 0.0)))
        leak = is_kind[:, :, 0]
        slope.append((amount * columns.per_second[sets] * leak).sum(axis=1))
        slope_sd.append((error * columns.per_second[sets] * leak).sum(axis=1))
        vapour.append((amount * columns.since_closing[sets] * is_kind[:, :, 1]).sum(axis=1))
        late.append((columns.late[sets] * leak).sum(axis=1))
        which.append((is_kind.any(axis=1) * np.array([1, 2, 4])).sum(axis=1))
    scores, sets_of = np.concatenate(score), np.concatenate(which)
    top = float(scores.max())
    weights = np.exp(scores - top)
    evidence = np.array([float(weights[sets_of == one].sum()) for one in range(8)])
    weights /= weights.sum()
    return Fits(
        weights,
        np.concatenate(size),
        np.concatenate(sd),
        np.concatenate(slope),
        np.concatenate(slope_sd),
        np.concatenate(vapour),
        np.concatenate(late),
        misfit,
        np.log(np.maximum(evidence / evidence.sum(), 1e-12)),
        sets_of,
    )

"""How a running hold may go on: many simple curves, weighed by how well they fit.

Each curve is linear in its few coefficients once its times are fixed: a level, something that dies away
(evening-out, gas from walls), and what keeps the pressure rising: a straight line (a leak), an approach to a
plateau (vapour), √t or a logarithm (gas from walls and oil), or any of these from a later moment on (a joint
that opens at night). The weight of a curve is its marginal likelihood; the prediction is the mixture of all.

    y(t) = c + b·f(t) + a·g(t) + w(t) + e(t)

w is a slow wander of the gauge and of the gas's temperature (a Wiener process, so its errors do not average
away), e is white noise. c and b are flat a priori, a is flat in its logarithm and not negative, so that no
unit and no normalisation of g matters; then a curve's weight is

    prior · exp(−χ²/2κ) · |A|^(−½) · Φ(a/σ) · min(1, σ·√(2π)/a)

(Laplace's approximation; κ ≥ 1 is the misfit of the best curve: where no curve fits, all intervals widen).
Sources: Rasmussen and Williams, Gaussian Processes for Machine Learning, §2.7 (explicit basis functions);
the sum over curves: Hoeting et al., Bayesian Model Averaging, Stat. Sci. 14 (1999), both from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]

WANDER_PER_ROOT_H = 0.004
"""Slow wander of a reading per square root of an hour, as a share: 1 K of gas is 0.34 %. Own choice."""

RATE_STRAIGHT, RATE_BENDING = 0.01, 0.04
"""How far the rest of a rise may differ from its prediction, as a share: a leak's rate is steady, that of
vapour and degassing follows temperature (about 8 %/K at 60 kJ/mol, trade page). Own choice."""

EVENING_S = (40.0, 120.0, 360.0, 900.0)
"""Time constants of evening-out: seconds in a small circuit, ten minutes through long thin pipe [s]."""

CERTAIN = 0.9999
"""Nothing that is estimated is more certain than this."""

SHORTEST_S = 60.0
"""Shortest time constant of an approach to a plateau, up to four times the hold [s]."""

LAGS_S = (100.0, 500.0)
"""Time constants by which the gauge may lag behind what rises elsewhere in the circuit [s]."""

FALL = 0.4
"""Evening-out may lower the pressure by about this share of it; what dies away cannot by more. Own choice."""

LEAST = 0.01
"""Below this nothing is said of when."""

_HORIZON = 10
_PLATEAUS = 12
_ONSETS = 7
_TAILS = 3
STRAIGHT, PLATEAU, TAIL, LATE = 0.35, 0.40, 0.15, 0.10
"""Shares of the kinds before any reading. Own choice."""

_LATE_TAUS = (math.inf, 0.5, 0.1)


@dataclass(frozen=True, slots=True)
class Data:
    """Means of readings: when, what, of how many, each array of n.

    Parameters
    ----------
    time_s : array
        From the closing of the valve [s], ascending.
    pressure_pa, count : array
        Mean [Pa] and number of readings.
    noise : float
        Standard deviation of a reading, as a share of it.
    step_pa : float
        Step of the display where it hides the noise, else 0 [Pa].
    """

    time_s: FloatArray
    pressure_pa: FloatArray
    count: FloatArray
    noise: float
    step_pa: float


@dataclass(frozen=True, slots=True)
class Outlook:
    """What is to be expected. Times from the closing of the valve [s]; None where a fail is very unlikely."""

    probability: float
    at_s: float
    pressure_pa: float
    slope_pa_s: float
    deviation_pa: float
    """Expected pressure now and how it goes on, with its standard deviation."""
    crossing: tuple[float, float, float] | None = None
    """When, if it fails: the middle of the expectation, and the middle 90 %."""


@dataclass(frozen=True)
class _Family:
    """The curves for a hold: which columns each uses, and its weight before any reading."""

    dying: FloatArray
    tau: FloatArray
    lag: FloatArray
    """Time constants [s]."""
    base: IntArray
    main: IntArray
    weight: FloatArray
    straight: NDArray[np.bool_]
    dies: NDArray[np.bool_]
    slowly: NDArray[np.bool_]
    late: NDArray[np.bool_]
    tail: NDArray[np.bool_]

    @cached_property
    def kinds(self) -> NDArray[np.bool_]:
        """Which curves are straight, go to a plateau, are tails, or begin late; shape (4, m)."""
        early = ~self.late
        return np.stack([self.straight & early, ~self.straight & early & ~self.tail, self.tail, self.late])


@lru_cache(maxsize=256)
def _family(length_s: float) -> _Family:
    """Columns: 0 nothing, then what dies away, what rises from the start, what rises from an onset."""
    dying = (*EVENING_S, length_s / 8, length_s / 2.5)
    plateaus = tuple(np.geomspace(min(SHORTEST_S, length_s / 40), 4 * length_s, _PLATEAUS).tolist())
    rising = [(math.inf, 0.0), *((tau, 0.0) for tau in plateaus)]
    rising += [(tau, lag) for lag in LAGS_S for tau in (math.inf, *plateaus)]
    first_main = 1 + len(dying)
    first_tail = first_main + len(rising)
    curves: list[tuple[int, int, float, bool]] = []
    for number, (tau, lag) in enumerate(rising):
        share = STRAIGHT if math.isinf(tau) else PLATEAU / len(plateaus)
        share *= 0.6 if lag == 0 else 0.4 / len(LAGS_S)
        bases = range(1, first_main) if lag == 0 else range(2, 4)
        curves += _with_bases(first_main + number, share, bases, math.isinf(tau))
    for number in range(_TAILS):
        curves += _with_bases(first_tail + number, TAIL / _TAILS, range(1, first_main), False)
    first_late = first_tail + _TAILS
    for onset in range(_ONSETS):
        for k, tau in enumerate(_LATE_TAUS):
            share = LATE * (0.5 if k == 0 else 0.5 / (len(_LATE_TAUS) - 1)) / 3
            main = first_late + onset * len(_LATE_TAUS) + k
            curves += [(base, main, share, math.isinf(tau)) for base in (0, first_main, first_tail)]
    bases_of, mains_of, weight, straight = zip(*curves, strict=True)
    return _Family(
        np.array(dying),
        np.array(plateaus),
        np.array(LAGS_S),
        np.array(bases_of),
        np.array(mains_of),
        np.log(weight),
        np.array(straight),
        np.array([0 < b < first_main for b in bases_of]),
        np.array([len(EVENING_S) < b < first_main for b in bases_of]),
        np.array([m >= first_late for m in mains_of]),
        np.array([first_tail <= m < first_late for m in mains_of]),
    )


def _with_bases(main: int, share: float, dying: range, straight: bool) -> list[tuple[int, int, float, bool]]:
    """A rising column alone, and with each of what may die away."""
    alone = [(0, main, 0.4 * share, straight)]
    return alone + [(base, main, 0.6 * share / len(dying), straight) for base in dying]


def _columns(
    t: FloatArray, family: _Family, first_s: float, onsets: FloatArray, length_s: float
) -> FloatArray:
    """Values of all columns at times t, one row each."""
    x = t / length_s
    dying = np.exp((first_s - t) / family.dying[:, None])
    tails = np.stack([np.sqrt(x), np.log1p(100.0 * x), np.log1p(10.0 * x)])
    after = np.maximum(t[None, :] - onsets[:, None], 0.0) / length_s
    late = np.stack([after if math.isinf(tau) else -tau * np.expm1(-after / tau) for tau in _LATE_TAUS], 1)
    rising = _rising(t, family.tau, family.lag) / length_s
    return np.concatenate([np.zeros((1, len(t))), dying, rising, tails, late.reshape(-1, len(t))])


def _onsets(t: FloatArray, y: FloatArray, precision: FloatArray) -> FloatArray:
    """Moments about where a straight line that turns upwards fits best."""
    hinge = np.maximum(t[None, :] - t[1:-1, None], 0.0)
    plain = np.stack([np.ones_like(t), t / t[-1]])
    weighed = plain @ precision
    metric = precision - weighed.T @ np.linalg.solve(weighed @ plain.T, weighed)
    seen = hinge @ metric
    gain = (seen @ y) / np.sqrt(np.einsum("ij,ij->i", seen, hinge) + 1e-30)
    k = 1 + int(np.argmax(gain))
    return np.linspace(t[k - 1], t[k + 1], _ONSETS + 2)[1:-1]


def _rising(t: FloatArray, tau: FloatArray, lag: FloatArray) -> FloatArray:
    """Straight lines and approaches to plateaus that begin with slope one, seen through each lag in turn."""
    plain = np.concatenate([t[None, :], -tau[:, None] * np.expm1(-t / tau[:, None])])
    behind = -lag[:, None] * np.expm1(-t / lag[:, None])
    seen = [plain]
    for one, late in zip(lag, behind, strict=True):
        apart = tau - one
        # Two equal time constants: a limit that need not be met exactly.
        apart = np.where(np.abs(apart) < 1e-3 * tau, 1e-3 * tau, apart)
        seen.append((t - late)[None, :])
        seen.append((tau / apart)[:, None] * (plain[1:] - late))
    return np.concatenate(seen)


@dataclass(frozen=True, slots=True)
class Curves:
    """What the curves say of a hold, not calibrated.

    Parameters
    ----------
    outlook : Outlook
        Their mixture.
    kinds : ndarray, shape (4,)
        Weights of straight lines, of plateaus, of tails, and of what begins late.
    end, end_sd, weight : ndarray, shape (k,)
        What each curve that weighs anything expects at the end of the hold [Pa].
    kappa : float
        Misfit of the best one.
    """

    outlook: Outlook
    kinds: FloatArray
    end: FloatArray
    end_sd: FloatArray
    weight: FloatArray
    kappa: float


def weigh_curves(data: Data, length_s: float, limit_pa: float) -> Curves:
    """Fit and weigh all curves.

    Parameters
    ----------
    data : Data
        Five means and more.
    length_s : float
        Length of the hold [s].
    limit_pa : float
        Permitted pressure [Pa].
    """
    t = data.time_s
    family = _family(length_s)
    now_s = float(t[-1])
    level = np.maximum(np.abs(data.pressure_pa), 1e-3)
    wander = (WANDER_PER_ROOT_H * float(np.mean(level))) ** 2 / 3600.0
    noise = (np.maximum(data.noise, 1e-4) * level) ** 2 / data.count + data.step_pa**2 / 12.0
    precision = np.linalg.inv(wander * np.minimum.outer(t - t[0], t - t[0]) + np.diag(noise))
    # Denser where the limit may soon be met.
    ahead = now_s + max(length_s - now_s, 1e-3) * np.linspace(0.0, 1.0, _HORIZON + 1) ** 2
    onsets = _onsets(t, data.pressure_pa, precision)
    columns = _columns(np.concatenate([t, ahead]), family, float(t[0]), onsets, length_s)
    seen, future = columns[:, : len(t)], columns[:, len(t) :]
    centre = float(data.pressure_pa[-1])
    scale = np.sqrt(np.einsum("ij,ij->i", seen, seen) / len(t)) + 1e-9
    seen, future = seen / scale[:, None], future / scale[:, None]
    every = np.concatenate([np.ones((1, len(t))), seen, (data.pressure_pa - centre)[None, :]])
    gram = every @ precision @ every.T
    # The level is flat a priori: take it out.
    one = gram[0]
    gram = gram - np.outer(one, one) / one[0]
    fall = FALL * float(level[0]) * scale
    prior = family.weight + family.late * math.log((onsets[1] - onsets[0]) / length_s)
    fit = _fit(
        gram[1:-1, 1:-1], gram[1:-1, -1], float(gram[-1, -1]), family, prior, len(t), fall[family.base]
    )
    # What weighs nothing need not be predicted.
    kept = np.flatnonzero(fit.weight > 1e-5 * fit.weight.max())
    weight = fit.weight[kept] / fit.weight[kept].sum()
    relative = future - (one[1:-1] / one[0])[:, None]
    base, main = relative[family.base[kept]], relative[family.main[kept]]
    mean = centre + one[-1] / one[0] + fit.b[kept, None] * base + fit.a[kept, None] * main
    var = fit.bb[kept, None] * base**2 + 2 * fit.ab[kept, None] * base * main + fit.aa[kept, None] * main**2
    rate = np.where(family.straight[kept], RATE_STRAIGHT, RATE_BENDING)[:, None]
    rest = (rate * (mean - data.pressure_pa[-1])) ** 2
    sd = np.sqrt(fit.kappa * (np.maximum(var, 0.0) + 1.0 / one[0]) + wander * (ahead - t[0]) + rest)
    crossed = weight @ np.maximum.accumulate(normal_cdf((mean - limit_pa) / sd), axis=1)
    line = weight @ mean[:, :2]
    slope = float((line[1] - line[0]) / (ahead[1] - ahead[0]))
    spread = float(np.sqrt(weight @ (sd[:, 0] ** 2 + (mean[:, 0] - line[0]) ** 2)))
    return Curves(
        _when(crossed, ahead, (now_s, float(line[0]), slope, spread)),
        family.kinds @ fit.weight,
        mean[:, -1],
        sd[:, -1],
        weight,
        fit.kappa,
    )


@dataclass(frozen=True, slots=True)
class _Fit:
    weight: FloatArray
    a: FloatArray
    b: FloatArray
    aa: FloatArray
    ab: FloatArray
    bb: FloatArray
    kappa: float


def _fit(
    gram: FloatArray,
    with_y: FloatArray,
    yy: float,
    family: _Family,
    prior: FloatArray,
    n: int,
    fall: FloatArray,
) -> _Fit:
    """Fit every curve at once: two coefficients each, in closed form."""
    i, j = family.base, family.main
    ridge = 1e-9 * max(float(gram.diagonal().max()), 1e-30)
    gbb, gaa, gab = gram[i, i] + ridge, gram[j, j] + ridge, gram[i, j]
    yb, ya = with_y[i], with_y[j]
    has_base = i > 0
    det = np.maximum(gbb * gaa - gab**2, 1e-12 * gbb * gaa)
    b = np.where(has_base, (gaa * yb - gab * ya) / det, 0.0)
    a = (ya - gab * b) / gaa
    chi2 = np.maximum(yy - np.where(has_base, b * yb, 0.0) - a * ya, 0.0)
    aa = np.where(has_base, gbb / det, 1.0 / gaa)
    bb = np.where(has_base, gaa / det, 0.0)
    ab = np.where(has_base, -gab / det, 0.0)
    # Complexity: one level, the rising term, a base or not.
    kappa = max(1.0, float(chi2.min()) / max(n - 4, 1))
    sigma_a, sigma_b = np.sqrt(kappa * aa), np.sqrt(kappa * np.where(has_base, 1.0 / gbb, 1.0))
    z = a / sigma_a
    evidence = prior - 0.5 * chi2 / kappa
    evidence += np.log(np.maximum(normal_cdf(z), 1e-300))
    evidence += np.minimum(0.0, 0.919 - np.log(np.maximum(z, 1e-9)))
    evidence += np.where(
        has_base, np.minimum(0.0, 0.919 - np.log(np.maximum(np.abs(b) / sigma_b, 1e-9))), 0.0
    )
    # Evening-out lowers the pressure by no more than there is; gas from walls never lowers it.
    down = np.where(family.dies, np.maximum(b, 0.0), 0.0)
    evidence -= 0.5 * (down / np.where(family.slowly, np.sqrt(kappa * bb) + 1e-30, fall)) ** 2
    weight = np.exp(evidence - evidence.max())
    return _Fit(weight / weight.sum(), np.maximum(a, 0.0), b, aa, ab, bb, kappa)


def _when(crossed: FloatArray, ahead: FloatArray, line: tuple[float, float, float, float]) -> Outlook:
    """Probability by the end, and the middle 90 % of when, if at all."""
    probability = float(min(crossed[-1], CERTAIN))
    if probability < LEAST:
        return Outlook(probability, *line)
    low, middle, high = np.interp([0.05, 0.5, 0.95], crossed / crossed[-1], ahead)
    return Outlook(probability, *line, (float(middle), float(low), float(high)))


def normal_cdf(z: Any) -> Any:
    """Φ(z), to 1e-6: Abramowitz and Stegun, Handbook of Mathematical Functions, 7.1.26."""
    x = np.abs(z) / math.sqrt(2.0)
    k = 1.0 / (1.0 + 0.3275911 * x)
    poly = k * (0.254829592 + k * (-0.284496736 + k * (1.421413741 + k * (-1.453152027 + k * 1.061405429))))
    tail = 0.5 * poly * np.exp(-(x**2))
    return np.where(np.asarray(z) < 0, tail, 1.0 - tail)

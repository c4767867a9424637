"""Readings of a hold made small: some 60 means with their errors, and what the readings say of the gauge.

Noise, display step and lag come from the readings themselves. In each of up to 60 stretches the readings
around the median are averaged; what lies far from it (radio noise, spikes) is left out. What is left around
a line through neighbouring means is the noise, taken as a share of the pressure. Neighbouring readings of a
slow gauge err alike: with the correlation r from one reading to the next a mean of n is worth
n·(1 − r)/(1 + r) of them [1]_, and r = exp(−Δt/lag). A display's step s adds s²/12 where the noise is too
small to shake it [2]_.

References
----------
.. [1] Box, Jenkins, Reinsel and Ljung, Time Series Analysis, 5th edition, Wiley 2016: variance of the mean
   of an autoregressive series of first order (from memory).
.. [2] Widrow and Kollár, Quantization Noise, Cambridge 2008: the error of a quantiser, and that Gaussian
   dither of half a step makes its mean unbiased (from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from physics.types import FloatArray

IntArray = npt.NDArray[np.intp]

BINS = 60
_FAR = 4.5
_LEAST_NOISE_PA = 0.01


@dataclass(frozen=True, slots=True)
class Binned:
    """A hold in short.

    Parameters
    ----------
    t, p, sd : ndarray, shape (m,)
        Times since the valve closed [s], means [Pa] and their standard deviations [Pa].
    kelvin : ndarray, shape (m,), or None
        Temperature there [K].
    n : int
        Readings behind them.
    noise : float
        Standard deviation of one reading, as a share of it.
    step_pa, lag_s : float
        Display step [Pa] and lag [s] of the gauge, 0 where none is seen.
    """

    t: FloatArray
    p: FloatArray
    sd: FloatArray
    kelvin: FloatArray | None
    n: int
    noise: float
    step_pa: float
    lag_s: float


def binned(
    time_s: FloatArray,
    pressure_pa: FloatArray,
    temperature_k: FloatArray | None,
    settle_s: float,
    top_pa: float | None,
) -> Binned:
    """Readings after settling and below the gauge's top, as means of up to 60 stretches.

    Parameters
    ----------
    time_s, pressure_pa : ndarray, shape (n,)
        In order [s], [Pa].
    temperature_k : ndarray, shape (n,), or None
        NaN where unknown [K].
    settle_s : float
        Settling time [s].
    top_pa : float or None
        Top of the gauge's range [Pa].
    """
    use = np.isfinite(time_s) & np.isfinite(pressure_pa) & (time_s >= settle_s)
    if top_pa is not None:
        use &= pressure_pa < top_pa * (1 - 1e-6)
    t, p = time_s[use], pressure_pa[use]
    if len(t) < 2 or t[-1] <= t[0]:
        return Binned(t, p, np.full_like(t, _LEAST_NOISE_PA), None, len(t), 0.0, 0.0, 0.0)
    starts = _starts(t)
    counts = np.diff([*starts, len(t)])
    place = np.repeat(np.arange(len(starts)), counts)
    middle = np.add.reduceat(t, starts) / counts
    rough = _medians(p, starts)
    if len(starts) < len(t):
        away = (p - _line(t, middle, rough)) / np.maximum(np.abs(rough[place]), 1.0)
    else:
        away = _bends(t, p) / np.maximum(np.abs(p), 1.0)
    spread = 1.4826 * float(np.median(np.abs(away - np.median(away))))
    step = _step(p)
    near = np.abs(away) <= _FAR * max(spread, 1e-4) + step / np.maximum(np.abs(p), 1.0)
    t, p, place, away = t[near], p[near], place[near], away[near]
    counts = np.bincount(place, minlength=len(starts))
    full = counts > 0
    where = np.bincount(place, t, len(starts))[full] / counts[full]
    mean = np.bincount(place, p, len(starts))[full] / counts[full]
    # Once more around the means: the medians' own error is gone.
    left = p - _line(t, where, mean) if len(where) < len(p) else away * np.maximum(np.abs(p), 1.0)
    share = left / np.maximum(np.abs(p), 1.0)
    lost = 1.0 if len(where) == len(p) else max(1 - 1.5 * len(where) / len(p), 0.5)
    noise = max(float(np.sqrt(np.mean(share**2) / lost)), 5e-4)
    correlation = _correlation(share) if len(where) < len(p) / 3 else 0.0
    if correlation > 0:
        # Around the means of stretches a slow error looks smaller than it is; in differences it does not.
        whole = math.sqrt(float(np.mean(np.diff(share) ** 2)) / (2 * (1 - correlation)))
        noise = min(max(noise, whole), 2 * noise)
    worth = np.maximum(counts[full] * (1 - correlation) / (1 + correlation), 1.0)
    shaken = noise * np.maximum(np.abs(mean), 1.0)
    hidden = step**2 / 12 * np.exp(-2 * (math.pi * shaken / step) ** 2) if step > 0 else 0.0
    sd = np.sqrt((shaken**2 + _LEAST_NOISE_PA**2) / worth + hidden)
    sd *= _slow(where, mean, sd)
    gap = float(np.median(np.diff(t))) if len(t) > 1 else 0.0
    lag = -gap / math.log(correlation) if correlation > 0 else 0.0
    return Binned(where, mean, sd, _kelvin(time_s, temperature_k, where), len(t), noise, step, lag)


def _starts(t: FloatArray) -> IntArray:
    """Where stretches begin: shorter at first, where curves bend most."""
    if len(t) <= 1.5 * BINS:
        return np.arange(len(t))
    edges = t[0] + (t[-1] - t[0]) * np.linspace(0, 1, BINS + 1)[:-1] ** 1.5
    return np.unique(np.searchsorted(t, edges))


def _medians(p: FloatArray, starts: IntArray) -> FloatArray:
    if len(starts) == len(p):
        return p
    return np.array([float(np.median(piece)) for piece in np.split(p, starts[1:])])


def _line(t: FloatArray, where: FloatArray, values: FloatArray) -> FloatArray:
    """Lines through the means, drawn on at both ends."""
    line = np.interp(t, where, values)
    for end, inner, side in ((0, 1, t < where[0]), (-1, -2, t > where[-1])):
        if len(where) > 1:
            line[side] += (t[side] - where[end]) * (values[end] - values[inner]) / (where[end] - where[inner])
    return line


def _bends(t: FloatArray, p: FloatArray) -> FloatArray:
    """Each reading against the line through its neighbours, so scaled that its variance is one reading's."""
    bend = np.zeros_like(p)
    if len(p) < 3:
        return bend
    left, right = t[1:-1] - t[:-2], t[2:] - t[1:-1]
    a = right / np.maximum(left + right, 1e-9)
    bend[1:-1] = (p[1:-1] - a * p[:-2] - (1 - a) * p[2:]) / np.sqrt(1 + a**2 + (1 - a) ** 2)
    return bend


def _slow(t: FloatArray, mean: FloatArray, sd: FloatArray) -> float:
    """How many times larger the means' errors are than their stretches tell: noise slower than a stretch."""
    if len(t) < 8:
        return 1.0
    bends = np.abs(_bends(t, mean)[1:-1]) / sd[1:-1]
    return max(1.0, 1.4826 * float(np.median(bends)))


def _correlation(share: FloatArray) -> float:
    """Of an error with the next, in [0, 0.98], from differences, which a smooth curve hardly enters.

    Of a series of first order differences over four readings have (1 − r⁴)/(1 − r) times the variance of
    those over one.
    """
    once = float(np.mean(np.diff(share) ** 2))
    if once <= 0:
        return 0.0
    r = np.linspace(0.0, 0.98, 99)
    ratio = float(np.mean((share[4:] - share[:-4]) ** 2)) / once
    found = float(np.interp(ratio, (1 - r**4) / (1 - r), r))
    return found if found > 0.05 else 0.0


def _step(p: FloatArray) -> float:
    """Step of the gauge's display [Pa]: it shows where values come again and again."""
    some = np.sort(p if len(p) <= 4000 else p[:: len(p) // 2000])
    gaps = np.diff(some)
    gaps = gaps[gaps > 1e-9]
    return float(np.median(gaps)) if 0 < len(gaps) < len(some) / 2 else 0.0


def _kelvin(time_s: FloatArray, temperature_k: FloatArray | None, where: FloatArray) -> FloatArray | None:
    """Temperature at the means, its own noise smoothed away [K]."""
    if temperature_k is None:
        return None
    known = np.isfinite(temperature_k) & np.isfinite(time_s)
    if not known.any():
        return None
    t, kelvin = time_s[known], temperature_k[known]
    if len(t) > 3 * BINS:
        cuts = np.linspace(0, len(t), BINS + 1).astype(int)[:-1]
        counts = np.diff([*cuts, len(t)])
        t, kelvin = np.add.reduceat(t, cuts) / counts, np.add.reduceat(kelvin, cuts) / counts
    return np.interp(where, t, kelvin)

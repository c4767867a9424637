"""Seeded holds for the benchmark of the judgement, from models that the analysis does not fit.

============= ==========================================================================================
part          model
============= ==========================================================================================
leak          constant inflow (choked), at once or from a moment inside the hold on
free water    two volumes joined by a conductance; water evaporates in one of them, is cooled by its own
              heat of vaporisation, freezes, is warmed by the wall; much of it, or so little that it runs out
tail          bound water with a log-uniform spectrum of time constants; √t (diffusion out of oil); ln t
              (desorption with rate 1/t): each after a time of pumping, temperature-activated
evening out   two exponentials of either sign
gas law       everything that does not condense follows the temperature: steady, daily swing, sunrise
gauge         scale, zero, slow drift, lag, proportional noise, display step, spikes, gaps, top of range
============= ==========================================================================================

A hold is made of its seed and number alone. The true size of a part is what it adds from the end of settling
to the end of the hold at the temperature of the start; a part counts from a tenth of the permitted rise on.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from model.judgement import Cause
from physics.constants import GAS_CONSTANT, WATER_MOLAR_MASS
from physics.types import FloatArray
from physics.units import MICRON_PA
from physics.water import HEAT_OF_SUBLIMATION, saturation_pressure, saturation_temperature

COUNTS = 0.1
"""A part counts when it adds more than this share of the permitted rise."""

ACTIVATION = 60e3
"""Of what is bound [J/mol]: about 8 %/K at 20 degrees Celsius."""

LIMITS_MICRON = ((500, 2500), (500, 1000), (300, 500), (200, 1500))
STEPS_MICRON = (0.0, 0.0, 1.0, 10.0, 50.0, 100.0)
INTERVALS_S = (1, 1, 2, 5, 10, 30, 60)
TAILS = ("spectrum", "root", "logarithm")
PRESENT = (0.5, 0.35, 0.5)
"""How often leak, water and tail are there at all."""

GROSS, GROSS_SIZES = 0.06, (8.0, 150.0)
"""How often a leak is gross, and how many times the permitted rise it adds: often past the gauge's top."""

DRIFT = 0.003
"""Share of the pressure by which the gauge wanders over the hold."""

_GRID = 160


@dataclass(frozen=True, slots=True)
class Hold:
    """A simulated hold and what it is made of.

    Parameters
    ----------
    time_s, pressure_pa : ndarray, shape (n,)
        Readings since the valve closed [s], [Pa].
    temperature_k : ndarray, shape (n,), or None
        What the thermometer says, if there is one [K].
    start_pa, limit_pa, settle_s, hold_s, volume_m3, top_pa : float
        As `analytics.core.cause.diagnose` takes them.
    leak_pa_s : float
        True leak, as long as it is open [Pa/s].
    parts : tuple of float
        What leak, free water and tail truly add [Pa].
    cause : Cause
        What counts of them.
    strata : dict
        Names of the strata that this hold belongs to.
    shapes : ndarray, shape (n, 4)
        Leak, water, tail (each as if it added 1 Pa) and all the rest, at the readings [Pa]: for the oracle.
    noise : float
        Proportional noise of the gauge.
    clean_pa : ndarray, shape (n,)
        What the gauge would read without noise, spikes and display steps [Pa].
    step_pa : float
        Display step, 0 for none [Pa].
    interval_s : float
        Between readings [s].
    """

    time_s: FloatArray
    pressure_pa: FloatArray
    temperature_k: FloatArray | None
    start_pa: float
    limit_pa: float
    settle_s: float
    hold_s: float
    volume_m3: float
    top_pa: float
    leak_pa_s: float
    parts: tuple[float, float, float]
    cause: Cause
    strata: dict[str, str]
    shapes: FloatArray
    noise: float
    clean_pa: FloatArray
    step_pa: float
    interval_s: float


def cause_of(parts: FloatArray | tuple[float, ...], least: float) -> Cause:
    """The cause that parts of these sizes amount to: leak, free water, tail [Pa]."""
    leak, water, tail = (part > least for part in parts)
    if leak:
        return Cause.LEAK_AND_MOISTURE if water or tail else Cause.LEAK
    if water:
        return Cause.MOISTURE
    return Cause.OUTGASSING if tail else Cause.TIGHT


def holds(seed: int, number: int, first: int = 0) -> Iterator[Hold]:
    """Holds ``first`` … of a seed, one after another."""
    for place in range(first, first + number):
        yield hold(np.random.default_rng([seed, place]))


def hold(rng: np.random.Generator) -> Hold:
    """One hold."""
    hold_s = float(np.exp(rng.uniform(np.log(600), np.log(43_200))))
    interval = float(rng.choice([one for one in INTERVALS_S if one <= hold_s / 40]))
    settle_s = float(rng.choice([one for one in (60, 120, 300, 600) if one <= hold_s / 5]))
    volume = float(np.exp(rng.uniform(np.log(0.001), np.log(0.3))))
    low, high = LIMITS_MICRON[rng.integers(len(LIMITS_MICRON))]
    start, limit = MICRON_PA * low * rng.uniform(0.3, 0.95), MICRON_PA * high
    if rng.random() < 0.15:  # little more is permitted than is there
        limit = start * rng.uniform(1.08, 1.6)
    permitted = limit - start
    grid = np.concatenate([[0.0], np.geomspace(interval / 4, hold_s, _GRID - 1)])
    grid = np.union1d(grid, np.linspace(0, hold_s, _GRID))
    kelvin, swing = _temperature(rng, grid, hold_s)
    present = rng.random(3) < PRESENT
    sizes = permitted * np.exp(rng.uniform(np.log(0.01), np.log([8.0, 20.0, 4.0])))
    gross = bool(rng.random() < GROSS)
    if gross:
        present[0] = True
        sizes[0] = permitted * np.exp(rng.uniform(*np.log(GROSS_SIZES)))
    sizes *= present
    late = bool(present[0] and rng.random() < 0.1)
    opens = rng.uniform(0.3, 0.8) * hold_s if late else 0.0
    leak = np.maximum(grid - opens, 0.0)
    water = _water(rng, grid, kelvin, hold_s, volume)
    kind = TAILS[rng.integers(3)]
    tail = _tail(rng, kind, grid, kelvin, hold_s)
    shapes = np.stack([_unit(one, grid, settle_s) for one in (leak, water, tail)])
    if present[1]:  # water has the size that it has, unless it would end above saturation or out of range
        natural = float(np.interp(hold_s, grid, water) - np.interp(settle_s, grid, water))
        whole_size = rng.random() < 0.5 and natural > 0.02 * permitted
        sizes[1] = natural if whole_size else max(min(sizes[1], natural), 0.0)
    evening = rng.uniform(-0.4, 0.4) * start * np.exp(-grid / np.exp(rng.uniform(np.log(3), np.log(200))))
    evening += 0.3 * evening[0] * np.exp(-grid / rng.uniform(20, 60))
    warm = kelvin / kelvin[0]
    rest = (start + evening) * warm
    whole = rest + sizes[1] * shapes[1] + (sizes[0] * shapes[0] + sizes[2] * shapes[2]) * warm
    curves = np.vstack([shapes[0] * warm, shapes[1], shapes[2] * warm, rest])

    read, reading = _gauge(rng, grid, whole, hold_s, interval, settle_s)
    thermometer = bool(rng.random() < 0.5)
    parts = (float(sizes[0]), float(sizes[1]), float(sizes[2]))
    began = float(np.interp(settle_s, grid, whole))
    true_permitted = max(limit - began, 0.1 * began)
    noise, top, t, p, clean = reading
    seen = 1.0
    if rng.random() < 0.25:  # looked at while it runs, or opened again
        seen = rng.uniform(0.2, 0.9)
        t = t[t <= max(seen * hold_s, settle_s + 20 * interval)]
        p, clean = p[: len(t)], clean[: len(t)]
    settled = p[(t >= settle_s - 60) & (t <= settle_s + interval)]
    shown = float(np.median(settled if len(settled) > 2 else p[np.argsort(np.abs(t - settle_s))[:3]]))
    span = float(np.interp(hold_s, grid, leak) - np.interp(settle_s, grid, leak))
    cause = cause_of(parts, COUNTS * true_permitted)
    return Hold(
        t,
        p,
        _thermometer(rng, np.interp(t, grid, kelvin)) if thermometer else None,
        shown,
        limit,
        settle_s,
        hold_s,
        volume,
        top,
        parts[0] / span,
        parts,
        cause,
        {
            "cause": cause.value,
            "hold": _stratum(hold_s, ((1800, "10–30 min"), (7200, "½–2 h"), (1e9, "2–12 h"))),
            "noise": _stratum(noise, ((0.007, "0.3–0.7 %"), (0.015, "0.7–1.5 %"), (1.0, "1.5–3 %"))),
            "readings": _stratum(interval, ((2, "every 1–2 s"), (10, "every 5–10 s"), (60, "every 30–60 s"))),
            "volume": _stratum(volume, ((0.01, "1–10 l"), (0.06, "10–60 l"), (1.0, "60–300 l"))),
            "temperature": _stratum(swing, ((1.0, "within 1 K"), (5.0, "1–5 K"), (20.0, "5–12 K"))),
            "seen": "whole" if seen == 1.0 else "a part",
            "thermometer": "with" if thermometer else "without",
            "display": "fine" if read <= MICRON_PA else "steps of 10 micron and more",
            "leak opens": ("late" if late else "at once") if present[0] else "no leak",
            "tail": kind if present[2] else "no tail",
            "size of the leak": _size_of(parts[0] / true_permitted),
        },
        np.stack([np.interp(t, grid, one) for one in curves], axis=1),
        noise,
        clean,
        read,
        interval,
    )


def _stratum(value: float, bounds: tuple[tuple[float, str], ...]) -> str:
    return next(name for bound, name in bounds if value <= bound)


def _size_of(share: float) -> str:
    """Of a leak that adds this many times the permitted rise."""
    if share <= COUNTS:
        return "none, or does not count"
    return _stratum(share, ((1.0, "does not fail alone"), (8.0, "fails"), (math.inf, "gross")))


def _unit(curve: FloatArray, grid: FloatArray, settle_s: float) -> FloatArray:
    """The curve, so scaled that it adds 1 from settling to the end; nothing where it does not rise."""
    added = float(curve[-1] - np.interp(settle_s, grid, curve))
    return curve / added if added > 1e-6 else np.zeros_like(curve)


def _temperature(rng: np.random.Generator, grid: FloatArray, hold_s: float) -> tuple[FloatArray, float]:
    """Temperature over the hold [K], and how far it swings."""
    base = rng.uniform(278, 303)
    kind = rng.integers(3)
    change = np.zeros_like(grid)
    if kind >= 1:
        size = rng.uniform(0.5, 6.0)
        phase = rng.uniform(0, 2 * np.pi)
        change += size * (np.sin(2 * np.pi * grid / 86_400 + phase) - np.sin(phase))
    if kind == 2:
        change += rng.uniform(-5, 8) / (1 + np.exp(-(grid - rng.uniform(0, hold_s)) / rng.uniform(200, 3600)))
    change -= change[0]
    swing = float(np.ptp(change))
    if swing > 12:
        change *= 12 / swing
    return base + change, min(swing, 12.0)


def _water(
    rng: np.random.Generator, grid: FloatArray, kelvin: FloatArray, hold_s: float, volume: float
) -> FloatArray:
    """Vapour that free water adds [Pa]: two volumes, cooling, an end of the water. Backward Euler.

    V₁ dp₁/dt = k (p_s(T) − p₁) − C (p₁ − p₂), V₂ dp₂/dt = C (p₁ − p₂),
    H dT/dt = U (T_w − T) − L k (p_s − p₁) M/RT.
    """
    wall = kelvin - rng.uniform(0, 5)
    first = volume * rng.uniform(0.05, 0.5)
    second = volume - first
    speed = volume / np.exp(rng.uniform(np.log(10), np.log(0.7 * hold_s)))
    joint = volume / np.exp(rng.uniform(np.log(2), np.log(600)))
    p1 = p2 = p0 = rng.uniform(5, 40)
    wet = float(saturation_temperature(p0)) + rng.uniform(0, 3)
    mass = np.exp(rng.uniform(np.log(1e-3), np.log(5e-2)))
    heat, warming = mass * 4200.0, mass * 4200.0 / np.exp(rng.uniform(np.log(20), np.log(1800)))
    gram = WATER_MOLAR_MASS / (GAS_CONSTANT * 293.15)
    full = saturation_pressure(float(wall[0])) * volume * gram
    left = full * (np.exp(rng.uniform(np.log(0.02), np.log(0.8))) if rng.random() < 0.35 else 1e3)
    out = np.empty_like(grid)
    out[0] = p2
    walls, steps = wall.tolist(), np.diff(grid).tolist()
    for i in range(1, len(grid)):
        pieces = 1 if steps[i - 1] < 60 else 3
        for _ in range(pieces):
            step = steps[i - 1] / pieces
            above = _saturated(wet)
            slope = above * 6140.0 / wet**2  # d ln p/dT of ice, L/(R T²)
            k = speed if left > 0 else 0.0
            # wet after the step, p₁ frozen: linear in T.
            cool = HEAT_OF_SUBLIMATION * k * gram
            wet_new = wet + step * (warming * (walls[i] - wet) - cool * (above - p1)) / (
                heat + step * (warming + cool * slope)
            )
            above = _saturated(wet_new)
            a11, a12 = first / step + k + joint, -joint
            a22 = second / step + joint
            b1, b2 = first / step * p1 + k * above, second / step * p2
            det = a11 * a22 - a12 * a12
            p1, p2 = (b1 * a22 - a12 * b2) / det, (a11 * b2 - a12 * b1) / det
            left -= k * (above - p1) * gram * step
            wet = wet_new
        out[i] = p2
    return out - p0


_COLDEST_K = 180.0
_LN_SATURATION = np.log(saturation_pressure(np.arange(_COLDEST_K, 340.0, 0.5))).tolist()


def _saturated(kelvin: float) -> float:
    """Saturation pressure from a table [Pa]: many thousand times a hold."""
    place, part = divmod(2.0 * (kelvin - _COLDEST_K), 1.0)
    low, high = _LN_SATURATION[int(place)], _LN_SATURATION[int(place) + 1]
    return math.exp(low + part * (high - low))


def _tail(
    rng: np.random.Generator, kind: str, grid: FloatArray, kelvin: FloatArray, hold_s: float
) -> FloatArray:
    """Gas from oil and walls after a time of pumping; its clock runs faster where it is warm."""
    rate = np.exp(-ACTIVATION / GAS_CONSTANT * (1 / kelvin - 1 / kelvin[0]))
    clock = np.concatenate([[0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1]) * np.diff(grid))])
    pumped = np.exp(rng.uniform(np.log(120), np.log(7200)))
    if kind == "root":
        return np.asarray(np.sqrt(clock + 0.1 * pumped) - np.sqrt(0.1 * pumped))
    if kind == "logarithm":
        return np.asarray(np.log1p(clock / (0.3 * pumped)))
    taus = np.geomspace(rng.uniform(10, 60), rng.uniform(2, 20) * hold_s, 24)
    full = taus ** rng.uniform(-0.1, 0.4) * np.exp(-0.2 * pumped / taus)
    return np.asarray((1 - np.exp(-clock[:, None] / taus)) @ full)


def _thermometer(rng: np.random.Generator, kelvin: FloatArray) -> FloatArray:
    """What a clamped sensor says: a fixed error, noise, steps of 0.1 K."""
    shown = kelvin + 0.5 * rng.standard_normal() + 0.1 * rng.standard_normal(len(kelvin))
    return np.asarray(np.round(shown, 1))


def _gauge(
    rng: np.random.Generator,
    grid: FloatArray,
    whole: FloatArray,
    hold_s: float,
    interval: float,
    settle_s: float,
) -> tuple[float, tuple[float, float, FloatArray, FloatArray, FloatArray]]:
    """What is read of a curve: its display step; noise, top of range, times, pressures, and these clean."""
    t = np.arange(0.0, hold_s + 0.5 * interval, interval) + rng.uniform(0, interval)
    t = t[t <= hold_s]
    if rng.random() < 0.3:
        gap = rng.uniform(0.02, 0.1) * hold_s
        begin = rng.uniform(settle_s, hold_s - 2 * gap)
        t = t[(t < begin) | (t > begin + gap)]
    lag = rng.choice([0.0, rng.uniform(2, 30)])
    curve = np.interp(t - lag, grid, whole)
    scale, zero = 1 + 0.06 * rng.standard_normal(), 0.13 * rng.standard_normal()
    drift = DRIFT * np.cumsum(rng.standard_normal(20)) / np.sqrt(20)
    curve = (curve * (1 + np.interp(t, np.linspace(0, hold_s, 20), drift)) * scale + zero).clip(0.1)
    noise = float(np.exp(rng.uniform(np.log(0.003), np.log(0.03))))
    white = rng.standard_normal(len(t))
    if lag > 0 and interval < lag:
        from scipy.signal import lfilter

        keep = float(np.exp(-interval / lag))
        white = lfilter([np.sqrt(1 - keep**2)], [1.0, -keep], white)
    p = curve * (1 + noise * white) + 0.03 * rng.standard_normal(len(t))
    step = MICRON_PA * float(STEPS_MICRON[rng.integers(len(STEPS_MICRON))])
    # A stepped display is fine where the pressure is low.
    if step > 0.2 * float(np.median(p)):
        step = MICRON_PA
    if step:
        p = np.round(p / step) * step
    if rng.random() < 0.2:
        p[rng.integers(0, len(t), max(1, len(t) // 500))] *= rng.uniform(2, 10)
    top = float(rng.choice([2666.0, 3333.0, 13_332.0]))
    return step, (noise, top, t, np.minimum(p, top), np.minimum(curve, top))

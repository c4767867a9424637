"""Holds for the early call, from models that the forecast does not fit.

Gas from walls and oil is a spectrum of forty time constants (or √t, or a logarithm) whose rate follows the
temperature; water is a mass that cools as it evaporates, in two volumes; evening-out is diffusion through a
pipe (a sum of modes); gauges drift, have coloured noise and spikes, and display in steps. All pressures [Pa],
times [s] from the closing of the valve.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from physics.units import MICRON_PA
from physics.water import saturation_pressure

FloatArray = NDArray[np.float64]

CAUSES = (
    "tight",
    "leak",
    "late leak",
    "water",
    "water, runs out",
    "leak and water",
    "degassing",
    "leak and degassing",
)
_SHARES = (0.18, 0.18, 0.07, 0.15, 0.01, 0.11, 0.18, 0.12)
_PROCEDURES = ((500.0, 2500.0), (500.0, 2500.0), (500.0, 1000.0), (300.0, 500.0))
_GRID = 800


@dataclass(frozen=True, slots=True)
class Case:
    """One hold: what the gauge showed, and what really happened."""

    cause: str
    length_s: float
    settle_s: float
    target_pa: float
    limit_pa: float
    interval_s: float
    noise: float
    stepped: bool
    swing_k: float
    time_s: FloatArray
    shown_pa: FloatArray
    crossing_s: float | None
    """When the curve without noise is over the limit for good enough to fail; None: it does not fail."""
    margin: float
    """Rise of the curve without noise over the hold, as a share of the permitted one."""
    shapes: FloatArray
    """What it is made of, at the readings, shape (n, k): level and evening out as if the pressure at closing
    were 1 Pa, then leak, water and gas, as far as there are any, as if each added the permitted rise. For
    `bench.early_oracle`."""


def make(rng: np.random.Generator) -> Case:
    """Draw a hold."""
    cause = str(rng.choice(CAUSES, p=_SHARES))
    target, limit = (value * MICRON_PA for value in _PROCEDURES[rng.integers(len(_PROCEDURES))])
    length = _log(rng, 600.0, 43_200.0)
    settle = min(120.0, 0.1 * length) if rng.random() < 0.7 else min(600.0, 0.2 * length)
    interval = float(rng.choice([1.0, 2.0, 5.0, 10.0, 20.0, 60.0]))
    interval = max(interval, length / 6000.0)
    interval = min(interval, length / 40.0)
    grid = np.linspace(0.0, length + max(0.02 * length, 90.0), _GRID)
    swing = rng.choice([0.0, 1.0]) * rng.uniform(0.0, 12.0)
    kelvin = _temperature(rng, grid, swing)
    start = target * rng.uniform(0.4, 0.95)
    parts = _parts(rng, cause, grid, kelvin, limit - start, length)
    size, evening = _evening(rng, grid)
    warm = kelvin / kelvin[0]
    curve = (start + start * size * evening + np.sum(parts, axis=0)) * warm
    curve = curve * (1.0 + _drift(rng, grid))
    added = [(limit - start) * part / max(float(part[-1]), 1e-9) for part in parts]
    shapes = [warm, evening * warm, *(part * warm for part in added)]
    time = np.arange(interval * rng.uniform(0.1, 1.0), length * 1.02, interval)
    true = np.interp(time, grid, curve)
    noise = _log(rng, 0.003, 0.03)
    stepped = bool(rng.random() < 0.4)
    return Case(
        cause,
        length,
        settle,
        target,
        limit,
        interval,
        noise,
        stepped,
        swing,
        time,
        _shown(rng, true, noise, stepped),
        _crossing(grid, curve, settle, length, limit),
        float((np.interp(length, grid, curve) - start) / (limit - start)),
        np.stack([np.interp(time, grid, shape) for shape in shapes], axis=1),
    )


def straight(
    rng: np.random.Generator, *, margin: float, noise: float, interval: float, length: float
) -> Case:
    """A straight leak in white noise, and nothing else."""
    start, limit = 500.0 * MICRON_PA, 2500.0 * MICRON_PA
    settle = min(120.0, 0.1 * length)
    time = np.arange(interval, length, interval)
    slope = margin * (limit - start) / length
    true = start + slope * time
    shown = true * (1.0 + noise * rng.standard_normal(len(time)))
    crossing = length / margin if margin > 1 else None
    return Case(
        "leak",
        length,
        settle,
        start,
        limit,
        interval,
        noise,
        False,
        0.0,
        time,
        shown,
        crossing,
        margin,
        np.stack([np.ones_like(time), (limit - start) * time / length], axis=1),
    )


def _log(rng: np.random.Generator, low: float, high: float) -> float:
    return float(math.exp(rng.uniform(math.log(low), math.log(high))))


def _size(rng: np.random.Generator) -> float:
    """Rise at the end as a share of the permitted one: four decades, half of them near the limit."""
    return _log(rng, 0.3, 4.0) if rng.random() < 0.6 else _log(rng, 0.01, 100.0)


def _temperature(rng: np.random.Generator, grid: FloatArray, swing_k: float) -> FloatArray:
    phase = rng.uniform(0.0, 2 * math.pi)
    day = 0.5 * swing_k * np.sin(2 * math.pi * grid / 86_400.0 + phase)
    kelvin: FloatArray = 288.15 + rng.uniform(0.0, 12.0) + day + 0.1 * _smooth(rng, grid, 1800.0)
    return kelvin


def _smooth(rng: np.random.Generator, grid: FloatArray, tau_s: float) -> FloatArray:
    keep = math.exp(-(grid[1] - grid[0]) / tau_s)
    values = np.empty(len(grid))
    values[0] = rng.standard_normal()
    kicks = math.sqrt(1 - keep**2) * rng.standard_normal(len(grid))
    for k in range(1, len(grid)):
        values[k] = keep * values[k - 1] + kicks[k]
    result: FloatArray = values - values[0]
    return result


def _evening(rng: np.random.Generator, grid: FloatArray) -> tuple[float, FloatArray]:
    """Size, as a share of the start, and shape of diffusion through a pipe: modes with constants τ/k²."""
    tau = _log(rng, 5.0, 600.0)
    size = float(rng.uniform(-0.4, 0.6))
    modes = sum(np.exp(-(k**2) * grid / tau) / k**2 for k in range(1, 6))
    assert not isinstance(modes, int)
    return size, 1.0 - modes / modes[0]


def _parts(
    rng: np.random.Generator,
    cause: str,
    grid: FloatArray,
    kelvin: FloatArray,
    permitted: float,
    length: float,
) -> list[FloatArray]:
    parts = []
    if cause == "tight":
        parts.append(permitted * _log(rng, 0.001, 0.1) * _degassing(rng, grid, kelvin))
    if "degassing" in cause:
        parts.append(permitted * _size(rng) * _degassing(rng, grid, kelvin))
    if "water" in cause:
        parts.append(_water(rng, grid, kelvin, permitted, cause == "water, runs out"))
    if cause == "late leak":
        onset = rng.uniform(0.1, 0.85) * length
        parts.append(permitted * _log(rng, 0.01, 0.4) * _degassing(rng, grid, kelvin))
        parts.append(permitted * _size(rng) * np.maximum(grid - onset, 0.0) / (length - onset))
    elif "leak" in cause:
        parts.append(permitted * _size(rng) * grid / length)
    return parts


def _degassing(rng: np.random.Generator, grid: FloatArray, kelvin: FloatArray) -> FloatArray:
    """Normalised to one at the end; runs by a clock that follows temperature, 60 kJ/mol."""
    speed = np.exp(60_000.0 / 8.314 * (1.0 / kelvin[0] - 1.0 / kelvin))
    clock = np.concatenate([[0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]) * np.diff(grid))])
    kind = rng.integers(3)
    if kind == 0:
        taus = np.geomspace(20.0, 200_000.0, 40)
        weight = np.exp(
            -0.5 * ((np.log(taus) - math.log(_log(rng, 200.0, 40_000.0))) / rng.uniform(0.4, 2.0)) ** 2
        )
        shape = -np.expm1(-clock[:, None] / taus) @ weight
    elif kind == 1:
        shape = clock ** rng.uniform(0.4, 0.7)
    else:
        shape = np.log1p(clock / _log(rng, 10.0, 3000.0))
    result: FloatArray = shape / shape[-1]
    return result


def _water(
    rng: np.random.Generator, grid: FloatArray, kelvin: FloatArray, permitted: float, runs_out: bool
) -> FloatArray:
    """Water that cools as it evaporates, behind a pipe from the gauge; it may run out."""
    table_k = np.linspace(230.0, 320.0, 361)
    table_pa = np.array([saturation_pressure(float(one)) for one in table_k])
    rate = 1.0 / _log(rng, 60.0, 40_000.0)
    warm = 1.0 / _log(rng, 100.0, 5_000.0)
    cools = _log(rng, 0.002, 0.3)
    pipe = 1.0 / _log(rng, 10.0, 900.0)
    stock = permitted * (_log(rng, 0.2, 1.0) if runs_out else _log(rng, 10.0, 3000.0))
    colder = rng.uniform(0.0, 25.0)
    spot, near, far = kelvin[0] - colder, 0.0, 0.0
    steps = 2
    h = (grid[1] - grid[0]) / steps
    result = np.zeros(len(grid))
    for k in range(1, len(grid)):
        for _ in range(steps):
            given = max(rate * (float(np.interp(spot, table_k, table_pa)) - near), 0.0) * h
            given = min(given, 0.2 * abs(stock) + 1e-12, stock)
            stock -= given
            move = (near - far) * -math.expm1(-2 * pipe * h) / 2
            near += 2 * given - move
            far += move
            spot += (kelvin[k] - colder - spot) * -math.expm1(-warm * h) - cools * given
            spot = max(spot, 231.0)
        result[k] = far
    return result


def _drift(rng: np.random.Generator, grid: FloatArray) -> FloatArray:
    hours = grid / 3600.0
    return 0.004 * rng.standard_normal() * np.sqrt(hours) + 0.002 * _smooth(rng, grid, 3600.0)


def _shown(rng: np.random.Generator, true: FloatArray, noise: float, stepped: bool) -> FloatArray:
    white = rng.standard_normal(len(true))
    coloured = np.empty(len(true))
    coloured[0] = 0.0
    kicks = rng.standard_normal(len(true))
    for k in range(1, len(true)):
        coloured[k] = 0.9 * coloured[k - 1] + 0.436 * kicks[k]
    share = rng.uniform(0.0, 0.4)
    shown = true * (1.0 + noise * (math.sqrt(1 - share**2) * white + share * coloured))
    if rng.random() < 0.3:
        hit = rng.random(len(true)) < 0.003
        shown[hit] *= rng.uniform(0.3, 4.0, int(hit.sum()))
    if stepped:
        micron = shown / MICRON_PA
        step = np.select([micron < 200, micron < 1000, micron < 4000], [1.0, 10.0, 50.0], 100.0)
        shown = np.round(micron / step) * step * MICRON_PA
    return shown


def _crossing(
    grid: FloatArray, curve: FloatArray, settle: float, length: float, limit: float
) -> float | None:
    """First time over the limit inside the hold, staying over for a minute; at its end it is extended."""
    fine = np.arange(settle, length + 65.0, 5.0)
    over = np.interp(fine, grid, curve) > limit
    run = 0
    for k, is_over in enumerate(over):
        run = run + 1 if is_over else 0
        if run * 5.0 >= 60.0:
            first = float(fine[k - run + 1])
            return first if first <= length else None
    return None

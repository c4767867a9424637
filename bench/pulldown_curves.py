"""Seeded pull-downs for the benchmark of their analysis, from models that the analysis does not fit.

============== =========================================================================================
part           model
============== =========================================================================================
circuit        two volumes joined by a pipe, pumped at the first, read at either
hose           Knudsen's interpolation between viscous and molecular flow [1]_, in series with a choked
               opening and, where it was left in, a valve core
pump           speed that falls towards the ultimate pressure with an exponent of its own, and by a share
               below a pressure of its own
bound water    a spectrum of stores with log-uniform time constants, in exchange with the pressure
oil            q·(t + t₁)^−a, a from 0.5 to 1.3
free water     evaporates, is cooled by that, freezes, sublimes, is warmed by the wall, runs out
leak           constant (choked)
gauge          scale, zero, slow drift, lag, proportional noise, display steps, spikes, top of its range
============== =========================================================================================

A pull-down is made of its seed and number alone. How much gas comes is drawn as the share of the target
pressure that it makes at the time the empty circuit would reach the target.

References
----------
.. [1] Knudsen's semi-empirical formula, as vacuum handbooks give it: C = Cv + Z·Cm with
   Z = (1 + 2.507 a/λ)/(1 + 3.095 a/λ), a the radius (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from physics.constants import ATMOSPHERE_PA, GAS_CONSTANT, WATER_MOLAR_MASS
from physics.flow import mean_free_path, molecular_conductance, viscous_conductance
from physics.types import BoolArray, FloatArray
from physics.units import MICRON_PA
from physics.water import HEAT_OF_FUSION, HEAT_OF_SUBLIMATION, saturation_pressure

KINDS = ("dry", "free water", "pump at its limit", "leak", "degassing", "restriction", "wet gauge")
STORES = 16
INTERVALS_S = (0.1, 0.2, 1.0, 2.0, 5.0, 10.0, 30.0, 60.0)
TARGETS_MICRON = (200, 300, 500, 500, 1000)
TOPS_PA = (2e5, 2e5, 13_332.0, 3_333.0)
STEPS_MICRON = (0.0, 0.0, 1.0, 10.0, 50.0)

_GRAM = WATER_MOLAR_MASS / (GAS_CONSTANT * 293.15)
_FREEZING_K = 273.16
_COLD_K, _HOT_K = 200.0, 330.0
_TABLE_K = np.arange(_COLD_K, _HOT_K, 0.25)
_LN_SATURATION = np.log(saturation_pressure(_TABLE_K))
_MOST_STEPS = 6000
_FALL = 0.015
"""A step lets the pressure change by about this share."""


@dataclass(frozen=True, slots=True)
class Rig:
    """What one pull-down is made of, SI units; see the table above."""

    kind: str
    target_pa: float
    volume_m3: float
    far_share: float
    joint_viscous: float
    joint_molecular: float
    read_far: bool
    pump_m3_s: float
    rating_m3_s: float
    ultimate_pa: float
    exponent: float
    fall: float
    fall_pa: float
    bore_m: float
    length_m: float
    core: float
    opening_m3_s: float
    leak_pa_m3_s: float
    oil_pa_m3_s: float
    oil_a: float
    oil_s: float
    store_m3: float
    store_tau_s: tuple[float, float]
    store_slope: float
    store_pa: float
    water_kg: float
    water_m3_s: float
    warming_w_k: float
    heat_j_k: float
    wall_k: float
    start_pa: float
    span_s: float
    ideal_s: float
    """Time in which the empty circuit would reach the target [s]."""
    ideal_ten_s: float
    """The same for ten times the target [s]."""


@dataclass(frozen=True, slots=True)
class Pull:
    """A simulated pull-down as it is read.

    Parameters
    ----------
    time_s, pressure_pa : ndarray, shape (n,)
        Readings since the pump started [s], [Pa]; those at the top of the range read as the top.
    top_pa : float
        Top of the gauge's range [Pa].
    grid_s, shown_pa : ndarray
        The noise-free reading [s], [Pa].
    rig : Rig
        What it is made of.
    known : dict
        Volume, pump rating, bore and length as the crew gave them, None where they did not.
    strata : dict
        Names of the strata it belongs to.
    """

    time_s: FloatArray
    pressure_pa: FloatArray
    top_pa: float
    grid_s: FloatArray
    shown_pa: FloatArray
    rig: Rig
    known: dict[str, float | None]
    strata: dict[str, str]

    def when(self, pressure_pa: float) -> float | None:
        """When the noise-free reading comes to a pressure for the first time [s]; None: not in the span."""
        under = self.shown_pa <= pressure_pa
        if not under.any():
            return None
        at = int(np.argmax(under))
        if at == 0:
            return float(self.grid_s[0])
        a, b = np.log(self.shown_pa[at - 1 : at + 1])
        part = (a - np.log(pressure_pa)) / (a - b)
        return float(self.grid_s[at - 1] + part * (self.grid_s[at] - self.grid_s[at - 1]))


def _log(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


# What they are made of -----------------------------------------------------------------------------------


def rig(rng: np.random.Generator, kind: str) -> Rig:
    """Draw one."""
    target = MICRON_PA * TARGETS_MICRON[rng.integers(len(TARGETS_MICRON))]
    volume = _log(rng, 1e-3, 0.3)
    rating = _log(rng, 0.7e-3, 6e-3)
    bore = float(rng.choice([4.8e-3, 6.35e-3, 9.5e-3, 12.7e-3, 19e-3]))
    length = rng.uniform(0.8, 4.0)
    core = float(rng.choice([0.0, 0.0, _log(rng, 0.3, 3.0)]))
    pump = rating * rng.uniform(0.6, 1.05)
    if kind == "restriction":
        core = _log(rng, 5.0, 50.0)
    ultimate = min(_log(rng, 0.7, 30.0), 0.5 * target)
    if kind == "pump at its limit":
        ultimate = target * _log(rng, 1.2, 8.0)
    parts = {
        "pump_m3_s": pump,
        "ultimate_pa": ultimate,
        "exponent": rng.uniform(0.6, 1.2),
        "fall": rng.uniform(0.0, 0.4),
        "fall_pa": _log(rng, 10.0, 200.0),
        "bore_m": bore,
        "length_m": length,
        "core": core,
        "opening_m3_s": 200.0 * np.pi / 4 * bore**2 * rng.uniform(0.2, 0.8),
    }
    pressures = np.geomspace(ATMOSPHERE_PA, target, 200)
    speeds = _speed(pressures, {key: np.array(value) for key, value in parts.items()})[0]
    limit_pa = 1.05 * max(ultimate, target)
    usable = np.maximum(speeds, 1e-3 * pump)
    grown = (
        np.cumsum(np.where(pressures > limit_pa, volume / usable, 0.0)) * np.log(ATMOSPHERE_PA / target) / 199
    )
    ideal = float(grown[-1])
    ideal_ten = float(np.interp(-np.log(10 * target), -np.log(pressures), grown))
    speed_there = float(max(usable[-1], 0.02 * pump))
    share = _log(rng, 0.01, 0.7) if rng.random() < 0.9 else rng.uniform(0.7, 1.5)
    if kind in ("leak", "degassing"):
        share = _log(rng, 1.5, 15.0)
    elif kind != "dry":
        share = _log(rng, 0.01, 0.2)
    load = share * target * speed_there
    split = rng.dirichlet([0.7, 0.7, 0.2])
    if kind == "leak":
        split = np.array([0.02, 0.02, 0.96])
    elif kind == "degassing":
        split = np.array([*(rng.dirichlet([1.0, 1.0]) * 0.98), 0.02])
    tau = (_log(rng, 2.0, 30.0), _log(rng, 3.0, 300.0) * max(ideal, 60.0))
    slope, store_pa = rng.uniform(-0.1, 0.5), rng.uniform(200, 1500)
    taus, weights = _spectrum(*tau, slope)
    given_off = float(weights @ (store_pa * np.exp(-ideal / taus) / taus))
    a, since = rng.uniform(0.5, 1.3), _log(rng, 3.0, 60.0)
    oil = split[1] * load * (ideal + since) ** a
    # Not more at the beginning than would fill the circuit ten times over.
    oil = min(oil, 10 * volume * ATMOSPHERE_PA * since ** (a - 1))
    wet = kind == "free water"
    two = rng.random() < 0.4
    far = rng.uniform(0.1, 0.6) if two else 0.01
    pipe_m, pipe_bore = (rng.uniform(2, 30), _log(rng, 6e-3, 20e-3)) if two else (0.3, 15e-3)
    wall = rng.uniform(276, 308)
    water = _log(rng, 2e-3, 0.2)
    span = float(np.clip(rng.uniform(6, 20) * ideal, 3600, 86_400))
    return Rig(
        kind,
        target,
        volume,
        far,
        float(viscous_conductance(pipe_bore, pipe_m, 1.0)),
        molecular_conductance(pipe_bore, pipe_m),
        bool(rng.random() < 0.7),
        rating_m3_s=rating,
        **{key: float(value) for key, value in parts.items()},
        leak_pa_m3_s=float(split[2] * load),
        oil_pa_m3_s=float(oil),
        oil_a=a,
        oil_s=since,
        store_m3=float(split[0] * load / max(given_off, 1e-12)) if given_off > 0 else 0.0,
        store_tau_s=tau,
        store_slope=slope,
        store_pa=store_pa,
        water_kg=water if wet else 0.0,
        water_m3_s=_log(rng, 2.0, 20.0) * pump,
        warming_w_k=_log(rng, 0.3, 10.0),
        heat_j_k=_log(rng, 50.0, 2000.0),
        wall_k=wall,
        start_pa=ATMOSPHERE_PA if rng.random() < 0.8 else _log(rng, 3e4, 9e4),
        span_s=span,
        ideal_s=ideal,
        ideal_ten_s=ideal_ten,
    )


def _spectrum(low: float, high: float, slope: float) -> tuple[FloatArray, FloatArray]:
    taus = np.geomspace(low, high, STORES)
    weights = taus**slope
    return taus, weights / weights.sum()


# How they run --------------------------------------------------------------------------------------------


def _speed(pressure: FloatArray, one: dict[str, FloatArray]) -> tuple[FloatArray, FloatArray]:
    """Effective speed at the circuit [m³/s] and the share of the pressure that is left at the pump."""
    viscous = viscous_conductance(1.0, 1.0, 1.0) * one["bore_m"] ** 4 / one["length_m"]
    molecular = molecular_conductance(1.0, 1.0) * one["bore_m"] ** 3 / one["length_m"]
    # The core: as much again as `core` hoses of 6.35 mm and 1.5 m in series.
    core = 1e9 if not np.any(one["core"]) else 1.0 / np.maximum(one["core"], 1e-9)
    core_viscous = core * viscous_conductance(6.35e-3, 1.5, 1.0)
    core_molecular = core * molecular_conductance(6.35e-3, 1.5)
    radius = one["bore_m"] / 2
    low, high = np.zeros_like(pressure), np.ones_like(pressure)
    for _ in range(26):
        part = 0.5 * (low + high)
        mean = 0.5 * pressure * (1 + part)
        reduced = radius * mean / mean_free_path(1.0)
        z = (1 + 2.507 * reduced) / (1 + 3.095 * reduced)
        resistance = (
            1 / (viscous * mean + z * molecular)
            + 1 / (core_viscous * mean + z * core_molecular)
            + 1 / one["opening_m3_s"]
        )
        through = (1 - part) / resistance
        at_pump = np.maximum(part * pressure, 1e-9)
        pumped = (
            one["pump_m3_s"]
            * (1 - (one["ultimate_pa"] / at_pump) ** one["exponent"])
            * (1 - one["fall"] / (1 + at_pump / one["fall_pa"]))
            * part
        )
        more = through > pumped
        low, high = np.where(more, part, low), np.where(more, high, part)
    return through, part


def run(rigs: Sequence[Rig]) -> tuple[FloatArray, FloatArray]:
    """Times [s] and pressures where the gauge sits [Pa] of many pull-downs, shape (steps, n) each."""
    one = {
        name: np.array([getattr(each, name) for each in rigs], dtype=float)
        for name in Rig.__slots__
        if name not in ("kind", "store_tau_s")
    }
    spectra = [_spectrum(*each.store_tau_s, each.store_slope) for each in rigs]
    taus = np.array([spectrum[0] for spectrum in spectra]).T
    capacity = np.array([spectrum[1] for spectrum in spectra]).T * one["store_m3"]
    stored = np.broadcast_to(one["store_pa"], taus.shape).copy()
    far = one["far_share"] * one["volume_m3"]
    near = one["volume_m3"] - far
    p1, p2 = one["start_pa"].copy(), one["start_pa"].copy()
    t = np.zeros_like(p1)
    shortest = 2e-3 * one["volume_m3"] / one["pump_m3_s"]
    wet, mass, frozen = one["wall_k"].copy(), one["water_kg"].copy(), np.zeros_like(p1)
    dt = shortest.copy()
    times, read = [t.copy()], [p1.copy()]
    for _ in range(_MOST_STEPS):
        speed, _ = _speed(p1, one)
        joint = one["joint_viscous"] * 0.5 * (p1 + p2) + one["joint_molecular"]
        oil = one["oil_pa_m3_s"] * (t + dt + one["oil_s"]) ** -one["oil_a"]
        given = capacity / (taus + dt)
        above = np.exp(np.interp(wet, _TABLE_K, _LN_SATURATION))
        steam = np.where(mass > 0, one["water_m3_s"], 0.0)
        a11 = near / dt + speed + joint
        a22 = far / dt + joint + given.sum(0) + steam
        b1 = near / dt * p1 + one["leak_pa_m3_s"] + 0.3 * oil
        b2 = far / dt * p2 + 0.7 * oil + (given * stored).sum(0) + steam * above
        det = a11 * a22 - joint**2
        n1, n2 = (b1 * a22 + joint * b2) / det, (a11 * b2 + joint * b1) / det
        stored = (stored * taus + dt * n2) / (taus + dt)
        wet, mass, frozen = _wet(wet, mass, frozen, steam * (above - n2) * _GRAM, dt, one)
        fell = np.maximum(np.abs(np.log(n1 / p1)), 0.3 * np.abs(np.log(n2 / p2)))
        p1, p2, t = n1, n2, t + dt
        times.append(t.copy())
        read.append(np.where(one["read_far"] > 0, p2, p1))
        longest = np.where(mass > 0, np.minimum(0.02 * t, 5.0), 0.02 * t) + shortest
        dt = np.clip(dt * np.clip(_FALL / np.maximum(fell, 1e-9), 0.3, 1.5), 0.3 * shortest, longest)
        if np.all(t >= one["span_s"]):
            break
    return np.array(times), np.array(read)


def _wet(
    wet: FloatArray,
    mass: FloatArray,
    frozen: FloatArray,
    boiled: FloatArray,
    dt: FloatArray,
    one: dict[str, FloatArray],
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """The wet spot after a step: its temperature [K], the water left [kg] and how much of it is ice [kg]."""
    heat = one["warming_w_k"] * (one["wall_k"] - wet) - HEAT_OF_SUBLIMATION * boiled
    capacity = one["heat_j_k"] + 4000.0 * mass
    slope = HEAT_OF_SUBLIMATION * one["water_m3_s"] * _GRAM * 45.0 * (mass > 0)
    change = dt * heat / (capacity + dt * (one["warming_w_k"] + slope))
    new = wet + change
    # Through the freezing point only when all is ice, or none is.
    freezing: BoolArray = (mass > 0) & (new < _FREEZING_K) & (frozen < mass)
    thawing: BoolArray = (mass > 0) & (new > _FREEZING_K) & (frozen > 0)
    held = freezing | thawing
    excess = capacity * (_FREEZING_K - new)
    frozen = np.where(held, np.clip(frozen + excess / HEAT_OF_FUSION, 0.0, mass), np.minimum(frozen, mass))
    mass = np.maximum(mass - boiled * dt, 0.0)
    return np.clip(np.where(held, _FREEZING_K, new), _COLD_K + 1, _HOT_K - 1), mass, np.minimum(frozen, mass)


# How they are read ---------------------------------------------------------------------------------------


def pulls(seed: int, kinds: Sequence[str], first: int = 0) -> list[Pull]:
    """Pull-downs ``first`` … of a seed, one of each kind named, run together."""
    rngs = [np.random.default_rng([seed, first + place]) for place in range(len(kinds))]
    rigs = [rig(rng, kind) for rng, kind in zip(rngs, kinds, strict=True)]
    times, pressures = run(rigs)
    return [
        _read(rng, one, times[:, place], pressures[:, place])
        for place, (rng, one) in enumerate(zip(rngs, rigs, strict=True))
    ]


def _read(rng: np.random.Generator, one: Rig, grid: FloatArray, pressure: FloatArray) -> Pull:
    until = int(np.searchsorted(grid, one.span_s)) + 1
    grid, pressure = grid[:until], pressure[:until]
    lag = float(rng.choice([0.0, 0.0, rng.uniform(0.5, 8.0)]))
    shown = np.interp(grid - lag, grid, pressure)
    scale, zero = 1 + 0.06 * rng.standard_normal(), 0.13 * rng.standard_normal()
    if one.kind == "wet gauge":
        # Water or oil on the sensor keeps it reading high, and lets go of it slowly.
        zero += one.target_pa * _log(rng, 1.2, 8.0)
    drift = np.concatenate([[0.0], np.cumsum(rng.standard_normal(20))]) * 0.005 / np.sqrt(20)
    shown = shown * scale * (1 + np.interp(grid / one.span_s, np.linspace(0, 1, 21), drift)) + zero
    shown = np.maximum(shown, 0.1)
    fits = [each for each in INTERVALS_S if each <= one.ideal_ten_s / 6] or [INTERVALS_S[0]]
    interval = float(rng.choice(fits))
    t = np.arange(rng.uniform(0, interval), min(one.span_s, 40_000 * interval), interval)
    noise = _log(rng, 0.003, 0.03)
    values = np.interp(t, grid, shown) * (1 + noise * rng.standard_normal(len(t)))
    if rng.random() < 0.2:
        spikes = rng.random(len(t)) < 0.003
        values = np.where(spikes, values * rng.uniform(0.5, 3.0, len(t)), values)
    step = MICRON_PA * STEPS_MICRON[rng.integers(len(STEPS_MICRON))]
    steps = np.where(values > 1000 * MICRON_PA, 10 * step, step)
    values = np.where(steps > 0, np.round(values / np.maximum(steps, 1e-9)) * steps, values)
    top = float(rng.choice([each for each in TOPS_PA if each > 25 * one.target_pa]))
    known: dict[str, float | None] = {
        "volume_m3": one.volume_m3 * float(np.exp(0.18 * rng.standard_normal())),
        "pump_m3_s": one.rating_m3_s,
        "bore_m": one.bore_m,
        "length_m": one.length_m,
    }
    told = rng.integers(4)
    for name in ("bore_m", "length_m"):
        if told < 2:
            known[name] = None
    if told in (0, 2):
        known["volume_m3"] = None
    if told == 0 or rng.random() < 0.2:
        known["pump_m3_s"] = None
    return Pull(
        t,
        np.minimum(values, top),
        top,
        grid,
        shown,
        one,
        known,
        {
            "kind": one.kind,
            "noise": _stratum(noise, ((0.007, "0.3–0.7 %"), (0.015, "0.7–1.5 %"), (1.0, "1.5–3 %"))),
            "readings": _stratum(interval, ((0.5, "5–10 Hz"), (5, "every 1–5 s"), (60, "every 10–60 s"))),
            "volume": _stratum(one.volume_m3, ((0.01, "1–10 l"), (0.06, "10–60 l"), (1.0, "60–300 l"))),
            "gauge reads from": _stratum(top, ((5e3, "3.3 kPa"), (2e4, "13 kPa"), (1e6, "the atmosphere"))),
            "display": "fine" if step <= MICRON_PA else "steps of 10 micron and more",
            "known": ("nothing", "volume", "hose", "volume and hose")[told],
            "hose": "6.35 mm and less" if one.bore_m < 7e-3 else "9.5 mm and more",
            "circuit": "two volumes" if one.far_share > 0.05 else "one volume",
        },
    )


def _stratum(value: float, bounds: tuple[tuple[float, str], ...]) -> str:
    return next(name for bound, name in bounds if value <= bound)

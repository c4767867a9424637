"""The pull-down as it is fitted: a pump behind a hose, gas that keeps coming, seven figures and their spread.

With S/V = s, hose conductance C(P̄) = c·(P̄ + m) and the pressure P' at the pump,

    dP/dt = −s·(P' − u) + L(t),      s·(P' − u) = (c/V)·((P² − P'²)/2 + m·(P − P'))

so that, with h = S/c and b = h + m, P' = −b + √(b² + P² + 2mP + 2hu): at high pressure the pump decides and P
falls exponentially, below about h the hose does and P falls like 1/t, below m flow is molecular and P
falls exponentially again, more slowly. u is the pump's ultimate pressure. The gas load is a constant one (a
leak) and one that dies away like t^−a (desorption, gas from oil) [1]_:

    L(t) = s_T·(k + d·(t/t_now)^−a)

with s_T the speed over volume left at the target pressure, so that k and d are the pressures that the loads
make there. All figures are fitted by their logarithms, with a wide prior each; what is known of the rig makes
it narrower. Time goes in exponential Rosenbrock-Euler steps [2]_, which stay positive and stable at
any length.

References
----------
.. [1] K. Jousten (ed.), Handbook of Vacuum Technology, 2nd edition, Wiley-VCH 2016: hose and pump in series;
   outgassing of metals falls like 1/t, of elastomers like t^−½ (from memory).
.. [2] Hochbruck and Ostermann, Exponential integrators, Acta Numerica 19 (2010) (from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from model.rig import Rig
from physics.flow import molecular_conductance, viscous_conductance
from physics.types import BoolArray, FloatArray

LEVEL, SPEED, HOSE, MOLECULAR, ULTIMATE, STEADY, DYING, POWER = range(8)
FIGURES = 8

_SINCE_S = 3.0
"""Added to the age of a load, which cannot be infinite at the start [s]."""

_STEP = 0.2
_MOST_STEPS = 12

SPEED_SD = 0.6
"""Of ln(S/V) where volume and rating are known. The volume's ±30 % and pumps that pull 60 to 105 % of
their rating make 0.3; twice that, so that a pump that does not pull shows, and not as something else."""

PUMP_SHARE = 0.82
"""Of its rating, what a pump of the field may be expected to pull. Own choice."""

PUMP_M3_S, PUMP_SD = 2.0e-3, 0.7
"""Pumps of the trade where nothing is known."""

ULTIMATE_PA = 4.0
"""Of a pump of which nothing is known [Pa]. Own choice."""

WORN, KNOWN_ULTIMATE_SD = 1.5, 0.7
"""Rated with fresh oil and without gas ballast: in the field it is rather more. Own choice."""

HOSE_M = (8e-3, 2.2)
"""Bore and length of a hose where nothing is known [m]."""

KNUDSEN = 0.1
"""Of ln m: between viscous and molecular flow a pipe passes less than the sum of both (Knudsen's minimum)."""

HOSE_SD, KNOWN_HOSE_SD = 1.8, 0.7
"""Of ln h: cores and fittings are never known."""


@dataclass(frozen=True, slots=True)
class Known:
    """What is known of the rig; SI units, None where it is not.

    Parameters
    ----------
    volume_m3, pump_m3_s, bore_m, length_m : float or None
        Volume, pump rating, and bore and length of the hose.
    ambient_k : float or None
        Temperature about the circuit [K].
    ultimate_pa : float or None
        The pump's rated ultimate pressure [Pa].
    """

    volume_m3: float | None = None
    pump_m3_s: float | None = None
    bore_m: float | None = None
    length_m: float | None = None
    ambient_k: float | None = None
    ultimate_pa: float | None = None

    @staticmethod
    def of(rig: Rig, volume_m3: float | None, ambient_k: float | None) -> Known:
        """With what is written down of pump and hose."""
        return Known(volume_m3, rig.pump_m3_s, rig.bore_m, rig.length_m, ambient_k, rig.ultimate_pa)

    @property
    def hose(self) -> tuple[float, float] | None:
        """Viscous conductance at 1 Pa [m³/s] and the pressure below which flow is molecular [Pa]."""
        if self.bore_m is None or self.length_m is None:
            return None
        viscous = float(viscous_conductance(self.bore_m, self.length_m, 1.0))
        return viscous, molecular_conductance(self.bore_m, self.length_m) / viscous


@dataclass(frozen=True, slots=True)
class Prior:
    """Means and standard deviations of the figures."""

    mean: FloatArray
    sd: FloatArray


def prior(known: Known, level: float, speed: float, target_pa: float) -> Prior:
    """What is supposed before any reading.

    Parameters
    ----------
    known : Known
        Of the rig.
    level : float
        First ln P.
    speed : float
        Fastest fall of ln P that was seen [1/s]: where it begins if nothing is known.
    target_pa : float
        Target [Pa].
    """
    pump = known.pump_m3_s
    supposed = PUMP_M3_S if pump is None else PUMP_SHARE * pump
    hose = known.hose
    if hose is None:
        viscous = float(viscous_conductance(*HOSE_M, 1.0))
        molecular = molecular_conductance(*HOSE_M) / viscous
    else:
        viscous, molecular = hose
    pump_sd = PUMP_SD if pump is None else SPEED_SD
    hose_sd = HOSE_SD if hose is None else math.hypot(KNOWN_HOSE_SD, pump_sd)
    if known.volume_m3 is None:
        s, s_sd = math.log(max(speed, 1e-6)), 1.5
    else:
        s = math.log(supposed / known.volume_m3)
        s_sd = math.hypot(PUMP_SD, 0.2) if pump is None else SPEED_SD
    mean = [
        level,
        s,
        math.log(supposed / viscous),
        math.log(molecular) - KNUDSEN,
        math.log(ULTIMATE_PA if known.ultimate_pa is None else WORN * known.ultimate_pa),
        math.log(0.01 * target_pa),
        math.log(0.05 * target_pa),
        math.log(0.9),
    ]
    ultimate_sd = 1.0 if known.ultimate_pa is None else KNOWN_ULTIMATE_SD
    sd = [1.0, s_sd, hose_sd, 0.5 if hose is None else 0.2, ultimate_sd, 2.0, 2.7, 0.35]
    return Prior(np.array(mean), np.array(sd))


@dataclass(frozen=True, slots=True)
class Scene:
    """What the figures need beside themselves: target [Pa] and the time of the last reading [s]."""

    target_pa: float
    now_s: float


def pumped(
    p: FloatArray | float,
    s: FloatArray | float,
    h: FloatArray | float,
    m: FloatArray | float,
    u: FloatArray | float,
) -> tuple[FloatArray, FloatArray]:
    """What goes into the pump, over the volume [Pa/s], and how that grows with the pressure [1/s]."""
    b = h + m
    root = np.sqrt(b * b + p * (p + 2 * m) + 2 * h * u)
    inlet = (p * (p + 2 * m) + 2 * h * u) / (b + root)
    return s * (inlet - u), s * (p + m) / root


def through_hose(pressure_pa: float, known: Known, share: float) -> float:
    """Speed at the gauge of a pump that pulls this share of its rating, behind its hose if known [m³/s]."""
    assert known.pump_m3_s is not None
    pump = share * known.pump_m3_s
    if known.hose is None:
        return pump
    viscous, molecular_pa = known.hose
    ultimate_pa = known.ultimate_pa or 0.0
    taken = pumped(pressure_pa, pump, pump / viscous, molecular_pa, ultimate_pa)[0]
    # Next to nothing at its end, never less.
    return max(float(taken) / pressure_pa, 1e-3 * pump)


@dataclass(frozen=True, slots=True)
class Curves:
    """Many sets of figures, ready to be run; ``figures`` of shape (k, 8)."""

    s: FloatArray
    h: FloatArray
    m: FloatArray
    u: FloatArray
    steady: FloatArray
    dying: FloatArray
    power: FloatArray
    scene: Scene

    @staticmethod
    def of(figures: FloatArray, scene: Scene) -> Curves:
        """Take the logarithms back."""
        s, h, m, u, k, d, a = np.exp(np.clip(figures[:, SPEED:].T, -40.0, 40.0))
        left = pumped(np.full_like(s, scene.target_pa), s, h, m, np.zeros_like(s))[0] / scene.target_pa
        return Curves(s, h, m, u, left * k, left * d, a, scene)

    def load(self, t: FloatArray | float) -> FloatArray:
        """Gas that comes in, over the volume [Pa/s]."""
        age = (t + _SINCE_S) / (self.scene.now_s + _SINCE_S)
        return np.asarray(self.steady + self.dying * age**-self.power)

    def net(self, p: FloatArray, t: FloatArray | float) -> tuple[FloatArray, FloatArray]:
        """Fall of the pressure [Pa/s] and how that grows with it [1/s]."""
        taken, slope = pumped(p, self.s, self.h, self.m, self.u)
        return taken - self.load(t), slope


def run(figures: FloatArray, t: FloatArray, seen: FloatArray, scene: Scene) -> FloatArray:
    """ln P at times t, beginning from each set's own level at the first of them, shape (k, m).

    Parameters
    ----------
    figures : ndarray, shape (k, 8)
        Sets of figures.
    t, seen : ndarray, shape (m,)
        Times [s] and the ln P that was read there, which says how finely to step.
    """
    curves = Curves.of(figures, scene)
    y = np.empty((len(figures), len(t)))
    y[:, 0] = figures[:, LEVEL]
    p = np.exp(figures[:, LEVEL])
    pieces = np.clip(np.ceil(np.abs(np.diff(seen)) / _STEP), 1, _MOST_STEPS).astype(int)
    for at, count in enumerate(pieces.tolist()):
        step = (t[at + 1] - t[at]) / count
        for part in range(count):
            fall, slope = curves.net(p, t[at] + (part + 0.5) * step)
            p = np.maximum(p + fall * np.expm1(-slope * step) / slope, 1e-3)
        y[:, at + 1] = np.log(p)
    return y


def whitening(t: FloatArray, y: FloatArray, sd: FloatArray, wander: float) -> FloatArray:
    """Inverse of the square root of the errors' covariance.

    Noise of each mean, and a slow wander that grows with the fall of ln P and with ln t: no model is the
    truth, and the gauge drifts.
    """
    x = np.cumsum(np.append(0.0, np.abs(np.diff(y)) + 0.3 * np.diff(np.log(t + _SINCE_S))))
    covariance = wander**2 * np.minimum.outer(x, x) + np.diag(sd**2)
    return np.asarray(np.linalg.inv(np.linalg.cholesky(covariance)))


@dataclass(frozen=True, slots=True)
class Posterior:
    """Sets of figures that fit, drawn with their weights; the best one, and its residuals, whitened."""

    figures: FloatArray
    weight: FloatArray
    best: FloatArray
    residual: FloatArray
    level: float
    """ln P now, what the curve says and what was read weighed together."""
    chi2: float


def posterior(
    t: FloatArray,
    y: FloatArray,
    sd: FloatArray,
    supposed: Prior,
    scene: Scene,
    wander: float,
    draws: int,
    seed: int = 0,
) -> Posterior:
    """Fit from several starts at once (Levenberg and Marquardt), then draw around the best and weigh.

    Parameters
    ----------
    t, y, sd : ndarray, shape (m,)
        Times [s], mean ln P and its standard deviation.
    supposed : Prior
        Of the figures.
    scene : Scene
        Target and now.
    wander : float
        Of the errors, per square root of an e-fold.
    draws : int
        Sets to draw.
    seed : int
        Of the draws: the same readings give the same answer.
    """
    white = whitening(t, y, sd, wander)
    starts = _starts(supposed)
    best, cost, hessian = _climb(starts, t, y, white, supposed, scene)
    chosen = np.flatnonzero(cost < cost.min() + 12.0)
    rng = np.random.default_rng(seed)
    share = np.exp(-0.5 * (cost[chosen] - cost.min()))
    pieces, roots = [], []
    for place in chosen:
        values, vectors = np.linalg.eigh(hessian[place])
        roots.append(vectors / np.sqrt(np.maximum(values, 1e-6)))
    number = np.maximum((draws * share / share.sum()).astype(int), 1)
    inflate = 1.3
    for place, root, count in zip(chosen, roots, number, strict=True):
        pieces.append(best[place] + inflate * rng.standard_normal((int(count), FIGURES)) @ root.T)
    figures = np.concatenate(pieces)
    # The proposal is a mixture; each set is weighed against all of it.
    density = np.zeros(len(figures))
    for place, root, count in zip(chosen, roots, number, strict=True):
        z = (figures - best[place]) @ np.linalg.inv(root).T / inflate
        log_det = float(np.log(np.abs(np.linalg.det(root))))
        density += count * np.exp(np.clip(-0.5 * np.sum(z**2, axis=1) - log_det + _offset(roots), -600, 600))
    total = _cost(figures, t, y, white, supposed, scene)
    log_weight = -0.5 * (total - cost.min()) - np.log(np.maximum(density, 1e-300))
    weight = np.exp(log_weight - log_weight.max())
    # No single set may speak for all.
    weight = np.minimum(weight, 20.0 * weight.mean())
    winner = int(chosen[np.argmin(cost[chosen])])
    fitted = run(best[winner][None], t, y, scene)[0]
    level = _now(t, y, fitted, sd, wander)
    return Posterior(
        figures,
        weight / weight.sum(),
        best[winner],
        white @ (y - fitted),
        level,
        float(np.sum((white @ (y - fitted)) ** 2)),
    )


def _offset(roots: list[FloatArray]) -> float:
    return float(np.mean([np.log(np.abs(np.linalg.det(root))) for root in roots]))


def _starts(supposed: Prior) -> FloatArray:
    """The prior's middle, and a freer and a tighter hose."""
    starts = np.repeat(supposed.mean[None], 3, axis=0)
    starts[1, HOSE] -= 1.5 * supposed.sd[HOSE]
    starts[2, HOSE] += 1.5 * supposed.sd[HOSE]
    return starts


def _cost(
    figures: FloatArray, t: FloatArray, y: FloatArray, white: FloatArray, supposed: Prior, scene: Scene
) -> FloatArray:
    away = (y - run(figures, t, y, scene)) @ white.T
    far = (figures - supposed.mean) / supposed.sd
    return np.asarray(np.sum(away**2, axis=1) + np.sum(far**2, axis=1))


_ROUNDS = 14
_NUDGE = 1e-3


def _climb(
    starts: FloatArray, t: FloatArray, y: FloatArray, white: FloatArray, supposed: Prior, scene: Scene
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Best figures, their cost and its Hessian, of each start."""
    now, damping = starts.copy(), np.full(len(starts), 1e-2)
    k = len(starts)
    nudges = np.concatenate([np.zeros((1, FIGURES)), _NUDGE * np.eye(FIGURES)])
    cost = np.full(k, math.inf)
    trial = now.copy()
    hessian, gradient = np.zeros((k, FIGURES, FIGURES)), np.zeros((k, FIGURES))
    for turn in range(_ROUNDS):
        many = (trial[:, None] + nudges[None]).reshape(-1, FIGURES)
        away = ((y - run(many, t, y, scene)) @ white.T).reshape(k, FIGURES + 1, -1)
        far = (trial - supposed.mean) / supposed.sd
        new_cost = np.sum(away[:, 0] ** 2, axis=1) + np.sum(far**2, axis=1)
        better: BoolArray = np.isfinite(new_cost) & (new_cost < cost)
        slope = (away[:, 1:] - away[:, :1]) / _NUDGE
        new_hessian = np.einsum("kim,kjm->kij", slope, slope) + np.diag(1 / supposed.sd**2)
        new_gradient = np.einsum("kim,km->ki", slope, away[:, 0]) + far / supposed.sd
        small = bool(np.all(~better | (cost - new_cost < 1e-3)))
        now = np.where(better[:, None], trial, now)
        hessian = np.where(better[:, None, None], new_hessian, hessian)
        gradient = np.where(better[:, None], new_gradient, gradient)
        cost = np.where(better, new_cost, cost)
        damping = np.clip(np.where(better, damping / 5, damping * 6), 1e-8, 1e6)
        if small and turn > 3 and bool(np.all(better | (damping > 10))):
            break
        scaled = (
            hessian + damping[:, None, None] * np.eye(FIGURES) * np.einsum("kii->ki", hessian)[:, :, None]
        )
        trial = now - np.clip(np.linalg.solve(scaled, gradient[:, :, None])[:, :, 0], -1.5, 1.5)
    return now, cost, hessian


def _now(t: FloatArray, y: FloatArray, fitted: FloatArray, sd: FloatArray, wander: float) -> float:
    """ln P at the last mean: the curve, drawn towards the readings by as much as they deserve."""
    x = np.cumsum(np.append(0.0, np.abs(np.diff(y)) + 0.3 * np.diff(np.log(t + _SINCE_S))))
    signal = wander**2 * np.minimum.outer(x, x)
    gain = np.linalg.solve(signal + np.diag(sd**2), y - fitted)
    return float(fitted[-1] + signal[-1] @ gain)


def without_gas(figures: FloatArray) -> FloatArray:
    """The same rigs as if no gas came in and the pump had no end."""
    free = figures.copy()
    free[:, [ULTIMATE, STEADY, DYING]] = math.log(1e-6)
    return free


_STAGES = 64


def times_to(found: Posterior, scene: Scene, target_pa: float, wander: float, seed: int = 1) -> FloatArray:
    """Seconds from now until each set of figures comes to the target, infinite where it never does."""
    rng = np.random.default_rng(seed)
    curves = Curves.of(found.figures, scene)
    fall = found.level - math.log(target_pa)
    # What wanders on until then moves the level that counts as the target.
    end = math.log(target_pa) + wander * math.sqrt(max(fall, 0.0) + 0.1) * rng.standard_normal(
        len(found.weight)
    )
    step = (found.level - end) / _STAGES
    t = np.full(len(end), scene.now_s)
    done = np.zeros(len(end), dtype=bool)
    for at in range(_STAGES):
        p = np.exp(found.level - (at + 0.5) * step)
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            rate = curves.net(p, t)[0] / p
            # A load that dies away may let it through later: look again after half as long once more.
            wait = t.copy()
            for _ in range(6):
                stuck = rate <= 0
                if not np.any(stuck & (curves.dying > 0)):
                    break
                wait = np.where(stuck, wait * 1.5 + 1.0, wait)
                rate = np.where(stuck, curves.net(p, wait)[0] / p, rate)
            done |= rate <= 0
            t = np.maximum(t, wait) + np.where(rate > 0, step / np.maximum(rate, 1e-12), 0.0)
    return np.where(done, math.inf, np.maximum(t - scene.now_s, 0.0))

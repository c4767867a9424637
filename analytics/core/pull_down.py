"""A running pull-down: when the target will be reached, how well the pump pulls, and why the pressure stands.

An estimate; it never changes a verdict. In three steps:

1. `analytics.core.pull_cells`: readings in bounded memory, means of ln P with their errors.
2. `analytics.core.pull_model`: pump, hose and gas loads fitted, hundreds of sets of figures weighed; each is
   run on to the target. What is said is a quantile of them, at levels calibrated with simulated pull-downs of
   models that are not fitted (`bench.pulldown`).
3. Here and in `analytics.core.pull_words`: what it means.

Where the pressure stands above the target, only a lower bound is given: how much water lies behind a plateau
no curve tells. Free water is told from the rest by the pressure: it stands between the saturation pressure at
the surroundings' temperature and that of the ice to which boiling cools it, often near the triple point. A
pump at its limit, a leak or degassing in balance with the pump, and a gauge that is wet all make the same
flat line; isolating for five minutes tells them apart.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from analytics.core import pull_model
from analytics.core.pull_cells import Cells, Means, fold, means
from analytics.core.pull_model import PUMP_SHARE, Curves, Known, Posterior, Scene
from model.judgement import CERTAIN, Interval
from model.pull_down import PullDown, Speed, Stall, Standing, State, Until
from physics.types import FloatArray
from physics.water import saturation_pressure

__all__ = ["Cells", "Known", "PullDown", "Standing", "State", "Until", "fold", "judge"]

LEVELS = (0.035, 0.5, 0.97)
"""Quantiles of the weighed sets that are told as low, value and high: beyond 5 and 95 % because no set is the
truth. Chosen with seeds that nothing is reported from (`bench.pulldown`)."""

HORIZON = 30.0
"""A curve that would need this many times as long again as was seen does not tell its end. Own choice."""

NEVER = 0.05
"""From this share of sets that never come to the target on, the upper end stays open."""

WANDER = 0.016
"""Error of every model and wandering of the gauge, of ln P per square root of an e-fold. Own choice."""

FORECAST_WANDER = 2.5
"""How many times more of it lies ahead. Own choice."""

DRAWS = 400
FITTED = 40
_DEEP = 4.5
_HIGH_PA = 3e4
_BEGUN = 0.2
_LEAST = 3
_MISFIT = 1.5

STANDS = 0.1
"""Fall of ln P over the last 30 % of the time, or 90 s, below which it stands. Behind a hose it is 0.36."""

_WINDOW, _SHORTEST_S = 0.3, 90.0
_ROOM_K = 293.15
_WARMER_K = 5.0
_PERHAPS_K = (-10.0, -5.0, 0.0, 5.0)
"""How far from a room's temperature the wet spot's surroundings may be where nobody says: rather colder."""

TRIPLE_PA = 611.657
"""Of water [Pa]: Guildner, Johnson and Jones 1976."""

_NEAR_TRIPLE, _TRIPLE_LOGIT = 0.08, 1.5
"""Wet circuits often stall there (trade page); how much that speaks for water is our own choice."""

_WET_LOGIT = (2.0, 0.1, -1.5)
"""Of x = ln(saturation at the surroundings' temperature/P): 1, x, x². Fitted to simulated plateaus of free
water on one side, of worn pumps, leaks and wet gauges on the other (`bench.pulldown_curves`)."""

_SINCE = 0.15
_SLOWEST_PER_S = 1e-9
HELD_BACK = 0.5
"""Speed that is left, of what pump and hose explain, below which something else holds it back. Own choice."""


def judge(cells: Cells, target_pa: float, known: Known | None = None) -> PullDown:
    """Say what the readings of a pull-down so far tell.

    Parameters
    ----------
    cells : Cells
        The readings, see `fold`.
    target_pa : float
        Target [Pa].
    known : Known, optional
        What is known of the rig.
    """
    known = Known() if known is None else known
    if not len(cells.rows):
        return PullDown(State.EARLY)
    every = means(cells, 4 * FITTED)
    level, fall, window_s = _window(every)
    pressure = math.exp(level)
    if pressure <= target_pa:
        return PullDown(State.REACHED, pressure)
    stall = _stall(every, level, fall, window_s, target_pa, known)
    used = moving(means(cells, FITTED))
    if len(used.t) < _LEAST or used.y[0] - used.y[-1] < 2 * _BEGUN:
        if stall is None:
            return PullDown(State.EARLY, pressure)
        return PullDown(State.STANDING, pressure, Until(None, 0.0, None, 1.0), stall=stall)
    scene = Scene(target_pa, float(used.t[-1]))
    found, wander = _fitted(used, scene, known)
    until = _until(found, scene, target_pa, wander, stall is not None)
    best = _speed(found, scene, float(np.exp(used.y[0])), known)
    # Where it stands, gas that comes in and a pump that pulls no more make one curve: no speed is told.
    now = None if stall is not None else _speed(found, scene, pressure, known)
    state = State.FALLING if stall is None else State.STANDING
    return PullDown(state, pressure, until, best, now, _load_share(found, scene, pressure), stall)


def standing(cells: Cells, target_pa: float, known: Known | None = None) -> Stall | None:
    """Whether the pressure stands above the target, and why: without any fit.

    Parameters
    ----------
    cells, target_pa, known
        As `judge` takes them.
    """
    if not len(cells.rows):
        return None
    every = means(cells, 4 * FITTED)
    return _stall(every, *_window(every), target_pa, Known() if known is None else known)


def moving(all_of: Means) -> Means:
    """The means in which the pressure falls, and not much above where it is now.

    Near the atmosphere a hose chokes, and when the pump started is not known; what happened there
    tells little of what comes.
    """
    keep = np.ones(len(all_of.t), dtype=bool)
    if all_of.y[0] > math.log(_HIGH_PA):
        fallen = all_of.y < all_of.y[0] - _BEGUN
        if not fallen.any():
            keep[:] = False
        else:
            keep &= np.arange(len(keep)) >= int(np.argmax(fallen))
    deep = all_of.y < all_of.y[-1] + _DEEP
    if np.count_nonzero(keep & deep) >= 8:
        keep &= deep
    return Means(all_of.t[keep], all_of.y[keep], all_of.n[keep], all_of.sd[keep])


def _fitted(used: Means, scene: Scene, known: Known) -> tuple[Posterior, float]:
    """The weighed sets, and the wander with which they fit."""
    fastest = float(np.max(-np.diff(used.y) / np.maximum(np.diff(used.t), 1e-3)))
    supposed = pull_model.prior(known, float(used.y[0]), fastest, scene.target_pa)
    found = pull_model.posterior(used.t, used.y, used.sd, supposed, scene, WANDER, DRAWS)
    misfit = found.chi2 / len(used.t)
    if misfit <= _MISFIT:
        return found, WANDER
    # Where no curve fits, all intervals widen.
    more = math.sqrt(min(misfit, 100.0))
    wander = WANDER * more
    return pull_model.posterior(used.t, used.y, used.sd * more, supposed, scene, wander, DRAWS), wander


def _quantiles(values: FloatArray, weight: FloatArray, levels: tuple[float, ...]) -> list[float]:
    order = np.argsort(values)
    at = np.searchsorted(np.cumsum(weight[order]), levels)
    return [float(values[order][min(int(place), len(order) - 1)]) for place in at]


def _until(found: Posterior, scene: Scene, target_pa: float, wander: float, stands: bool) -> Until:
    seconds = pull_model.times_to(found, scene, target_pa, FORECAST_WANDER * wander)
    seconds = np.where(seconds > HORIZON * max(scene.now_s, _SHORTEST_S), math.inf, seconds)
    never = float(found.weight[~np.isfinite(seconds)].sum())
    low, value, high = _quantiles(seconds, found.weight, LEVELS)
    # Nothing but infinite: the curve as it is now bends to an end above the target.
    longest = float(np.max(seconds[np.isfinite(seconds)], initial=0.0))
    low = low if math.isfinite(low) else longest
    if stands:
        free = replace(found, figures=pull_model.without_gas(found.figures))
        freed = pull_model.times_to(free, scene, target_pa, wander)
        return Until(None, _quantiles(freed, found.weight, LEVELS[:1])[0], None, never)
    told = value if math.isfinite(value) and never < 0.5 else None
    return Until(told, low, high if math.isfinite(high) and never < NEVER else None, never)


def _speed(found: Posterior, scene: Scene, pressure_pa: float, known: Known) -> Speed:
    """What goes into the pump at a pressure, over that pressure."""
    curves = Curves.of(found.figures, scene)
    at = np.full(len(found.weight), pressure_pa)
    # A pump at its end pulls next to nothing, never less.
    per_s = np.maximum((curves.net(at, scene.now_s)[0] + curves.load(scene.now_s)) / at, _SLOWEST_PER_S)
    low, value, high = _quantiles(per_s, found.weight, (0.05, 0.5, 0.95))
    rate = Interval(value, low, high)
    if known.volume_m3 is None:
        return Speed(pressure_pa, rate)
    volume = known.volume_m3
    wide = [math.hypot(math.log(value / end), math.log(1.3)) for end in (low, high)]
    speed = Interval(value * volume, value * volume / math.exp(wide[0]), value * volume * math.exp(wide[1]))
    if known.pump_m3_s is None:
        return Speed(pressure_pa, rate, speed)
    explained = (
        None if known.hose is None else speed.value / pull_model.through_hose(pressure_pa, known, PUMP_SHARE)
    )
    return Speed(
        pressure_pa,
        rate,
        speed,
        speed.value / known.pump_m3_s,
        explained,
        explained is not None and speed.high < HELD_BACK * speed.value / explained,
    )


def _load_share(found: Posterior, scene: Scene, pressure_pa: float) -> float:
    curves = Curves.of(found.figures, scene)
    load = curves.load(scene.now_s)
    net = curves.net(np.full(len(found.weight), pressure_pa), scene.now_s)[0]
    return _quantiles(np.clip(load / np.maximum(net + load, 1e-12), 0.0, 1.0), found.weight, (0.5,))[0]


# Where it stands -----------------------------------------------------------------------------------------


def _window(every: Means) -> tuple[float, float, float]:
    """ln P now and its fall over the last 30 % of the time, by a straight line; and how long that is [s]."""
    now = float(every.t[-1])
    window = max(_WINDOW * now, _SHORTEST_S)
    late = every.t >= now - window
    if np.count_nonzero(late) < 2:
        return float(every.y[-1]), math.inf, window
    t, y, w = every.t[late] - now, every.y[late], 1.0 / every.sd[late] ** 2
    middle = float(np.sum(w * t) / np.sum(w))
    slope = float(np.sum(w * (t - middle) * y) / max(float(np.sum(w * (t - middle) ** 2)), 1e-12))
    if float(t[-1] - t[0]) < 0.4 * window:
        return float(every.y[-1]), math.inf, window
    level = float(np.sum(w * y) / np.sum(w)) - slope * middle
    # A line through a bend ends too low.
    last = every.y[-1] if every.n[-1] > 4 else float(np.median(every.y[-3:]))
    return max(level, float(last) - 3 * float(every.sd[-1])), -slope * window, window


def _stall(
    every: Means, level: float, fall: float, window_s: float, target_pa: float, known: Known
) -> Stall | None:
    pressure = math.exp(level)
    if fall >= STANDS or every.t[-1] < _SHORTEST_S or not 1.05 * target_pa < pressure < _HIGH_PA:
        return None
    if every.y[0] - level < 2 * _BEGUN and every.y[0] > math.log(_HIGH_PA):
        return None
    ambient = _ROOM_K if known.ambient_k is None else known.ambient_k
    saturation = float(saturation_pressure(ambient))
    near_triple = abs(math.log(pressure / TRIPLE_PA)) < _NEAR_TRIPLE
    perhaps = (0.0,) if known.ambient_k is not None else _PERHAPS_K
    water = sum(_water(pressure, ambient + change, near_triple) for change in perhaps) / len(perhaps)
    lasting = every.y > level + _SINCE
    knee = int(np.flatnonzero(lasting)[-1]) if lasting.any() else 0
    named = Standing.UNCLEAR
    if water >= CERTAIN:
        named = Standing.WATER
    elif water <= 1 - CERTAIN:
        named = Standing.DEGASSING if fall > 0.6 * STANDS else Standing.BALANCE
    return Stall(
        pressure,
        float(every.t[-1] - every.t[knee]),
        water,
        named,
        near_triple,
        saturation,
        3600.0 * fall / window_s,
    )


def _water(pressure_pa: float, ambient_k: float, near_triple: bool) -> float:
    """Probability that free water holds a pressure, at a temperature of the surroundings."""
    if pressure_pa > float(saturation_pressure(ambient_k + _WARMER_K)):
        return 0.0
    x = math.log(float(saturation_pressure(ambient_k)) / pressure_pa)
    logit = _WET_LOGIT[0] + _WET_LOGIT[1] * x + _WET_LOGIT[2] * x * x + _TRIPLE_LOGIT * near_triple
    return 1.0 / (1.0 + math.exp(-max(min(logit, 30.0), -30.0)))

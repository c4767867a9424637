"""A first estimate of why the pressure rose: leak, water, gas from oil and walls, or nothing to speak of.

An estimate; it never changes a verdict. Four shapes are fitted to the readings after settling and weighed by
the Bayesian information criterion [1]_:

=============== ============================== ==============================================
shape           P(t)                           stands for
=============== ============================== ==============================================
straight        c + a·t                        leak from the atmosphere: choked flow, constant inflow
saturating      c + A·(1 − exp(−t/τ))          free water evaporating towards saturation
both            c + a·t + A·(1 − exp(−t/τ))    leak and water
tail            c + B·√t or c + B·ln(1 + t/t₁) bound water and gas from oil and walls
=============== ============================== ==============================================

A component counts when it adds more than a tenth of the permitted rise over the hold; where none does, the
circuit is called tight. With a thermometer the pressure is first corrected to the start's temperature by the
gas law. No other temperature effect is corrected here, so over a warm morning the estimate is a rough one.

References
----------
.. [1] Schwarz, G. (1978). Estimating the dimension of a model. Annals of Statistics 6(2), 461-464.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from model.judgement import Cause, Diagnosis, Interval
from physics.gas import vapour_mass
from physics.types import FloatArray
from physics.units import MICRON_PA
from physics.water import saturation_pressure, saturation_temperature

COMPONENT_SHARE = 0.1
"""Share of the permitted rise that a component must add to count."""

CERTAIN = 0.7
"""A cause is named from this probability on."""

SCALE_ERROR = 0.1
"""Scale error of a heat-conduction gauge, half-width of 90 % [trade page, from memory]."""

VOLUME_ERROR = 0.3
"""Error of a volume entered by a crew, half-width of 90 % [trade page]."""

_BINS = 60
_LEAST = 8
_Z90 = 1.6449
_DOUBT = 0.02
"""Weight left to each cause for what no shape here describes."""
_ROOM_K = 293.15
_PROPORTIONAL = 0.002
_INFLATED = 1.5
"""Noise of gauges is not white, and none of the shapes is exact: variances are taken so much larger."""
_SEARCHED = 2.0


@dataclass(frozen=True, slots=True)
class _Fit:
    """One fitted shape.

    Sizes are what a part adds from settling to the end of the planned hold, with a standard deviation [Pa].
    """

    bic: float
    slope: float
    slope_sd: float
    straight: tuple[float, float]
    bent: tuple[float, float]
    tail: tuple[float, float]
    vapour_pa: float = 0.0
    """What the bent part has added since the valve closed [Pa]."""


def diagnose(
    time_s: FloatArray,
    pressure_pa: FloatArray,
    temperature_k: FloatArray | None = None,
    *,
    start_pa: float | None,
    limit_pa: float | None,
    settle_s: float,
    hold_s: float,
    volume_m3: float | None = None,
    top_pa: float | None = None,
) -> Diagnosis:
    """Estimate the cause of what a hold showed.

    Parameters
    ----------
    time_s, pressure_pa : ndarray, shape (n,)
        Readings of the deciding gauge inside the hold; seconds since the valve closed [s], [Pa].
    temperature_k : ndarray, shape (n,), optional
        Temperature of the circuit at those times [K], NaN where unknown.
    start_pa, limit_pa : float or None
        Start value and permitted value [Pa].
    settle_s, hold_s : float
        Settling time and planned length [s].
    volume_m3 : float or None
        Volume of the circuit [m³].
    top_pa : float or None
        Top of the gauge's range [Pa]: readings there tell nothing of the shape.

    Returns
    -------
    Diagnosis
        Unclear where fewer than eight points are left.
    """
    t, p, kelvin = _prepared(time_s, pressure_pa, temperature_k, settle_s, top_pa)
    if len(t) < _LEAST or t[-1] <= t[0]:
        return _gross(pressure_pa, kelvin, top_pa) or _too_little()
    start = float(p[0]) if start_pa is None else start_pa
    permitted = max((limit_pa if limit_pa is not None else 2.0 * start) - start, 0.1 * abs(start), 0.1)
    fits = _fits(t, p, settle_s, max(hold_s, float(t[-1])))
    weights = _weights(fits)
    probabilities = _probabilities(fits, weights, permitted)
    best = max(probabilities, key=lambda cause: probabilities[cause])
    cause = Cause(best) if probabilities[best] >= CERTAIN else Cause.UNCLEAR
    leak = _leak(fits, weights)
    end_pa = float(np.median(p[-3:]))
    water_pa = float(sum(w * min(fit.vapour_pa, end_pa) for w, fit in zip(weights, fits, strict=True)))
    wet = cause in (Cause.MOISTURE, Cause.LEAK_AND_MOISTURE)
    vapour_pa = min(max(water_pa, 0.0), max(end_pa, 0.0)) if wet else None
    return Diagnosis(
        cause=cause,
        probabilities=probabilities,
        evidence=_evidence(t, p, end_pa, limit_pa, kelvin, start, permitted),
        leak_pa_per_s=_interval(leak, SCALE_ERROR),
        leak_pa_m3_per_s=None
        if volume_m3 is None
        else _interval((leak[0] * volume_m3, leak[1] * volume_m3), math.hypot(SCALE_ERROR, VOLUME_ERROR)),
        vapour_pa=vapour_pa,
        vapour_g=None
        if vapour_pa is None or volume_m3 is None
        else 1000.0 * vapour_mass(vapour_pa, volume_m3, kelvin or _ROOM_K),
        equilibrium_temperature_k=saturation_temperature(end_pa) if wet and end_pa > 0 else None,
        advice=_advice(cause),
    )


def _gross(pressure_pa: FloatArray, kelvin: float | None, top_pa: float | None) -> Diagnosis | None:
    """What a run to the gauge's top says before there is a shape to fit."""
    if top_pa is None or np.count_nonzero(pressure_pa >= top_pa * (1 - 1e-6)) < 3:
        return None
    causes = [cause.value for cause in Cause if cause is not Cause.UNCLEAR]
    saturated = saturation_pressure(_ROOM_K if kelvin is None else kelvin)
    # Water stops at saturation; below it, water that flashes is nearly as fast as a hole.
    leak = 0.8 if top_pa > saturated else 0.5
    probabilities = dict.fromkeys(causes, (1.0 - leak) / (len(causes) - 1))
    probabilities[Cause.LEAK] = leak
    cause = Cause.LEAK if leak >= CERTAIN else Cause.UNCLEAR
    said = "The gauge ran to the top of its range at once" + (
        ", past what water could reach: something is open."
        if leak >= CERTAIN
        else ": something is open, or much water is in it."
    )
    return Diagnosis(cause, probabilities, (said,), advice=_advice(cause))


def _too_little() -> Diagnosis:
    causes = [cause.value for cause in Cause if cause is not Cause.UNCLEAR]
    return Diagnosis(
        Cause.UNCLEAR,
        dict.fromkeys(causes, 1.0 / len(causes)),
        ("Too few readings after settling to tell one shape from another.",),
        advice="Blank the rig off and test it alone first, then repeat the hold with a working gauge.",
    )


def _prepared(
    time_s: FloatArray,
    pressure_pa: FloatArray,
    temperature_k: FloatArray | None,
    settle_s: float,
    top_pa: float | None,
) -> tuple[FloatArray, FloatArray, float | None]:
    """Readings after settling, below the top, at the start's temperature, as medians of 60 stretches."""
    use = np.isfinite(time_s) & np.isfinite(pressure_pa) & (time_s >= settle_s)
    if top_pa is not None:
        use &= pressure_pa < top_pa * (1 - 1e-6)
    t, p = time_s[use], pressure_pa[use]
    kelvin: float | None = None
    if temperature_k is not None and np.isfinite(temperature_k[use]).any():
        known = np.isfinite(temperature_k)
        steady = np.interp(t, time_s[known], temperature_k[known])
        kelvin = float(steady[0])
        p = p * kelvin / steady
    if len(t) <= 2 * _BINS:
        return t, p, kelvin
    edges = np.linspace(t[0], t[-1], _BINS + 1)
    cuts = np.searchsorted(t, edges[1:-1])
    pieces = [(a, b) for a, b in zip(np.split(t, cuts), np.split(p, cuts), strict=True) if len(a)]
    return (
        np.array([float(np.mean(a)) for a, _ in pieces]),
        np.array([float(np.median(b)) for _, b in pieces]),
        kelvin,
    )


def _noise(p: FloatArray) -> FloatArray:
    """Noise of each point [Pa]: from second differences, which a smooth curve does not enter."""
    bends = np.abs(p[2:] - 2 * p[1:-1] + p[:-2]) / math.sqrt(6.0)
    scale = np.maximum(np.abs(p[1:-1]), 1e-3)
    relative = 1.4826 * float(np.median(bends / scale))
    return np.maximum(max(relative, _PROPORTIONAL) * np.abs(p), 0.02)


def _fits(t: FloatArray, p: FloatArray, settle_s: float, end_s: float) -> list[_Fit]:
    """Fit every shape; where a shape has a time constant, the best of a grid that is refined once."""
    sigma = _noise(p)
    span = float(t[-1] - t[0])

    def straight() -> _Fit | None:
        return _fit("straight", [t - settle_s], [end_s - settle_s], p, sigma)

    def bent(tau: float, beside: bool) -> _Fit | None:
        column, end = 1 - np.exp(-(t - settle_s) / tau), 1 - math.exp(-(end_s - settle_s) / tau)
        columns, ends = ([t - settle_s, column], [end_s - settle_s, end]) if beside else ([column], [end])
        fit = _fit("both" if beside else "bent", columns, ends, p, sigma)
        if fit is None:
            return None
        # Drawn back to the closing of the valve: settling hides the steepest part.
        whole = fit.bent[0] / end * math.exp(settle_s / tau) * (1 - math.exp(-float(t[-1]) / tau))
        return replace(fit, vapour_pa=whole)

    def tail(first_s: float | None) -> _Fit | None:
        # A tail begins when the valve closes: settling has taken its steepest part away.
        if first_s is None:
            column, end, begin = np.sqrt(np.maximum(t, 0.0)), math.sqrt(end_s), math.sqrt(settle_s)
        else:
            column = np.log1p(np.maximum(t, 0.0) / first_s)
            end, begin = math.log1p(end_s / first_s), math.log1p(settle_s / first_s)
        return _fit("tail", [column], [end - begin], p, sigma)

    # Beside a straight line a slower saturation than this is not told from another straight line.
    fits = [
        straight(),
        _searched(lambda tau: bent(tau, False), span / 20, span * 1.2),
        _searched(lambda tau: bent(tau, True), span / 20, span / 1.5),
        tail(None),
        _searched(tail, span / 300, span / 10),
    ]
    return [fit for fit in fits if fit is not None]


def _searched(make: Callable[[float], _Fit | None], low: float, high: float) -> _Fit | None:
    best: _Fit | None = None
    middle = 0.0
    step = (high / low) ** (1 / 11)
    for power in range(12):
        fit = make(low * step**power)
        if fit is not None and (best is None or fit.bic < best.bic):
            best, middle = fit, low * step**power
    for power in range(-5, 6):
        fit = make(middle * step ** (power / 6)) if best is not None else None
        if fit is not None and best is not None and fit.bic < best.bic:
            best = fit
    return best


def _fit(
    name: str, columns: list[FloatArray], ends: list[float], p: FloatArray, sigma: FloatArray
) -> _Fit | None:
    design = np.column_stack([np.ones_like(p), *columns]) / sigma[:, None]
    goal = p / sigma
    normal = design.T @ design
    try:
        inverse = np.linalg.inv(normal)
    except np.linalg.LinAlgError:
        return None
    sizes = inverse @ (design.T @ goal)
    if name != "straight" and bool(np.any(sizes[1:] <= 0)):
        return None  # Nothing leaves an isolated circuit by itself: only a straight line may fall, by noise.
    left = goal - design @ sizes
    parameters = len(sizes) + (0 if name == "straight" else 1)
    bic = float(left @ left) / _INFLATED + parameters * math.log(len(p))
    # A time constant that was searched for makes the rest less certain than at a known one.
    spread = math.sqrt(_INFLATED) * (_SEARCHED if name == "both" else 1.0)
    sds = [spread * math.sqrt(max(float(inverse[i, i]), 0.0)) for i in range(len(sizes))]
    adds = [float(size) * end for size, end in zip(sizes[1:], ends, strict=True)]
    add_sds = [sd * end for sd, end in zip(sds[1:], ends, strict=True)]
    nothing = (0.0, 0.0)
    leaks = name in ("straight", "both")
    return _Fit(
        bic=bic,
        slope=float(sizes[1]) if leaks else 0.0,
        slope_sd=sds[1] if leaks else 0.0,
        straight=(adds[0], add_sds[0]) if leaks else nothing,
        bent=(adds[-1], add_sds[-1]) if name in ("bent", "both") else nothing,
        tail=(adds[0], add_sds[0]) if name == "tail" else nothing,
    )


def _weights(fits: list[_Fit]) -> FloatArray:
    bics = np.array([fit.bic for fit in fits])
    # Where even the best shape fits badly, its misfit is the noise: the shapes are wrong by as much.
    temper = max(1.0, float(bics.min()) / _BINS)
    weights: FloatArray = np.exp(-(bics - bics.min()) / (2 * temper))
    result: FloatArray = weights / weights.sum()
    return result


def _probabilities(fits: list[_Fit], weights: FloatArray, permitted: float) -> dict[str, float]:
    total = {cause.value: _DOUBT for cause in Cause if cause is not Cause.UNCLEAR}
    least = COMPONENT_SHARE * permitted
    for fit, weight in zip(fits, weights, strict=True):
        leaks, wets, outgasses = (_counts(part, least) for part in (fit.straight, fit.bent, fit.tail))
        for cause, share in (
            (Cause.LEAK_AND_MOISTURE, leaks * wets),
            (Cause.LEAK, leaks * (1 - wets)),
            (Cause.MOISTURE, wets * (1 - leaks)),
            (Cause.OUTGASSING, outgasses),
            (Cause.TIGHT, (1 - leaks) * (1 - wets) * (1 - outgasses)),
        ):
            total[cause.value] += float(weight) * share
    everything = sum(total.values())
    return {cause: value / everything for cause, value in total.items()}


def _counts(part: tuple[float, float], least: float) -> float:
    """Probability that a part is larger than the least that counts."""
    size, sd = part
    if sd <= 0:
        return 1.0 if size > least else 0.0
    return 0.5 * (1 + math.erf((size - least) / (sd * math.sqrt(2.0))))


def _leak(fits: list[_Fit], weights: FloatArray) -> tuple[float, float]:
    """Slope of the straight part over all shapes, and its standard deviation in and between them [Pa/s]."""
    slopes = np.array([fit.slope for fit in fits])
    spreads = np.array([fit.slope_sd for fit in fits])
    mean = float(weights @ slopes)
    return mean, math.sqrt(float(weights @ (spreads**2 + (slopes - mean) ** 2)))


def _interval(estimate: tuple[float, float], relative: float) -> Interval:
    value, sd = max(estimate[0], 0.0), estimate[1]
    half = math.hypot(_Z90 * sd, relative * value)
    return Interval(value, max(value - half, 0.0), value + half)


def _evidence(
    t: FloatArray,
    p: FloatArray,
    end_pa: float,
    limit_pa: float | None,
    kelvin: float | None,
    start: float,
    permitted: float,
) -> tuple[str, ...]:
    third = max(len(t) // 3, 2)
    early = _slope(t[:third], p[:third])
    late = _slope(t[-third:], p[-third:])
    rise = end_pa - start
    said = [
        f"After settling the pressure changed by {rise / MICRON_PA:+.0f} micron ({rise:+.1f} Pa), "
        f"{100 * rise / permitted:.0f} % of what is permitted."
    ]
    if abs(rise) > COMPONENT_SHARE * permitted and early > 0:
        ratio = late / early
        if ratio > 0.8:
            said.append(
                f"The last third rises {ratio:.1f} times as fast as the first: a rise that goes on "
                "speaks for a leak."
            )
        elif ratio > 0.25:
            said.append(
                f"The last third rises {ratio:.2f} times as fast as the first: it bends over, which "
                "speaks for water or gas from oil and walls, and still goes on."
            )
        else:
            said.append("The rise has nearly levelled off, which speaks for water and against a leak.")
    if rise > COMPONENT_SHARE * permitted and end_pa > 0:
        warm = _ROOM_K if kelvin is None else kelvin
        if end_pa < 0.8 * saturation_pressure(warm):
            said.append(
                "The pressure is below the saturation pressure of water at the circuit's temperature: if it "
                "is water, it is bound, in a colder spot, or has not come to its plateau."
            )
    if kelvin is None:
        said.append("No temperature was reported; warming or cooling may have changed the shape.")
    return tuple(said)


def _slope(t: FloatArray, p: FloatArray) -> float:
    x = t - t.mean()
    square = float(x @ x)
    return float(x @ (p - p.mean())) / square if square > 0 else 0.0


def _advice(cause: Cause) -> str:
    rig = "Blank the rig off (hoses, core tool, gauge fitting) and test it alone first. "
    return {
        Cause.TIGHT: "No need to act on this hold; a vacuum hold does not replace a pressure test.",
        Cause.LEAK: rig + "If it holds, look for a leak of about this size, isolating section by section.",
        Cause.MOISTURE: rig
        + "If it holds, dry more: pump longer and warm the circuit, perhaps break with dry nitrogen.",
        Cause.LEAK_AND_MOISTURE: rig + "If it holds, find the leak before drying on: it lets in damp air.",
        Cause.OUTGASSING: rig
        + "If it holds, pump longer and warm the circuit; then repeat with a longer hold.",
        Cause.UNCLEAR: rig
        + "A longer hold, a thermometer on the circuit, or isolating a section would tell leak from water.",
    }[cause]

"""A first estimate of why the pressure rose: leak, water, gas from oil and walls, or nothing to speak of.

An estimate; it never changes a verdict. Shapes are fitted to the readings after settling and weighed, see
`analytics.core.shapes`:

=============== ====================================== ==============================================
shape           P(t)                                   stands for
=============== ====================================== ==============================================
straight        c + a·t                                leak from the atmosphere: choked flow, constant
saturating      c + Σ A·(1 − exp(−t/τ)), one or two τ  water evaporating towards a plateau
both            c + a·t + A·(1 − exp(−t/τ))            leak and water
tail            c + B·√t or c + B·ln(1 + t/t₁)         bound water and gas from oil and walls
both            c + a·t + B·√t or B·ln(1 + t/t₁)       leak and such gas
=============== ====================================== ==============================================

A part counts when it adds more than a quarter of the permitted rise over the hold; where none does, the
circuit is called tight. Water that has not levelled off may hide a leak as large as what it still rises by,
so it is not named alone before it does. With a thermometer the pressure is first corrected to the start's
temperature by the gas law. No other temperature effect is corrected here, so over a warm morning the
estimate is a rough one.
"""

from __future__ import annotations

import math

import numpy as np

from analytics.core.shapes import Fit, Fits, Part, fit_shapes
from model.judgement import Cause, Diagnosis, Interval
from physics.gas import vapour_mass
from physics.types import FloatArray
from physics.units import MICRON_PA
from physics.water import saturation_pressure, saturation_temperature

COMPONENT_SHARE = 0.25
"""Share of the permitted rise that a part must add to count. Our own choice."""

SIZE_ERROR = 0.15
"""Standard deviation of a part's size for what the shapes do not describe: the share is no sharp edge."""

HIDDEN = 0.4
"""Probability that water whose rise has not levelled off hides a leak as large as what it still rises by. Our
own choice: the spectrum of oil and walls is not known well enough to tell one from the other."""

LEVELLED = 0.1
"""Last speed of the rise, as a share of its mean, at which half of that doubt is gone. Our own choice."""

CERTAIN = 0.7
"""A cause is named from this probability on."""

SCALE_ERROR = 0.1
"""Scale error of a heat-conduction gauge, half-width of 90 % [trade page, from memory]."""

VOLUME_ERROR = 0.3
"""Error of a volume entered by a crew, half-width of 90 % [trade page]."""

WORDS = {
    Cause.TIGHT: "nothing to speak of",
    Cause.LEAK: "a leak",
    Cause.MOISTURE: "moisture alone",
    Cause.LEAK_AND_MOISTURE: "a leak with moisture",
    Cause.OUTGASSING: "gas from oil and walls",
}

_BINS = 60
_LEAST = 8
_Z90 = 1.6449
_ROOM_K = 293.15


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
    t, p, kelvin, step_pa = _prepared(time_s, pressure_pa, temperature_k, settle_s, top_pa)
    if len(t) < _LEAST or t[-1] <= t[0]:
        return _gross(pressure_pa, kelvin, top_pa) or _too_little()
    start = float(p[0]) if start_pa is None else start_pa
    permitted = max((limit_pa if limit_pa is not None else 2.0 * start) - start, 0.1 * abs(start), 0.1)
    fits = fit_shapes(
        t,
        p,
        settle_s=settle_s,
        end_s=max(hold_s, float(t[-1])),
        step_pa=step_pa,
        warmth_known=kelvin is not None,
    )
    probabilities = _probabilities(fits, permitted, int(np.count_nonzero(time_s >= settle_s)))
    end_pa = float(np.median(p[-3:]))
    if limit_pa is not None and max(start, float(np.median(pressure_pa[-3:]))) > limit_pa:
        run = _gross(pressure_pa, kelvin, top_pa)
        if run is not None and probabilities[Cause.TIGHT] > 1.0 - CERTAIN:
            # What ran to the top left only the flat part before it to be fitted.
            return run
        steam = saturation_pressure(_ROOM_K if kelvin is None else kelvin)
        probabilities = _not_tight(probabilities, start > max(limit_pa, steam))
    best = max(probabilities, key=lambda cause: probabilities[cause])
    cause = Cause(best) if probabilities[best] >= CERTAIN else Cause.UNCLEAR
    leak = _leak(fits)
    water_pa = sum(fit.weight * min(fit.vapour_pa, end_pa) for fit in fits.members)
    wet = cause in (Cause.MOISTURE, Cause.LEAK_AND_MOISTURE)
    vapour_pa = min(max(water_pa, 0.0), max(end_pa, 0.0)) if wet else None
    return Diagnosis(
        cause=cause,
        probabilities=probabilities,
        evidence=_evidence(cause, probabilities, t, p, end_pa, limit_pa, kelvin, start, permitted),
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
) -> tuple[FloatArray, FloatArray, float | None, float]:
    """Readings after settling, below the top, at the start's temperature, as medians of 60 stretches."""
    use = np.isfinite(time_s) & np.isfinite(pressure_pa) & (time_s >= settle_s)
    if top_pa is not None:
        use &= pressure_pa < top_pa * (1 - 1e-6)
    t, p = time_s[use], pressure_pa[use]
    kelvin: float | None = None
    step_pa = _step(p)
    if temperature_k is not None and np.isfinite(temperature_k[use]).any():
        known = np.isfinite(temperature_k)
        steady = np.interp(t, time_s[known], temperature_k[known])
        kelvin = float(steady[0])
        p = p * kelvin / steady
    if len(t) <= 2 * _BINS:
        return t, p, kelvin, step_pa
    edges = np.linspace(t[0], t[-1], _BINS + 1)
    cuts = np.searchsorted(t, edges[1:-1])
    pieces = [(a, b) for a, b in zip(np.split(t, cuts), np.split(p, cuts), strict=True) if len(a)]
    return (
        np.array([float(np.mean(a)) for a, _ in pieces]),
        np.array([float(np.median(b)) for _, b in pieces]),
        kelvin,
        step_pa,
    )


def _step(p: FloatArray) -> float:
    """Step of the gauge's display [Pa]: it shows where values come again and again."""
    values = np.unique(p)
    return float(np.median(np.diff(values))) if 1 < len(values) < len(p) / 2 else 0.0


def _probabilities(fits: Fits, permitted: float, n: int) -> dict[str, float]:
    # What is left to each cause for what no shape here describes: more, the fewer the readings and the worse
    # the best shape fits.
    doubt = (0.005 + 0.25 / math.sqrt(n)) * max(1.0, fits.misfit)
    total = {cause.value: min(doubt, 0.2) for cause in Cause if cause is not Cause.UNCLEAR}
    least = COMPONENT_SHARE * permitted
    for fit in fits.members:
        leaks, wets, outgasses = (_counts(part, least) for part in (fit.straight, fit.bent, fit.tail))
        beside = 1 - (1 - wets) * (1 - outgasses)
        hides = _hides(fit, least)
        for cause, share in (
            # Gas from oil and walls beside a leak goes under the same name: the next step is the same.
            (Cause.LEAK_AND_MOISTURE, leaks * beside + wets * (1 - leaks) * hides),
            (Cause.LEAK, leaks * (1 - beside)),
            (Cause.MOISTURE, wets * (1 - leaks) * (1 - hides)),
            (Cause.OUTGASSING, outgasses * (1 - wets) * (1 - leaks)),
            (Cause.TIGHT, (1 - leaks) * (1 - beside)),
        ):
            total[cause.value] += fit.weight * share
    everything = sum(total.values())
    return {cause: value / everything for cause, value in total.items()}


def _not_tight(probabilities: dict[str, float], gross: bool) -> dict[str, float]:
    """What is over the limit is not tight, however flat it runs there; the others share what tight had.

    ``gross``: before settling was over the pressure was above what water could hold, so air came in.
    """
    others = {cause: share for cause, share in probabilities.items() if cause != Cause.TIGHT}
    if gross:
        others[Cause.LEAK] += probabilities[Cause.TIGHT]
    whole = sum(others.values())
    return {cause: others.get(cause, 0.0) / whole for cause in probabilities}


def _hides(fit: Fit, least: float) -> float:
    """Probability that a leak hides in what a bent part still rises by; small where that has levelled."""
    if fit.hidden_pa <= 0:
        return 0.0
    going_on = fit.hidden_pa / max(fit.bent.size, 1e-9)
    return HIDDEN * going_on / (going_on + LEVELLED) * _counts(Part(fit.hidden_pa), least)


def _counts(part: Part, least: float) -> float:
    """Probability that a part is larger than the least that counts."""
    sd = math.hypot(part.sd, SIZE_ERROR * part.size)
    if sd <= 0:
        return 1.0 if part.size > least else 0.0
    return 0.5 * (1 + math.erf((part.size - least) / (sd * math.sqrt(2.0))))


def _leak(fits: Fits) -> tuple[float, float]:
    """Slope of the straight part over all shapes, and its standard deviation in and between them [Pa/s]."""
    weights = np.array([fit.weight for fit in fits.members])
    slopes = np.array([fit.slope for fit in fits.members])
    spreads = np.array([fit.slope_sd for fit in fits.members])
    mean = float(weights @ slopes)
    return mean, math.sqrt(float(weights @ (spreads**2 + (slopes - mean) ** 2)))


def _interval(estimate: tuple[float, float], relative: float) -> Interval:
    value, sd = max(estimate[0], 0.0), estimate[1]
    half = math.hypot(_Z90 * sd, relative * value)
    return Interval(value, max(value - half, 0.0), value + half)


def _evidence(
    cause: Cause,
    probabilities: dict[str, float],
    t: FloatArray,
    p: FloatArray,
    end_pa: float,
    limit_pa: float | None,
    kelvin: float | None,
    start: float,
    permitted: float,
) -> tuple[str, ...]:
    rise = end_pa - start
    said = [
        f"After settling the pressure changed by {rise / MICRON_PA:+.0f} micron ({rise:+.1f} Pa), "
        f"{100 * rise / permitted:.0f} % of what is permitted."
    ]
    if cause is Cause.TIGHT:
        said.append("That is too little to matter, whatever it comes from.")
    elif (bend := _bend(t, p)) is not None:
        said.append(
            f"The last third rises {bend:.2f} times as fast as the first: {_bend_means(bend, cause)}."
        )
    if cause is Cause.UNCLEAR:
        said.append(_undecided(probabilities))
    if cause not in (Cause.TIGHT, Cause.LEAK) and rise > COMPONENT_SHARE * permitted and end_pa > 0:
        warm = _ROOM_K if kelvin is None else kelvin
        if end_pa < 0.8 * saturation_pressure(warm):
            said.append(
                "The pressure is below the saturation pressure of water at the circuit's temperature: if it "
                "is water, it is bound, in a colder spot, or has not come to its plateau."
            )
    if kelvin is None:
        said.append("No temperature was reported; warming or cooling may have changed the shape.")
    return tuple(said)


def _bend(t: FloatArray, p: FloatArray) -> float | None:
    """Slope of the last third over that of the first, None where the first does not rise."""
    third = max(len(t) // 3, 2)
    early = _slope(t[:third], p[:third])
    return _slope(t[-third:], p[-third:]) / early if early > 0 else None


def _bend_means(bend: float, cause: Cause) -> str:
    """What the bend speaks for, said of the cause that the whole curve gave."""
    if cause is Cause.LEAK:
        shape = "it goes on" if bend > 0.8 else "it bends over a little at first and then goes on straight"
        return f"{shape}, which speaks for a leak"
    if cause is Cause.MOISTURE:
        shape = "it has nearly levelled off" if bend < 0.25 else "it bends over towards a plateau"
        return f"{shape}, which speaks for water and against a leak"
    if cause is Cause.LEAK_AND_MOISTURE:
        return "it bends over and then goes on straight, which speaks for water and a leak beside it"
    if cause is Cause.OUTGASSING:
        return "it bends over ever more slowly without a plateau, which speaks for gas from oil and walls"
    if bend > 0.8:
        return "it goes on, as with a leak, or with water that is far from its plateau"
    if bend > 0.25:
        return "it bends over, as with water, but has not levelled off, so a leak may be beside it"
    return "it has nearly levelled off, as with water, but not so far that a leak is excluded"


def _undecided(probabilities: dict[str, float]) -> str:
    first, second = sorted(probabilities, key=lambda one: -probabilities[one])[:2]
    return (
        f"{WORDS[Cause(first)].capitalize()} ({probabilities[first]:.0%}) and {WORDS[Cause(second)]} "
        f"({probabilities[second]:.0%}) cannot be told apart by these readings yet."
    )


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
        + "If it holds, three things tell leak from water: a longer hold (water levels off, a leak goes on), "
        "isolating a section and holding again, or warming the circuit gently, never with a flame (the "
        "pressure of water rises steeply, what a leak lets in hardly).",
    }[cause]

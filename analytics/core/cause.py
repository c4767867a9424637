"""Why the pressure rose: leak, water, gas from oil and walls, or nothing to speak of.

An estimate; it never changes a verdict. In four steps:

1. `analytics.core.binned`: some 60 means after settling; noise, display step and lag from the readings.
2. `analytics.core.shapes`: leak, water and tail, some 500 to 800 members, fitted and weighed at once.
3. `analytics.core.estimate`: probabilities of the causes and the interval of the leak rate, calibrated with
   simulated holds of models that are not fitted.
4. Here: the answer in the trade's words, and quantities with volume and gauge scale in doubt.

A part counts when it adds more than a tenth of the permitted rise over the hold; where none does, the circuit
is called tight. A leak beside water or beside gas from oil goes under one name: the next step is the same.
"""

from __future__ import annotations

import math

import numpy as np

from analytics.core import estimate
from analytics.core.binned import Binned, binned
from analytics.core.shapes import Fits, fit_shapes
from model.judgement import CERTAIN, Cause, Diagnosis, Interval, named_together
from physics.gas import vapour_mass
from physics.types import FloatArray
from physics.units import MICRON_PA
from physics.water import saturation_pressure, saturation_temperature

GROSS = 0.8
"""Probability of a leak where more came in than water could hold. Our own choice: the gauge may be wrong."""

VOLUME_ERROR = 0.3
"""Error of a volume entered by a crew, half-width of 90 % [trade page]."""

WORDS = {
    Cause.TIGHT: "nothing to speak of",
    Cause.LEAK: "a leak",
    Cause.MOISTURE: "moisture alone",
    Cause.LEAK_AND_MOISTURE: "a leak with moisture",
    Cause.OUTGASSING: "gas from oil and walls",
}
WITH_OR_WITHOUT = {
    Cause.LEAK: "a leak, with or without moisture",
    Cause.MOISTURE: "moisture, with or without a leak",
}

_LEAST = 8
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
    coldest_k = None
    if temperature_k is not None and np.isfinite(temperature_k).any():
        coldest_k = float(np.nanmin(temperature_k))
    readings = binned(time_s, pressure_pa, temperature_k, settle_s, top_pa)
    t, p = readings.t, readings.p
    kelvin = None if readings.kelvin is None else float(readings.kelvin[0])
    if len(t) < _LEAST or t[-1] <= t[0]:
        return _gross(pressure_pa, kelvin, top_pa) or _too_little()
    asked = estimate.asked(
        float(p[0]) if start_pa is None else start_pa, limit_pa, settle_s, max(hold_s, float(t[-1]))
    )
    fits = fit_shapes(readings, settle_s=settle_s, end_s=asked.end_s)
    known = estimate.calibration()
    members = estimate.weighed(readings, fits, asked, known)
    fits = members.fits
    probabilities = {
        cause.value: float(share) for cause, share in zip(estimate.CAUSES, members.causes, strict=True)
    }
    end_pa = float(np.median(p[-3:]))
    if limit_pa is not None and max(asked.start_pa, float(np.median(pressure_pa[-3:]))) > limit_pa:
        run = _gross(pressure_pa, kelvin, top_pa)
        if run is not None and probabilities[Cause.TIGHT] > 1.0 - CERTAIN:
            # What ran to the top left only the flat part before it to be fitted.
            return run
        steam = saturation_pressure(_ROOM_K if kelvin is None else kelvin)
        if asked.start_pa > max(limit_pa, steam):
            # More than water could hold before settling was over: air came in, whatever it does since.
            probabilities = _mostly(Cause.LEAK, GROSS)
        else:
            probabilities = _not_tight(probabilities)
    best = max(probabilities, key=lambda cause: probabilities[cause])
    cause = Cause(best) if probabilities[best] >= CERTAIN else Cause.UNCLEAR
    leak = Interval(*estimate.leak_interval(members, asked, known))
    wet = cause in (Cause.MOISTURE, Cause.LEAK_AND_MOISTURE)
    vapour_pa = _vapour(fits, end_pa) if wet else None
    return Diagnosis(
        cause=cause,
        probabilities=probabilities,
        evidence=_evidence(cause, probabilities, readings, fits, end_pa, asked),
        leak_pa_per_s=leak,
        leak_pa_m3_per_s=None if volume_m3 is None else _times_volume(leak, volume_m3),
        vapour_pa=vapour_pa,
        vapour_g=None
        if vapour_pa is None or volume_m3 is None
        else 1000.0 * vapour_mass(vapour_pa, volume_m3, kelvin or _ROOM_K),
        equilibrium_temperature_k=saturation_temperature(end_pa) if wet and end_pa > 0 else None,
        coldest_k=coldest_k,
    )


def _gross(pressure_pa: FloatArray, kelvin: float | None, top_pa: float | None) -> Diagnosis | None:
    """What a run to the gauge's top says before there is a shape to fit."""
    if top_pa is None or np.count_nonzero(pressure_pa >= top_pa * (1 - 1e-6)) < 3:
        return None
    saturated = saturation_pressure(_ROOM_K if kelvin is None else kelvin)
    # Water stops at saturation; below it, water that flashes is nearly as fast as a hole.
    leak = GROSS if top_pa > saturated else 0.5
    probabilities = _mostly(Cause.LEAK, leak)
    cause = Cause.LEAK if leak >= CERTAIN else Cause.UNCLEAR
    said = "The gauge ran to the top of its range at once" + (
        ", past what water could reach: something is open."
        if leak >= CERTAIN
        else ": something is open, or much water is in it."
    )
    return Diagnosis(cause, probabilities, (said,))


def _too_little() -> Diagnosis:
    causes = [cause.value for cause in Cause if cause is not Cause.UNCLEAR]
    return Diagnosis(
        Cause.UNCLEAR,
        dict.fromkeys(causes, 1.0 / len(causes)),
        ("Too few readings after settling to tell one shape from another.",),
    )


def _mostly(cause: Cause, share: float) -> dict[str, float]:
    """This share for one cause, what is left for the others alike."""
    causes = [one.value for one in Cause if one is not Cause.UNCLEAR]
    return dict.fromkeys(causes, (1.0 - share) / (len(causes) - 1)) | {cause.value: share}


def _not_tight(probabilities: dict[str, float]) -> dict[str, float]:
    """What is over the limit is not tight, however flat it runs there; the others share what tight had."""
    others = {cause: share for cause, share in probabilities.items() if cause != Cause.TIGHT}
    whole = sum(others.values())
    return {cause: others.get(cause, 0.0) / whole for cause in probabilities}


def _vapour(fits: Fits, end_pa: float) -> float:
    """What water has added since the valve closed, no more than there is [Pa]."""
    wet = fits.size[:, 1] > 0
    share = float(fits.weights[wet].sum())
    found = float(fits.weights[wet] @ fits.vapour[wet]) / share if share > 0 else end_pa
    return min(max(found, 0.0), max(end_pa, 0.0))


def _times_volume(leak: Interval, volume_m3: float) -> Interval:
    """A leak rate [Pa·m³/s] with its interval, the volume's own error in it."""
    error = VOLUME_ERROR * leak.value
    return Interval(
        leak.value * volume_m3,
        max(leak.value - math.hypot(leak.value - leak.low, error), 0.0) * volume_m3,
        (leak.value + math.hypot(leak.high - leak.value, error)) * volume_m3,
    )


def _evidence(
    cause: Cause,
    probabilities: dict[str, float],
    readings: Binned,
    fits: Fits,
    end_pa: float,
    asked: estimate.Asked,
) -> tuple[str, ...]:
    t, p = readings.t, readings.p
    rise = end_pa - asked.start_pa
    together = named_together(probabilities)
    # That it leaks may be certain although what is beside it is not.
    leaks = cause is Cause.UNCLEAR and together is not None and together[0] is Cause.LEAK
    spoken = Cause.LEAK if leaks else cause
    said = [
        f"After settling the pressure changed by {rise / MICRON_PA:+.0f} micron ({rise:+.1f} Pa), "
        f"{100 * rise / asked.permitted_pa:.0f} % of what is permitted."
    ]
    if cause is Cause.TIGHT:
        said.append("That is too little to matter, whatever it comes from.")
    elif (late_s := _opened(spoken, fits)) is not None:
        said.append(
            f"It changes its slope about {late_s / 60:.0f} min after closing and goes on straight, as when a "
            "joint opens."
        )
    elif (bend := _bend(t, p)) is not None:
        said.append(
            f"The last third rises {bend:.2f} times as fast as the first: {_bend_means(bend, spoken)}."
        )
    if cause is Cause.UNCLEAR:
        said.append(_undecided(probabilities))
    if cause not in (Cause.TIGHT, Cause.LEAK) and rise > estimate.COUNTS * asked.permitted_pa and end_pa > 0:
        warm = _ROOM_K if readings.kelvin is None else float(readings.kelvin[0])
        if end_pa < 0.8 * saturation_pressure(warm):
            said.append(
                "The pressure is below the saturation pressure of water at the circuit's temperature: if it "
                "is water, it is bound, in a colder spot, or has not come to its plateau."
            )
    said.append(_warmth(readings))
    said.append(_gauge(readings))
    return tuple(said)


def _opened(cause: Cause, fits: Fits) -> float | None:
    """When a leak opened that was not open from the start [s], None where that is not the likelier."""
    late = fits.late > 0
    if cause not in (Cause.LEAK, Cause.LEAK_AND_MOISTURE) or fits.weights[late].sum() <= 0.5:
        return None
    return float(fits.weights[late] @ fits.late[late] / fits.weights[late].sum())


def _warmth(readings: Binned) -> str:
    if readings.kelvin is None:
        return (
            "No temperature was reported; warming or cooling may have changed the shape. A daily swing of "
            "some kelvin is allowed for, and widens the leak rate's interval."
        )
    change = float(readings.kelvin[-1] - readings.kelvin[0])
    return (
        f"The temperature changed by {change:+.1f} K; dry gas alone would change by {change / 2.93:+.1f} %."
    )


def _gauge(readings: Binned) -> str:
    """What the readings say of the gauge itself."""
    said = f"Readings scatter by {100 * readings.noise:.1f} %"
    if readings.step_pa > 0:
        said += f", the display steps by {readings.step_pa / MICRON_PA:.0f} micron"
    if readings.lag_s > 0:
        said += f", the gauge follows with a lag of about {readings.lag_s:.0f} s"
    return said + "."


def _bend(t: FloatArray, p: FloatArray) -> float | None:
    """Slope of the last third over that of the first, None where the first does not rise."""
    third = max(len(t) // 3, 2)
    early = estimate.slope(t[:third], p[:third])
    return estimate.slope(t[-third:], p[-third:]) / early if early > 0 else None


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
    together = named_together(probabilities)
    if together is not None and {first, second} == {together[0], Cause.LEAK_AND_MOISTURE}:
        said = WITH_OR_WITHOUT[together[0]].capitalize()
        return f"{said} ({together[1]:.0%}): these two cannot be told apart by these readings yet."
    return (
        f"{WORDS[Cause(first)].capitalize()} ({probabilities[first]:.0%}) and {WORDS[Cause(second)]} "
        f"({probabilities[second]:.0%}) cannot be told apart by these readings yet."
    )

"""What to do about a hold test, and how soon: go now, can wait till morning, or no need.

The closed valve keeps the circuit from the pump, so most fails can wait: the same hands, leak detector and
nitrogen are needed at seven as at three. Two things cannot. A gauge that ran to its top tells that something
is open. And a leak undoes the drying if it lets in so much air by morning that the water in that air comes to
the permitted pressure: air at 20 °C and 50 % relative humidity is water to 0.5 · 2339 / 101 325 = 1.2 % of
its pressure (saturation: IAPWS-IF97). Where the cause is not certain the more urgent of the possible ones
counts, and the line says so. The steps are common practice, no source; the rig comes first.
"""

from __future__ import annotations

from analytics.core.figures import pressure_text
from model.clock import US
from model.judgement import (
    CERTAIN,
    LEAK_SUSPECTED,
    Advice,
    Cause,
    Diagnosis,
    EarlyCall,
    HoldTest,
    Interval,
    Urgency,
    Verdict,
    leak_probability,
    named_together,
)
from physics.constants import ATMOSPHERE_PA, ZERO_CELSIUS_K
from physics.gas import vapour_mass
from physics.leaks import to_mbar_l_s
from physics.units import MICRON_PA
from physics.water import saturation_pressure

NIGHT_S = 8 * 3600.0
"""How long "till morning" is. Our own choice."""

POSSIBLE = 0.2
"""A cause of this probability is reckoned with where none is certain. Our own choice."""

DAMP_K, DAMP = 293.15, 0.5
"""The air around, taken to be at 20 °C and half saturated. Our own choice."""

COLD_SPOT_K = 5.0
"""The coldest wet spot is colder than the sensor says by about this much [trade page]."""

RIG = (
    "Blank the rig off and test it alone first: "
    "hoses, core tool and the gauge's own fitting are often what leaks."
)
SECTIONS = "isolating section by section; a hold judges only what is connected"
DRY = (
    "dry more: pump longer and warm the circuit, never with a flame, perhaps with a break of dry nitrogen "
    "(through a regulator with a relief device)"
)
NO_PRESSURE_TEST = "A passed vacuum hold is no pressure test and does not replace one."

NOT_CLOSED = (
    "The pressure goes on falling though the valve reports closed: see whether it really closed and its seat "
    "is clean, then hold again."
)
UNREPORTED = (
    "Nothing reports that the isolation valve is closed: see that it is, by hand. Air that comes back "
    "through a pump that stands makes the same rise as a leak; if the rise ends once the valve is closed, "
    "that was it."
)
LEAVE_CLOSED = (
    "An estimate, and no verdict: leave the valve closed, the rule decides; what comes until then tells a "
    "leak from water."
)
STOPPED_OPEN = (
    "Close the isolation valve first. Start the pump against the closed valve, and open only to a pump that "
    "runs."
)
_REOPENED_TO_PUMP = "The pump ran when the valve was opened: pump down and hold again before anybody charges."
_GAUGE = (
    "The gauge is suspect: clean it, check its zero or try another, then hold again before anybody charges."
)
_MISSING = (
    "See to the gauge's battery, the gateway's reach and its power, then hold again before anybody charges."
)
_INCONCLUSIVE = {
    "target-not-held": "Pump down again until the target is held for its dwell, then hold.",
    "target-unseen": _MISSING,
    "start-above-limit": "Pump down again until the target is held for its dwell, then hold.",
    "over-at-end": "Hold again for longer: the pressure was over the permitted value at the very end.",
    "gap-over-end": _MISSING,
    "gaps-over-tenth": _MISSING,
    "reopened": "If nobody opened it on purpose, see that the pump runs or close the valve: a stopped pump "
    "lets air and oil back into the circuit. Then pump down and hold again.",
    "gauge-fault": _GAUGE,
    "gauge-suspect": _GAUGE,
    "gauge-range-too-small": "Hold again with a gauge whose range goes beyond the permitted pressure.",
    "gauge-under-range": _GAUGE,
    "gauges-disagree": _GAUGE,
    "temperature-fell": "Hold again at a steady temperature.",
    "opened-by-hand": "Ask on site whether a joint or valve was opened by hand; if not, something is open.",
    "no-circuit-gauge": "Connect a gauge on the circuit's side of the valve, then hold again.",
}


def advise(hold: HoldTest) -> Advice | None:
    """Say what to do about a hold, and how soon.

    Parameters
    ----------
    hold : HoldTest
        With its verdict, and its diagnosis if there is one.

    Returns
    -------
    Advice or None
        None as long as there is no verdict, no fail was called early, and nothing speaks against the valve.
    """
    if hold.verdict is Verdict.PASSED:
        return _after_pass(hold)
    if hold.verdict is Verdict.INCONCLUSIVE:
        return _after_nothing(hold)
    if hold.verdict is Verdict.FAILED:
        return _after_fail(hold)
    if hold.verdict is Verdict.RUNNING and hold.early_call is not None:
        return _before_fail(hold, hold.early_call)
    if hold.verdict is Verdict.RUNNING and hold.pump_felt:
        return Advice(
            Urgency.CAN_WAIT,
            "Can wait till the hold is over, but it may prove nothing: the pump seems to be felt behind the "
            "closed valve.",
            (NOT_CLOSED,),
        )
    return None


def _leak(diagnosis: Diagnosis | None) -> float:
    return 0.0 if diagnosis is None else leak_probability(diagnosis.probabilities)


def _after_pass(hold: HoldTest) -> Advice:
    leak = _leak(hold.diagnosis)
    if leak < LEAK_SUSPECTED and hold.pump_felt:
        return Advice(
            Urgency.CAN_WAIT,
            "Can wait till morning: passed by the rule, but the pump seems to be felt behind the closed "
            "valve.",
            ("Do not charge yet.", NOT_CLOSED, NO_PRESSURE_TEST),
        )
    if leak < LEAK_SUSPECTED:
        return Advice(Urgency.NO_NEED, "No need to go: the hold passed.", (NO_PRESSURE_TEST,))
    size = _size(hold.diagnosis)
    return Advice(
        Urgency.CAN_WAIT,
        f"Can wait till morning: passed by the rule, but a leak{size} is suspected ({leak:.0%}).",
        (
            "Do not charge yet.",
            RIG,
            f"Then hold again for longer, or look for the leak, {SECTIONS}.",
            NO_PRESSURE_TEST,
        ),
    )


def _after_nothing(hold: HoldTest) -> Advice:
    if hold.reason == "broken-as-asked":
        return Advice(Urgency.NO_NEED, "No need to go: the vacuum was broken as the procedure asks.")
    if hold.reason == "reopened" and hold.opened_to_pump is False:
        return Advice(
            Urgency.NOW,
            "Go now: the valve was opened while the pump stood, so air and oil go back into the circuit.",
            (STOPPED_OPEN, "Then pump down and hold again."),
        )
    step = (
        _REOPENED_TO_PUMP
        if hold.reason == "reopened" and hold.opened_to_pump
        else _INCONCLUSIVE.get(
            hold.reason, "Put right what the reason names, then hold again before anybody charges."
        )
    )
    return Advice(
        Urgency.CAN_WAIT, "Can wait till morning: nothing was proved, the hold must be repeated.", (step,)
    )


def _after_fail(hold: HoldTest) -> Advice:
    diagnosis = hold.diagnosis
    if hold.new_inflow:
        return _air_let_in()
    urgency, line = _how_soon(hold, diagnosis)
    return Advice(urgency, line, (RIG, *_unreported(hold), *_steps(diagnosis)))


def _air_let_in() -> Advice:
    """What was found in the curve is more likely no hold at all."""
    return Advice(
        Urgency.NOW,
        "Go now: air comes in faster than the pump can have held it before, as if the pump stood with the "
        "valve open; then oil goes back into the circuit, too.",
        (STOPPED_OPEN, UNREPORTED, RIG),
    )


def _unreported(hold: HoldTest) -> tuple[str, ...]:
    """A hold that was found in the curve may be none: the valve open to a pump that stands."""
    return () if hold.by_valve else (UNREPORTED,)


def _if_closed(hold: HoldTest) -> str:
    """On what it depends that something can wait."""
    return "if the valve stays closed" if hold.by_valve else "if the valve is closed, which nothing reports"


def _before_fail(hold: HoldTest, call: EarlyCall) -> Advice:
    """What a fail that is called early asks for: its cause is not estimated yet, so it may be a leak."""
    urgency, line = (
        Urgency.CAN_WAIT,
        f"Can wait till morning {_if_closed(hold)}: it is expected to fail.",
    )
    if call.pressure_pa is not None and call.rise_pa_per_s is not None and hold.limit_pa is not None:
        soonest_s = max(call.low_us - call.at_us, US) / US
        fastest = max(call.rise_pa_per_s, (hold.limit_pa - call.pressure_pa) / soonest_s)
        let_in_pa = min(fastest * NIGHT_S, ATMOSPHERE_PA)
        if let_in_pa * _water_in_air() >= hold.limit_pa:
            urgency, line = (
                Urgency.NOW,
                (
                    "Go now: it is expected to fail, and if it is a leak the air that it lets in within 8 h, "
                    f"up to {let_in_pa / 1000:.0f} kPa, would bring as much water as the permitted pressure."
                ),
            )
        else:
            line = (
                f"Can wait till morning {_if_closed(hold)}: it is expected to fail; 8 h on, up to "
                f"about {_about(call.pressure_pa + let_in_pa)} if it is a leak."
            )
    return Advice(urgency, line, (LEAVE_CLOSED, RIG, *_unreported(hold)))


def _how_soon(hold: HoldTest, diagnosis: Diagnosis | None) -> tuple[Urgency, str]:
    leak = _leak(diagnosis)
    if hold.reason == "over-range" and (diagnosis is None or leak >= POSSIBLE):
        return Urgency.NOW, "Go now: the gauge ran to the top of its range, so something may be open."
    rate = None if diagnosis is None else diagnosis.leak_pa_per_s
    if diagnosis is None or rate is None or hold.last_pa is None or hold.limit_pa is None:
        return (
            Urgency.CAN_WAIT,
            f"Can wait till morning {_if_closed(hold)}; its cause is not known.",
        )
    let_in_pa = min(rate.high * NIGHT_S, ATMOSPHERE_PA)
    if leak >= POSSIBLE and let_in_pa * _water_in_air() >= hold.limit_pa:
        doubt = "" if leak >= CERTAIN else f"it may be a leak ({leak:.0%}), and then "
        return Urgency.NOW, (
            f"Go now: {doubt}the air that it lets in within 8 h, up to {let_in_pa / 1000:.0f} kPa, would "
            "bring as much water as the permitted pressure."
        )
    if leak >= POSSIBLE:
        low, high = (hold.last_pa + max(one, 0.0) * NIGHT_S for one in (rate.low, rate.high))
        doubt = "" if leak >= CERTAIN else f" if it is a leak ({leak:.0%})"
        return Urgency.CAN_WAIT, (
            f"Can wait till morning {_if_closed(hold)}: 8 h on, about {_about(low)} to {_about(high)}{doubt}."
        )
    return (
        Urgency.CAN_WAIT,
        f"Can wait till morning {_if_closed(hold)}: a leak is unlikely.",
    )


def _about(pressure_pa: float) -> str:
    """To two digits of a micron: more is not known."""
    return pressure_text(float(f"{pressure_pa / MICRON_PA:.2g}") * MICRON_PA)


def _water_in_air() -> float:
    return DAMP * saturation_pressure(DAMP_K) / ATMOSPHERE_PA


def _steps(diagnosis: Diagnosis | None) -> tuple[str, ...]:
    """What to do after the rig has held, by what is known of the cause."""
    cause = Cause.UNCLEAR if diagnosis is None else diagnosis.cause
    together = named_together(diagnosis.probabilities) if diagnosis and cause is Cause.UNCLEAR else None
    size = _size(diagnosis)
    if cause is Cause.LEAK:
        return (f"If it holds, look for a leak{size}, {SECTIONS}.",)
    if cause is Cause.LEAK_AND_MOISTURE or (together and together[0] is Cause.LEAK):
        return (
            f"If it holds, look for a leak{size}, {SECTIONS}.",
            "Find it before drying on, it lets in damp air; moisture "
            + ("is likely as well." if cause is Cause.LEAK_AND_MOISTURE else "may be there as well."),
        )
    if cause is Cause.MOISTURE or together:
        return (f"If it holds, {DRY}.", *_ice(diagnosis), _how_long())
    if cause is Cause.OUTGASSING:
        return (
            "If it holds, pump longer and warm the circuit; then hold again, longer and with a longer "
            "settling time: a rise from oil and walls bends over with time.",
        )
    if cause is Cause.TIGHT:
        return ("If it holds, hold again for longer, with a longer settling time.",)
    return (
        "If it holds, three things tell leak from water: a longer hold (water levels off, a leak goes on), "
        "isolating a section and holding again, or warming the circuit gently, never with a flame (the "
        "pressure of water rises steeply, what a leak lets in hardly).",
    )


def _ice(diagnosis: Diagnosis | None) -> tuple[str, ...]:
    if diagnosis is None or diagnosis.coldest_k is None:
        return ()
    spot_k = diagnosis.coldest_k - COLD_SPOT_K
    if spot_k > ZERO_CELSIUS_K:
        return ()
    celsius = f"{spot_k - ZERO_CELSIUS_K:.0f} °C"
    return (f"The coldest spot may be at {celsius}, where ice gives off little vapour: warm it first.",)


def _how_long() -> str:
    """How fast a pump carries water off; nobody knows how much there is."""
    # Volume flow times the density of saturated vapour at the wet spot, drawn in at room temperature.
    thawing, frozen = (
        3600e3 * vapour_mass(saturation_pressure(kelvin), 1e-3, DAMP_K) for kelvin in (273.16, 253.15)
    )
    return (
        f"What draws 1 l/s at the circuit carries off about {thawing:.0f} g of water an hour while the "
        f"coldest wet spot is at 0 °C, {frozen:.0f} g while it is at -20 °C. How much water there is nobody "
        "knows: pump at least as long again as before."
    )


def _size(diagnosis: Diagnosis | None) -> str:
    """Of the leak, as words to put behind it; nothing where it is not known."""
    if diagnosis is None:
        return ""
    rate: Interval | None = diagnosis.leak_pa_m3_per_s
    if rate is not None:
        return f" of about {rate.value:.1e} Pa·m³/s ({to_mbar_l_s(rate.value):.1e} mbar·l/s)"
    rise = diagnosis.leak_pa_per_s
    return "" if rise is None else f" that raises the pressure by about {rise.value:.2e} Pa/s"

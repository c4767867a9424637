"""What to do about a hold, and how soon."""

from __future__ import annotations

from dataclasses import replace

import pytest
from CoolProp.CoolProp import PropsSI

from analytics.core import advice
from analytics.core.advice import advise
from model.judgement import Advice, Cause, Diagnosis, EarlyCall, HoldTest, Interval, Urgency, Verdict
from physics.units import MICRON_PA

LIMIT_PA = 1000 * MICRON_PA
NAMED = {
    cause: Diagnosis(cause, {**dict.fromkeys(map(str, Cause), 0.0), cause: 0.9, Cause.TIGHT: 0.1})
    for cause in (Cause.LEAK, Cause.MOISTURE, Cause.LEAK_AND_MOISTURE, Cause.OUTGASSING)
}


def hold(verdict: Verdict, reason: str, diagnosis: Diagnosis | None = None) -> HoldTest:
    return HoldTest(
        0, 1_800_000_000, 1_800_000_000, verdict, reason, "", last_pa=1010 * MICRON_PA, limit_pa=LIMIT_PA,
        by_valve=True, diagnosis=diagnosis,
    )  # fmt: skip


def failed(diagnosis: Diagnosis | None, rise_pa_per_s: float = 0.01, reason: str = "over-limit") -> Advice:
    if diagnosis is not None:
        rise = Interval(rise_pa_per_s, 0.9 * rise_pa_per_s, 1.1 * rise_pa_per_s)
        diagnosis = replace(diagnosis, leak_pa_per_s=rise)
    given = advise(hold(Verdict.FAILED, reason, diagnosis))
    assert given is not None
    return given


def unclear(leak: float) -> Diagnosis:
    shares = {**dict.fromkeys(map(str, Cause), 0.0), Cause.LEAK: leak, Cause.MOISTURE: 1 - leak}
    return Diagnosis(Cause.UNCLEAR, shares)


@pytest.mark.parametrize("verdict", [Verdict.RUNNING, Verdict.AWAITING])
def test_nothing_is_advised_before_there_is_a_verdict(verdict: Verdict) -> None:
    assert advise(hold(verdict, verdict.value)) is None


@pytest.mark.parametrize("diagnosis", [None, *NAMED.values(), unclear(0.5)])
def test_the_first_step_after_a_fail_is_to_test_the_rig_alone(diagnosis: Diagnosis | None) -> None:
    assert failed(diagnosis).steps[0].startswith("Blank the rig off and test it alone first")


def test_water_in_room_air_agrees_with_the_humid_air_of_a_library() -> None:
    # Mole fraction of water in air at 20 °C, 101 325 Pa and 50 % relative humidity: CoolProp, HAPropsSI
    # (ASHRAE RP-1485) reckons with air's enhancement factor of 1.004, which is left out here.
    vapour = 0.5 * PropsSI("P", "T", 293.15, "Q", 0, "Water") / 101_325
    assert advice._water_in_air() == pytest.approx(vapour, rel=1e-3)


def test_a_leak_whose_air_brings_the_permitted_water_by_morning_cannot_wait() -> None:
    # 1000 micron are 133.3 Pa; at 1.154 % of water 11.55 kPa of air bring them; in 8 h that is 0.401 Pa/s.
    edge = LIMIT_PA / (0.5 * 2339.2 / 101_325) / (8 * 3600)
    assert edge == pytest.approx(0.401, abs=0.001)
    slow, fast = (failed(NAMED[Cause.LEAK], edge * factor / 1.1) for factor in (0.98, 1.02))
    assert (slow.urgency, fast.urgency) == (Urgency.CAN_WAIT, Urgency.NOW)
    assert fast.line.startswith("Go now: the air that it lets in within 8 h, up to 12 kPa")
    assert slow.line.startswith("Can wait till morning if the valve stays closed: 8 h on, about ")
    # 134.7 Pa, and 0.9 and 1.1 times 0.357 Pa/s for eight hours, to two digits of a micron.
    assert slow.line.endswith(" 70000 micron (9333 Pa) to 86000 micron (11466 Pa).")


def test_the_more_urgent_of_the_possible_causes_counts_and_the_line_says_so() -> None:
    assert failed(unclear(0.4), 1.0).line.startswith("Go now: it may be a leak (40%), and then the air")
    assert failed(unclear(0.4), 0.001).line.endswith("if it is a leak (40%).")
    unlikely = failed(unclear(0.1), 1.0)
    assert unlikely.urgency is Urgency.CAN_WAIT
    assert unlikely.line == "Can wait till morning if the valve stays closed: a leak is unlikely."


@pytest.mark.parametrize("cause", [Cause.MOISTURE, Cause.OUTGASSING])
def test_what_is_no_leak_can_wait_however_fast_it_rose(cause: Cause) -> None:
    assert failed(NAMED[cause], 10.0).urgency is Urgency.CAN_WAIT


def test_a_gauge_at_its_top_is_told_at_once_unless_a_leak_is_excluded() -> None:
    assert failed(None, reason="over-range").urgency is Urgency.NOW
    assert failed(NAMED[Cause.LEAK], reason="over-range").urgency is Urgency.NOW
    assert failed(NAMED[Cause.OUTGASSING], reason="over-range").urgency is Urgency.CAN_WAIT


@pytest.mark.parametrize(
    ("diagnosis", "words"),
    [
        (NAMED[Cause.LEAK], "look for a leak that raises the pressure by about 1.00e-02 Pa/s, isolating"),
        (NAMED[Cause.LEAK_AND_MOISTURE], "it lets in damp air; moisture is likely as well"),
        (NAMED[Cause.MOISTURE], "dry more: pump longer and warm the circuit, never with a flame"),
        (NAMED[Cause.OUTGASSING], "longer settling time"),
        (unclear(0.5), "three things tell leak from water: a longer hold"),
        (None, "three things tell leak from water: a longer hold"),
    ],
)
def test_the_steps_follow_the_cause(diagnosis: Diagnosis | None, words: str) -> None:
    assert words in " ".join(failed(diagnosis).steps)


def test_with_a_volume_the_leak_to_look_for_has_a_size_in_both_units() -> None:
    sized = replace(NAMED[Cause.LEAK], leak_pa_m3_per_s=Interval(1.59e-3, 1e-3, 2e-3))
    # 1 Pa·m³/s is 10 mbar·l/s [trade page].
    assert "a leak of about 1.6e-03 Pa·m³/s (1.6e-02 mbar·l/s)" in " ".join(failed(sized).steps)


def test_how_fast_water_is_carried_off_agrees_with_a_library() -> None:
    # Density of saturated vapour over water at 0.01 °C taken to 20 °C at the same pressure, times 1 l/s.
    drawn = PropsSI("P", "T", 273.16, "Q", 1, "Water") * 0.018015268 / (8.314462618 * 293.15)
    said = " ".join(failed(NAMED[Cause.MOISTURE]).steps)
    assert f"about {drawn * 1e-3 * 3600 * 1000:.0f} g of water an hour" in said
    assert "3 g while it is at -20 °C" in said  # ice: 103.26 Pa, IAPWS R14-08


@pytest.mark.parametrize(("coldest_k", "warned"), [(277.0, True), (290.0, False), (None, False)])
def test_ice_is_warned_of_where_a_spot_may_be_frozen(coldest_k: float | None, warned: bool) -> None:
    wet = replace(NAMED[Cause.MOISTURE], coldest_k=coldest_k)
    assert ("where ice gives off little vapour" in " ".join(failed(wet).steps)) is warned


def test_a_passed_hold_asks_nobody_to_go_unless_a_leak_is_suspected() -> None:
    passed = advise(hold(Verdict.PASSED, "below-limit", NAMED[Cause.OUTGASSING]))
    assert passed is not None
    assert (passed.urgency, passed.line) == (Urgency.NO_NEED, "No need to go: the hold passed.")
    assert "no pressure test" in passed.steps[0]
    doubtful = advise(hold(Verdict.PASSED, "below-limit", NAMED[Cause.LEAK]))
    assert doubtful is not None
    assert doubtful.urgency is Urgency.CAN_WAIT
    assert "but a leak is suspected (90%)" in doubtful.line
    assert doubtful.steps[0] == "Do not charge yet."


@pytest.mark.parametrize(
    ("reason", "words"),
    [
        ("gauge-fault", "The gauge is suspect"),
        ("gap-over-end", "battery"),
        ("reopened", "see that the pump runs or close the valve"),
        ("temperature-fell", "at a steady temperature"),
        ("a-reason-of-tomorrow", "what the reason names"),
    ],
)
def test_an_inconclusive_hold_is_repeated_after_what_its_reason_asks(reason: str, words: str) -> None:
    given = advise(hold(Verdict.INCONCLUSIVE, reason))
    assert given is not None
    assert given.urgency is Urgency.CAN_WAIT
    assert words in " ".join(given.steps)


def test_a_break_that_the_procedure_asks_for_needs_nobody() -> None:
    given = advise(hold(Verdict.INCONCLUSIVE, "broken-as-asked"))
    assert given is not None
    assert given.urgency is Urgency.NO_NEED


def expected_to_fail(rise_pa_per_s: float) -> Advice:
    """What is advised about a hold whose fail was called early, at 60 Pa."""
    running = hold(Verdict.RUNNING, "running")
    left_s = (LIMIT_PA - 60) / rise_pa_per_s
    times = [round(left_s * share * 1e6) for share in (1.0, 0.9, 1.1)]
    call = EarlyCall(0, 0.99, times[0], times[1], times[2], 60.0, rise_pa_per_s)
    given = advise(replace(running, early_call=call))
    assert given is not None
    return given


def test_an_early_call_says_how_soon_by_how_fast_it_rises() -> None:
    # 133 Pa permitted; air at 20 °C and 50 % is 1.2 % water (IAPWS-IF97: 2339 Pa), so 11.5 kPa of air in 8 h
    # bring as much: 0.40 Pa/s.
    slow, fast = expected_to_fail(0.1), expected_to_fail(0.5)
    assert (slow.urgency, fast.urgency) == (Urgency.CAN_WAIT, Urgency.NOW)
    assert slow.line.startswith(
        "Can wait till morning if the valve stays closed: it is expected to fail; 8 h on"
    )
    assert fast.line.startswith("Go now: it is expected to fail, and if it is a leak the air")
    for given in (slow, fast):
        assert given.steps[0].startswith("An estimate, and no verdict: leave the valve closed")
        assert given.steps[1] == advice.RIG


@pytest.mark.parametrize("verdict", [Verdict.RUNNING, Verdict.PASSED])
def test_a_pump_that_is_felt_behind_the_closed_valve_is_said(verdict: Verdict) -> None:
    given = advise(replace(hold(verdict, verdict.value), pump_felt=True))
    assert given is not None
    assert given.urgency is Urgency.CAN_WAIT
    assert any("see whether it really closed" in step for step in given.steps)

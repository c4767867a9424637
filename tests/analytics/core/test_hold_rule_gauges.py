"""The rule of a hold test on gauges, temperature and somebody on site: every clause with its reason code."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from analytics.core.track import Sample, TrackSettings
from model.equipment import Position
from model.judgement import Verdict
from model.reading import Quantity, Valve
from model.suspect import SuspectSpan
from tests.analytics.core.curves import (
    CIRCUIT_GAUGE,
    GAUGE,
    ISOLATION_VALVE,
    PUMP_GAUGE,
    RANGED,
    SECOND,
    THERMOMETER,
    TOP,
    USUAL,
    at,
    flat,
    held,
    instrument,
    only,
    pressure,
    report,
    settings,
    state,
    step,
)

# Gauges ----------------------------------------------------------------------------------------------


def test_a_fault_makes_a_hold_inconclusive() -> None:
    assert only([*held(flat(50)), state(905, Quantity.FAULT, 1)]).reason == "gauge-fault"


def test_a_fault_after_the_end_does_not() -> None:
    assert only([*held(flat(50)), state(1900, Quantity.FAULT, 1)]).verdict is Verdict.PASSED


def test_readings_of_an_unplugged_gauge_are_no_evidence() -> None:
    samples = [
        replace(one, value=101_325.0) if one.quantity == Quantity.PRESSURE and one.time_us > at(600) else one
        for one in held(flat(50))
    ]
    faults = [state(10 * i, Quantity.FAULT, 1) for i in range(61, 201)]
    assert only([*samples, *faults]).reason == "gauge-fault"


def test_under_the_range_is_inconclusive() -> None:
    assert only(held(flat(0.5), to_pa=0.5), RANGED).reason == "gauge-under-range"


def marked(from_s: float, to_s: float | None, gauge: int = GAUGE) -> TrackSettings:
    until_us = None if to_s is None else at(to_s)
    mark = SuspectSpan(gauge, at(from_s), until_us, "Oil in the cell.")
    return replace(settings(USUAL), suspects=(mark,))


@pytest.mark.parametrize(
    ("from_s", "to_s"), [(-5000, None), (900, None), (900, 910), (-5000, 1), (1799, None)]
)
def test_a_hold_for_any_of_which_somebody_marked_its_gauge_is_inconclusive(
    from_s: float, to_s: float | None
) -> None:
    hold = only(held(flat(50)), marked(from_s, to_s))
    assert (hold.verdict, hold.reason) == (Verdict.INCONCLUSIVE, "gauge-suspect")
    assert hold.text == (
        "Inconclusive: the gauge was marked as suspect (Oil in the cell); "
        "the last reading was 375 micron (50.0 Pa)."
    )


@pytest.mark.parametrize(("from_s", "to_s"), [(-5000, 0), (1800, None)])
def test_a_mark_of_before_or_after_a_hold_takes_nothing_from_it(from_s: float, to_s: float | None) -> None:
    assert only(held(flat(50)), marked(from_s, to_s)).verdict is Verdict.PASSED


def test_a_mark_on_a_gauge_that_does_not_decide_says_nothing() -> None:
    assert only(held(flat(50)), marked(0, None, SECOND)).verdict is Verdict.PASSED


def test_a_fail_stands_though_its_gauge_was_marked() -> None:
    assert only(held(lambda t: 50 + 0.3 * t), marked(-5000, None)).verdict is Verdict.FAILED


def test_a_gauge_on_the_pumps_side_never_gives_a_verdict() -> None:
    pump_side = instrument(PUMP_GAUGE, position=Position.PUMP)
    both = settings(USUAL, CIRCUIT_GAUGE, ISOLATION_VALVE, pump_side, deciding_id=PUMP_GAUGE)
    samples = held(lambda t: 50 + 0.3 * t) + pressure(flat(20), -1800, 2000, gauge=PUMP_GAUGE)
    hold = only(samples, both)
    assert (hold.verdict, hold.deciding_instrument_id) == (Verdict.FAILED, GAUGE)
    alone = settings(USUAL, ISOLATION_VALVE, pump_side)
    samples = pressure(flat(20), -1800, 2000, gauge=PUMP_GAUGE)
    samples += [report(-1800, Valve.OPEN), report(0, Valve.CLOSED)]
    hold = only(samples, alone)
    assert (hold.verdict, hold.reason) == (Verdict.INCONCLUSIVE, "no-circuit-gauge")


def test_the_procedures_gauge_decides() -> None:
    samples = held(lambda t: 50 + 0.3 * t) + pressure(flat(50), -1800, 2000, gauge=SECOND)
    for number, reason in ((GAUGE, "gauges-disagree"), (SECOND, "gauges-disagree")):
        given = settings(USUAL, CIRCUIT_GAUGE, instrument(SECOND), ISOLATION_VALVE, deciding_id=number)
        hold = only(samples, given)
        assert (hold.reason, hold.deciding_instrument_id) == (reason, number)


TWO = settings(USUAL, CIRCUIT_GAUGE, instrument(SECOND), ISOLATION_VALVE, deciding_id=GAUGE)


def second(curve: Callable[[float], float]) -> list[Sample]:
    return pressure(curve, -300, 2000, gauge=SECOND)


def test_two_gauges_that_agree_within_their_accuracy_are_no_matter() -> None:
    assert only([*held(flat(100), to_pa=50), *second(flat(120))], TWO).verdict is Verdict.PASSED


def test_two_gauges_that_disagree_make_a_pass_inconclusive() -> None:
    assert only([*held(flat(100), to_pa=50), *second(flat(150))], TWO).reason == "gauges-disagree"


def test_two_gauges_that_disagree_make_a_fail_inconclusive() -> None:
    hold = only([*held(step(600, 100, 500), to_pa=50), *second(flat(100))], TWO)
    assert (hold.verdict, hold.reason) == (Verdict.INCONCLUSIVE, "gauges-disagree")


def test_two_gauges_that_disagree_but_are_both_over_fail() -> None:
    hold = only([*held(step(600, 100, 500), to_pa=50), *second(step(600, 100, 900))], TWO)
    assert hold.verdict is Verdict.FAILED


def test_a_second_gauge_that_fell_silent_does_not_matter() -> None:
    samples = [*held(step(600, 100, 500), to_pa=50), *pressure(flat(100), -300, 0, gauge=SECOND)]
    assert only(samples, TWO).verdict is Verdict.FAILED


# Temperature -----------------------------------------------------------------------------------------


def cooling(fall_k: float, from_k: float = 293.0) -> list[Sample]:
    return [state(60 * i, Quantity.TEMPERATURE, from_k - fall_k * i / 30, THERMOMETER) for i in range(31)]


def test_cooled_and_over_the_limit_when_corrected_is_inconclusive() -> None:
    # Gas law: 330 Pa · 293/286 = 338.1 Pa, over 333.3 Pa.
    near = held(flat(330), to_pa=50)
    hold = only([*near, *cooling(7)])
    assert (hold.verdict, hold.reason) == (Verdict.INCONCLUSIVE, "temperature-fell")
    assert only([*near, *cooling(5)]).verdict is Verdict.PASSED
    assert only([*held(flat(320), to_pa=50), *cooling(7)]).verdict is Verdict.PASSED


def test_vapour_over_ice_is_corrected_along_the_saturation_slope() -> None:
    # Ice at −14 °C (5 K below −9 °C) has 181 Pa (IAPWS R14-08): 250 Pa may all be vapour, and over −2 − 5 °C
    # it would be about 1.9 times as much.
    assert only([*held(flat(250), to_pa=50), *cooling(7, 271.0)]).reason == "temperature-fell"


@pytest.mark.parametrize("kelvin", [0.0, 20.0, 2000.0])
def test_a_thermometer_out_of_its_senses_is_not_believed(kelvin: float) -> None:
    samples = [state(t, Quantity.TEMPERATURE, k, THERMOMETER) for t, k in ((0, 293.0), (1000, kelvin))]
    assert only([*held(flat(330), to_pa=50), *samples]).verdict is Verdict.PASSED


def test_the_raw_pressure_decides_a_fail() -> None:
    hold = only([*held(step(600, 50, 340)), *[replace(one, value=one.value) for one in cooling(-12)]])
    assert hold.verdict is Verdict.FAILED


# Somebody on site ------------------------------------------------------------------------------------


def test_a_sudden_run_to_over_range_with_somebody_there_is_asked() -> None:
    samples = held(step(600, 50, TOP))
    hold = only([*samples, state(500, Quantity.HANDS, 1, VALVE_HANDS)], RANGED)
    assert (hold.verdict, hold.reason) == (Verdict.INCONCLUSIVE, "opened-by-hand")
    assert hold.text.endswith("was a joint or valve opened by hand?")
    assert hold.first_over_us == at(600)


def test_a_sudden_run_unattended_is_a_fail() -> None:
    assert only(held(step(600, 50, TOP)), RANGED).verdict is Verdict.FAILED
    left = [state(500, Quantity.HANDS, 1, VALVE_HANDS), state(550, Quantity.HANDS, 0, VALVE_HANDS)]
    assert only([*held(step(600, 50, TOP)), *left], RANGED).verdict is Verdict.FAILED


def test_a_slow_run_with_somebody_there_is_a_fail() -> None:
    samples = held(lambda t: min(50 + 2 * t, TOP))
    hold = only([*samples, state(-500, Quantity.HANDS, 1, VALVE_HANDS)], RANGED)
    assert (hold.verdict, hold.reason) == (Verdict.FAILED, "over-limit")


def test_a_run_that_took_longer_than_a_minute_from_the_limit_to_the_top_is_not_sudden() -> None:
    samples = held(lambda t: TOP if t >= 670 else 400 if t >= 600 else 50)
    hold = only([*samples, state(500, Quantity.HANDS, 1, VALVE_HANDS)], RANGED)
    assert (hold.verdict, hold.reason, hold.decided_us) == (Verdict.FAILED, "over-limit", at(690))


VALVE_HANDS = 12

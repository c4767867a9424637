"""Recognition of phases by the curve alone, on curves from closed formulas, at any rate and display."""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import replace

import pytest

from analytics.core.track import Sample, View
from model.judgement import PhaseKind, Verdict
from model.reading import Quantity, Valve
from tests.analytics.core.curves import (
    CIRCUIT_GAUGE,
    GAUGE,
    ISOLATION_VALVE,
    MICRON,
    THERMOMETER,
    USUAL,
    at,
    instrument,
    judge,
    pressure,
    pull_down,
    report,
    settings,
    state,
)

ALONE = settings(USUAL, CIRCUIT_GAUGE)
Curve = Callable[[float], float]


def noisy(curve: Curve, rng: random.Random, share: float = 0.01) -> Curve:
    return lambda t: curve(t) * (1 + share * rng.gauss(0, 1))


def stepped(curve: Curve, step: float) -> Curve:
    return lambda t: round(curve(t) / step) * step


def seconds(time_us: int | None) -> float:
    assert time_us is not None
    return (time_us - at(0)) / 1e6


def kinds(seen: View) -> list[str]:
    return [phase.kind.value for phase in seen.phases]


def log(curve: Curve, interval: float = 10, length: float = 3600, pull_s: float = 1800) -> list[Sample]:
    return [*pull_down(interval_s=interval, length_s=pull_s), *pressure(curve, 0, length, interval)]


def leak(t: float) -> float:
    return 42 + 0.3 * t


def vapour(t: float) -> float:
    return 42 + 700 * (1 - math.exp(-t / 1500))


@pytest.mark.parametrize("interval", [0.1, 1, 10, 30, 60])
@pytest.mark.parametrize("curve", [leak, vapour])
def test_pump_down_then_rise_is_pull_down_and_hold(curve: Curve, interval: float, rng: random.Random) -> None:
    seen = judge(log(noisy(curve, rng), interval, 2000), ALONE)
    assert kinds(seen)[-2:] == ["pull-down", "hold"]
    hold = seen.holds[0]
    assert not hold.by_valve
    assert abs(seconds(hold.start_us)) <= max(hold.start_uncertainty_s, 45)
    assert hold.verdict is Verdict.FAILED
    assert any("found in the pressure itself" in remark for remark in hold.remarks)


def test_a_slow_rise_right_after_the_valve_is_a_hold_and_passes(rng: random.Random) -> None:
    seen = judge(log(noisy(lambda t: 42 + 0.02 * t, rng), 10, 3000), ALONE)
    assert [hold.verdict for hold in seen.holds] == [Verdict.PASSED]
    assert seen.evacuation == "finished"


@pytest.mark.parametrize("step", [1 * MICRON, 10 * MICRON, 50 * MICRON])
def test_a_stepped_display_is_no_rise_and_hides_none(step: float, rng: random.Random) -> None:
    flat = judge(log(stepped(noisy(lambda t: 40.0, rng), step)), ALONE)
    assert kinds(flat)[-1] == "pull-down"
    rising = judge(log(stepped(noisy(leak, rng), step)), ALONE)
    assert kinds(rising)[-1] == "hold"
    assert abs(seconds(rising.holds[0].start_us)) < 200


# Of 10 %, far more than gauges of the trade have, about one log in a hundred is taken for a rise (measured).
@pytest.mark.parametrize("share", [0.003, 0.03, 0.05])
def test_noise_is_no_rise(share: float, rng: random.Random) -> None:
    assert kinds(judge(log(noisy(lambda t: 40.0, rng, share), 5, 7200), ALONE))[-1] == "pull-down"


def test_single_spikes_are_neither_a_hold_nor_a_broken_vacuum() -> None:
    seen = judge(log(lambda t: 101_325.0 if round(t) % 300 == 0 else 40.0), ALONE)
    assert kinds(seen) == ["idle", "pull-down"]


def test_a_plateau_of_water_under_the_pump_is_no_hold(rng: random.Random) -> None:
    # A stall at the triple point (611.657 Pa) that wanders by ten per cent over minutes.
    def curve(t: float) -> float:
        return 611.657 * (1 + 0.1 * math.sin(t / 400))

    samples = pull_down(to_pa=611, length_s=1200) + pressure(noisy(curve, rng), 0, 6000)
    assert kinds(judge(samples, ALONE)) == ["idle", "pull-down"]


@pytest.mark.parametrize("width_s", [60, 70])
def test_a_burst_of_gas_under_the_pump_is_no_hold(width_s: float, rng: random.Random) -> None:
    def curve(t: float) -> float:
        return 42 + 30 * math.exp(-(((t - 2000) / width_s) ** 2))

    assert kinds(judge(log(noisy(curve, rng)), ALONE)) == ["idle", "pull-down"]


@pytest.mark.parametrize("thermometer", [True, False])
def test_a_sunrise_over_a_running_pump_is_no_hold(thermometer: bool, rng: random.Random) -> None:
    # Bound water: about 8 %/K (trade page); 10 K in three hours, beginning gently.
    def kelvin(t: float) -> float:
        return 283 + 10 * (1 - math.cos(math.pi * t / 10_800)) / 2

    curve = noisy(lambda t: 42 * math.exp(0.08 * (kelvin(t) - 283)), rng)
    samples = log(curve, 30, 10_800)
    if thermometer:
        samples += [state(t, Quantity.TEMPERATURE, kelvin(t), THERMOMETER) for t in range(0, 10_800, 60)]
    assert kinds(judge(samples, ALONE)) == ["idle", "pull-down"]


def test_a_zero_offset_below_zero_hinders_nothing(rng: random.Random) -> None:
    samples = [replace(one, value=one.value - 42.3) for one in log(leak, 10, 3000)]
    seen = judge(samples, ALONE)
    assert kinds(seen)[-1] == "hold"
    assert abs(seconds(seen.holds[0].start_us)) < 60


@pytest.mark.parametrize("sign", [1, -1])
def test_evening_out_of_either_sign_is_followed_by_a_hold(sign: int, rng: random.Random) -> None:
    def curve(t: float) -> float:
        return 40 + sign * 20 * (1 - math.exp(-t / 60)) + 0.05 * t

    seen = judge(log(noisy(curve, rng), 5, 4000), ALONE)
    assert kinds(seen)[-1] == "hold"
    # Downwards it looks as if the pump went on, until the rise sets in.
    assert -60 <= seconds(seen.holds[0].start_us) <= (60 if sign > 0 else 400)


def test_a_hold_by_the_curve_ends_when_the_pump_is_opened_again(rng: random.Random) -> None:
    samples = log(noisy(lambda t: 42 + 0.1 * t, rng), 10, 900)
    samples += pressure(lambda t: 40 + 92 * math.exp(-(t - 900) / 60), 910, 1800)
    seen = judge(samples, ALONE)
    assert kinds(seen) == ["idle", "pull-down", "hold", "pull-down"]
    assert seconds(seen.phases[-1].start_us) == pytest.approx(900, abs=60)
    assert seen.holds[0].reason == "reopened"


def test_cooling_at_night_is_no_reopening(rng: random.Random) -> None:
    # 5 K/h at 8 %/K after a rise to 90 Pa.
    def curve(t: float) -> float:
        return min(42 + 0.1 * t, 90) * math.exp(-0.08 * max(t - 1000, 0) * 5 / 3600)

    seen = judge(log(noisy(curve, rng), 30, 8000), ALONE)
    assert kinds(seen) == ["idle", "pull-down", "hold"]


def test_gas_let_in_is_a_broken_vacuum_and_no_failed_hold(rng: random.Random) -> None:
    # Slowly too: 42 Pa fell by 1/120 a second at the fastest, so no leak that the pump held makes 1 Pa/s.
    for filling_s in (20.0, 120.0, 400.0, 1500.0):
        samples = log(noisy(lambda t: 42.0, rng), 5, 600)
        samples += pressure(lambda t, f=filling_s: min(42 + (t - 600) / f * 1e5, 1.05e5), 605, 2600, 5)  # type: ignore[misc]
        seen = judge(samples, ALONE)
        assert kinds(seen) == ["idle", "pull-down", "vacuum-broken"], filling_s
        assert not seen.holds
        assert seconds(seen.phases[-1].start_us) == pytest.approx(600, abs=130)


def test_a_gauge_that_starts_in_the_middle_of_a_rise_sees_a_hold_without_a_held_target(
    rng: random.Random,
) -> None:
    seen = judge(pressure(noisy(lambda t: 100 + 0.3 * t, rng), 0, 1000), ALONE)
    assert kinds(seen)[-1] == "hold"
    assert seen.holds[0].reason == "target-not-held"


def test_a_rise_to_the_top_of_a_small_gauge_over_hours_is_still_the_hold() -> None:
    given = settings(USUAL, instrument(GAUGE, high=20_000 * MICRON))
    seen = judge(log(lambda t: min(42 + 0.5 * t, 20_000 * MICRON), 10, 9000), given)
    assert kinds(seen)[-1] == "hold"
    assert seen.holds[0].verdict is Verdict.FAILED


def test_a_gauge_at_its_top_is_idle_until_it_falls() -> None:
    given = settings(USUAL, instrument(GAUGE, high=20_000 * MICRON))
    samples = [replace(one, value=min(one.value, 20_000 * MICRON)) for one in log(leak)]
    seen = judge(samples, given)
    assert kinds(seen) == ["idle", "pull-down", "hold"]


def test_an_unplugged_gauge_that_says_so_changes_nothing() -> None:
    samples = [one for one in log(leak, 10, 3000) if not at(-300) < one.time_us < at(-200)]
    samples += [state(t, Quantity.FAULT, 1) for t in range(-290, -200, 10)]
    samples += pressure(lambda t: 101_325, -290, -210)
    seen = judge(samples, ALONE)
    assert kinds(seen) == ["idle", "pull-down", "hold"]


def test_reports_of_a_valve_go_before_the_curve(rng: random.Random) -> None:
    given = settings(USUAL, CIRCUIT_GAUGE, ISOLATION_VALVE)
    samples = [report(-1800, Valve.OPEN), *log(noisy(leak, rng), 10, 2000)]
    assert kinds(judge(samples, given)) == ["idle", "pull-down"]
    assert kinds(judge([replace(one, value=float(Valve.UNKNOWN)) if one.quantity == Quantity.VALVE else one
                        for one in samples], given))[-1] == "hold"  # fmt: skip


def test_phases_follow_each_other_without_holes(rng: random.Random) -> None:
    seen = judge(log(noisy(leak, rng), 10, 2000), ALONE)
    for before, after in zip(seen.phases, seen.phases[1:], strict=False):
        assert before.end_us == after.start_us
    assert seen.phases[-1].end_us is None
    assert seen.phases[0].kind is PhaseKind.IDLE

"""What the pressure says after a valve was moved."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from desk.core.after_act import Sample, Seen, closing, opening, reach
from model.clock import US

T0 = 1_750_000_000 * US


def at(seconds: float) -> int:
    return T0 + round(seconds * US)


def curve(first_s: int, last_s: int, step_s: int, pa: float, tau_s: float = math.inf) -> list[Sample]:
    """Level until 0, then falling with a time constant (negative: rising)."""
    return [(at(s), pa * math.exp(-max(s, 0) / tau_s)) for s in range(first_s, last_s + 1, step_s)]


@pytest.mark.parametrize("step_s", [1, 10, 30])
def test_an_opening_after_which_the_pressure_falls_is_good(step_s: int) -> None:
    seen = curve(-60, 60, step_s, 300.0, tau_s=200.0)
    assert opening(seen, T0, at(61), at(1)).seen is Seen.GOOD


def test_until_the_minute_is_over_nothing_is_decided() -> None:
    seen = curve(-60, 50, 10, 300.0, tau_s=200.0)
    assert opening(seen, T0, at(51), at(1)).seen is Seen.WAIT


@pytest.mark.parametrize("tau_s", [math.inf, 1e5])
def test_an_opening_after_which_it_stands_is_bad(tau_s: float) -> None:
    look = opening(curve(-60, 60, 10, 300.0, tau_s), T0, at(61), at(1))
    assert (look.seen, look.why) == (Seen.BAD, "the pressure did not fall within 60 s")


def test_a_rise_is_bad_at_once_and_one_reading_is_no_rise() -> None:
    seen = [*curve(-60, 0, 10, 300.0), (at(10), 340.0)]
    assert opening(seen, T0, at(11), at(1)).seen is Seen.WAIT
    look = opening([*seen, (at(20), 345.0)], T0, at(21), at(1))
    assert (look.seen, look.why) == (Seen.BAD, "the pressure rose")
    over = [*curve(-60, 0, 10, 300.0), (at(10), math.inf), (at(20), math.inf)]
    assert opening(over, T0, at(21), at(1)).seen is Seen.BAD


def test_a_fall_of_later_than_a_minute_does_not_count() -> None:
    seen = [*curve(-60, 60, 10, 300.0), *((at(s), 200.0) for s in range(70, 120, 10))]
    assert opening(seen, T0, at(121), at(1)).seen is Seen.BAD


def flat(pa: float, *, then: float | None = None) -> list[Sample]:
    """Every ten seconds, from a minute before to a minute after, with another figure after the opening."""
    return [(at(s), pa if s < 0 or then is None else then) for s in range(-60, 61, 10)]


def reached(pump_pa: float | None, *, accuracy: float = 0.1, lowest: float | None = None) -> float:
    return reach([] if pump_pa is None else flat(pump_pa), accuracy, T0, lowest)


@pytest.mark.parametrize(
    ("circuit", "reach_pa", "seen"),
    [
        # Nobody measures the pump: what a healthy one reaches.
        (flat(7.0), reached(None), Seen.LEVEL),
        (flat(4.0), reached(None), Seen.LEVEL),
        (flat(12.0), reached(None), Seen.BAD),
        (flat(300.0), reached(None), Seen.BAD),
        # One that is measured at a tenth of it must bring the circuit down, and one that stands at it cannot.
        (flat(6.0), reached(0.5), Seen.BAD),
        (flat(6.0), reached(4.9), Seen.LEVEL),
        (flat(60.0), reached(50.0), Seen.LEVEL),
        # A gauge at the bottom of its range shows no fall, whatever the pump does.
        (flat(13.3), reached(0.5, lowest=13.3), Seen.LEVEL),
        (flat(13.3), reached(0.5, lowest=1.0), Seen.BAD),
        # A step of a micron is no fall, two are; 2 % are what they are.
        (flat(7.0, then=6.87), reached(None), Seen.LEVEL),
        (flat(7.0, then=6.7), reached(None), Seen.GOOD),
        (flat(6.0, then=5.87), reached(0.5), Seen.BAD),
        (flat(300.0, then=294.1), reached(None), Seen.BAD),
        (flat(300.0, then=293.9), reached(None), Seen.GOOD),
        # Small negative zero offsets are stored: none of them is a fall by its sign.
        (flat(-0.5), reached(None), Seen.LEVEL),
        (flat(-0.5), reached(0.1), Seen.LEVEL),
        # Higher by a tenth is no longer level, though not yet a rise.
        (flat(7.0, then=7.6), reached(None), Seen.LEVEL),
        (flat(7.0, then=8.0), reached(None), Seen.BAD),
    ],
)
def test_where_no_lower_can_be_reached_or_shown_no_fall_is_asked_for(
    circuit: list[Sample], reach_pa: float, seen: Seen
) -> None:
    assert opening(circuit, T0, at(61), at(1), reach_pa).seen is seen


def test_a_pump_side_that_is_silent_or_was_read_after_the_opening_says_nothing_of_its_reach() -> None:
    assert reach([], 0.1, T0, None) == reach([(at(5), 1.0)], 0.1, T0, None) == 6.7


def test_where_no_reading_comes_nobody_knows_and_that_is_bad() -> None:
    assert opening([], T0, at(120), at(1)).seen is Seen.WAIT
    assert opening([], T0, at(122), at(1)).seen is Seen.BAD
    before = curve(-60, -10, 10, 300.0)
    look = opening(before, T0, at(122), at(1))
    assert (look.seen, look.why) == (Seen.BAD, "no reading of the circuit says that the pressure falls")


def test_an_opening_that_was_learned_of_late_is_judged_by_its_readings() -> None:
    assert opening(curve(-60, 90, 10, 300.0, 200.0), T0, at(7200), at(7199)).seen is Seen.GOOD


@given(
    st.lists(st.tuples(st.integers(-90, 180), st.floats(0.1, 1e5) | st.just(math.inf)), max_size=20),
    st.integers(0, 400),
)
def test_good_is_only_what_fell(samples: list[tuple[int, float]], now_s: int) -> None:
    seen = sorted((at(s), pa) for s, pa in samples)
    if opening(seen, T0, at(now_s), at(1)).seen is Seen.GOOD:
        before = [pa for t, pa in seen if at(-60) <= t < T0]
        after = [pa for t, pa in seen if t >= T0]
        assert min(after) < max(before or after[:1])
        assert any(t >= at(60) for t, _ in seen)


def test_a_closed_valve_whose_pressure_stands_or_rises_holds() -> None:
    for tau_s in (math.inf, -3600.0):
        assert closing(curve(0, 290, 10, 60.0, tau_s), T0, at(291)).seen is Seen.WAIT
        assert closing(curve(0, 300, 10, 60.0, tau_s), T0, at(301)).seen is Seen.GOOD


def test_gas_that_evens_out_falls_at_first_and_then_stands() -> None:
    seen = [(at(s), 60.0 + 20.0 * math.exp(-s / 120.0)) for s in range(0, 601, 10)]
    assert closing(seen[:31], T0, at(301)).seen is Seen.WAIT
    assert closing(seen, T0, at(601)).seen is Seen.GOOD


def test_a_pressure_that_goes_on_falling_says_that_the_valve_does_not_hold() -> None:
    look = closing(curve(0, 600, 10, 60.0, tau_s=1500.0), T0, at(601))
    assert look.seen is Seen.BAD
    assert look.why.startswith("the pressure fell on, from ")


def test_without_readings_nothing_is_said_of_a_close() -> None:
    assert closing([], T0, at(660)).seen is Seen.WAIT
    assert closing([], T0, at(661)).seen is Seen.UNKNOWN
    assert closing(curve(0, 200, 10, 60.0), T0, at(661)).seen is Seen.UNKNOWN

"""The simulated pull-downs of the benchmark, and the figures that are made of what was said of them."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analytics.core.pull_down import PullDown, Standing, State, Until
from bench.pulldown import Stood, Told, confusion, rates
from bench.pulldown_curves import KINDS, Pull, pulls
from physics.water import saturation_pressure


@pytest.fixture(scope="module")
def some() -> list[Pull]:
    return pulls(3, KINDS * 4)


def test_a_pull_down_is_made_of_its_seed_and_number_alone(some: list[Pull]) -> None:
    again = pulls(3, [KINDS[5]], first=5)[0]
    assert again.rig == some[5].rig
    assert np.allclose(again.pressure_pa, some[5].pressure_pa)


def test_what_should_never_reach_the_target_does_not_before_the_empty_circuit_would(some: list[Pull]) -> None:
    for one in some:
        if one.rig.kind in ("pump at its limit", "leak", "wet gauge"):
            reached = one.when(one.rig.target_pa / 1.3)  # the gauge's scale may be off
            assert reached is None, one.rig.kind


def test_free_water_holds_the_pressure_below_saturation(some: list[Pull]) -> None:
    for one in some:
        if one.rig.kind == "free water":
            late = one.shown_pa[one.grid_s > 3 * one.rig.ideal_s]
            assert np.all(late < 1.3 * saturation_pressure(one.rig.wall_k))


def told(left_s: float, low: float, high: float | None, value: float | None = 10.0) -> Told:
    return Told({"kind": "dry"}, left_s, 100.0, PullDown(State.FALLING, 1.0, Until(value, low, high, 0.0)))


def test_a_censored_one_is_right_where_the_upper_end_is_open_or_beyond_the_span() -> None:
    assert told(math.inf, 5.0, None).covered
    assert told(math.inf, 5.0, 120.0).covered
    assert not told(math.inf, 5.0, 90.0).covered
    assert told(20.0, 5.0, 90.0).covered
    assert not told(4.0, 5.0, None).covered


def test_rates_count_a_time_that_was_not_said_as_infinitely_wrong() -> None:
    found = rates([told(10.0, 5.0, 20.0), told(8.0, 5.0, 20.0), told(10.0, 5.0, None, None)])
    assert found.error == pytest.approx(0.25)
    assert rates([told(10.0, 5.0, None, None)]).error == math.inf
    assert found.open == pytest.approx(1 / 3)


def test_what_stands_is_counted_by_what_it_was_called() -> None:
    stood = [Stood("leak", PullDown(State.FALLING)), Stood("leak", PullDown(State.FALLING))]
    assert confusion(stood)["leak"] == {"not seen": 2}
    assert stood[0].named is None
    assert Standing.WATER.value not in confusion(stood)["leak"]

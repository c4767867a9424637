"""Filtered pressure, the trailing median of the rule's page."""

from __future__ import annotations

import random
import statistics

import pytest

from analytics.core.filtered import Filter
from model.clock import US


def fed(times_s: list[float], values: list[float], registered_s: float = 10) -> Filter:
    given = Filter(60 * US, round(registered_s * US))
    for time_s, value in zip(times_s, values, strict=True):
        given.push(round(time_s * US), value)
    return given


def test_median_of_the_trailing_minute() -> None:
    values = [float(v) for v in range(20)]
    assert fed([10.0 * i for i in range(20)], values).pressure == statistics.median(values[-6:])


def test_window_of_a_minute_is_open_at_its_old_end() -> None:
    # At 12 s the reading of 60 s ago is out, and five are left: not slow yet.
    given = fed([12.0 * i for i in range(8)], [100, 100, 100, 1, 2, 3, 4, 5], 12)
    assert not given.slow
    assert given.pressure == 3


def test_nothing_before_five_readings() -> None:
    given = fed([0, 10, 20, 30], [1, 2, 3, 4])
    assert given.pressure is None
    assert given.push(40 * US, 5) == 3


def test_slow_gauge_takes_the_last_three() -> None:
    given = fed([0, 60, 120, 180], [9, 1, 8, 2], 60)
    assert given.slow
    assert given.pressure == 2


def test_slow_is_what_is_seen_not_what_was_registered() -> None:
    assert fed([60.0 * i for i in range(5)], [1, 2, 3, 4, 5], registered_s=1).slow


def test_lost_packets_take_the_last_five_without_a_gap_between() -> None:
    times = [10.0 * i for i in range(12)] + [140, 170, 180]
    given = fed(times, [float(i) for i in range(15)])
    assert not given.slow
    assert given.pressure == 12


def test_after_a_gap_there_is_none_before_five_new_ones() -> None:
    times = [10.0 * i for i in range(12)] + [1000, 1010, 1020, 1030]
    given = fed(times, [float(i) for i in range(16)])
    assert given.pressure is None
    assert given.push(1040 * US, 99) == 14


@pytest.mark.parametrize("spike", [1e5, -5.0])
def test_one_spike_does_not_show(spike: float) -> None:
    assert fed([10.0 * i for i in range(9)], [50.0] * 7 + [spike, 50.0]).pressure == 50


def test_equals_a_plain_median_at_any_rate(rng: random.Random) -> None:
    for interval in (0.1, 1.0, 7.0):
        times, values = [0.0], [rng.random()]
        given = Filter(60 * US, round(interval * US))
        given.push(0, values[0])
        for _ in range(900):
            times.append(times[-1] + interval * rng.uniform(0.6, 1.4))
            values.append(round(rng.random(), 2))
            found = given.push(round(times[-1] * US), values[-1])
            inside = [v for t, v in zip(times, values, strict=True) if times[-1] - t < 60]
            if len(inside) >= 5:
                assert found == statistics.median(inside)


def test_a_very_fast_gauge_stays_bounded() -> None:
    given = fed([0.001 * i for i in range(20_000)], [1.0] * 20_000, 0.001)
    assert len(given.times) < 2_000

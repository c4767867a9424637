"""However the readings come, the same phases, verdicts and facts come out; the state stays small."""

from __future__ import annotations

import json
import math
import random
from itertools import pairwise

import pytest
from hypothesis import HealthCheck, given
from hypothesis import settings as with_settings
from hypothesis import strategies as st

from analytics.core.track import Sample, TrackState, View, begin, dump, fold, load, view
from model.reading import Quantity, Valve
from tests.analytics.core.curves import (
    CIRCUIT_GAUGE,
    GAUGE,
    ISOLATION_VALVE,
    SECOND,
    THERMOMETER,
    USUAL,
    at,
    instrument,
    pressure,
    pull_down,
    report,
    settings,
    state,
)

GIVEN = settings(USUAL, CIRCUIT_GAUGE, ISOLATION_VALVE, instrument(SECOND))
CURVE = settings(USUAL, CIRCUIT_GAUGE)
NOW = at(5000)


def night(seed: int, valve: bool) -> list[Sample]:
    """A pull-down, a hold and a second pull, with noise, a gap, a fault, doubled and conflicting readings."""
    rng = random.Random(seed)
    slope = rng.choice([0.0, 0.05, 0.3])
    samples = pull_down(length_s=1200, interval_s=20)
    samples += pressure(lambda t: (50 + slope * t) * (1 + 0.02 * rng.gauss(0, 1)), 0, 2400, 20)
    samples += pressure(lambda t: 45 + 600 * math.exp(-(t - 2400) / 60), 2420, 3000, 20)
    gap = rng.uniform(0, 2300)
    samples = [
        one for one in samples if not gap < (one.time_us - at(0)) / 1e6 < gap + rng.choice([10, 150, 400])
    ]
    samples += [state(rng.randrange(0, 2400, 20), Quantity.TEMPERATURE, 290 + rng.random(), THERMOMETER)]
    samples += [
        Sample(one.time_us, GAUGE, one.quantity, one.value * 1.5) for one in samples if rng.random() < 0.03
    ]
    if valve:
        samples += [report(-1200, Valve.OPEN), report(0, Valve.CLOSED), report(2410, Valve.OPEN)]
        samples += pressure(lambda t: 52 + slope * t, 0, 2400, 60, SECOND)
        if rng.random() < 0.3:
            samples.append(state(700, Quantity.FAULT, 1))
    return sorted(samples)


def whole(samples: list[Sample], valve: bool) -> View:
    given = GIVEN if valve else CURVE
    return view(fold(begin(given), given, samples), given, NOW)


@with_settings(max_examples=25, suppress_health_check=[HealthCheck.too_slow])
@given(seed=st.integers(0, 10_000), valve=st.booleans(), data=st.data())
def test_shuffled_split_doubled_and_late_readings_end_the_same(
    seed: int, valve: bool, data: st.DataObject
) -> None:
    samples = night(seed, valve)
    expected = whole(samples, valve)
    given = GIVEN if valve else CURVE
    rng = data.draw(st.randoms(use_true_random=False))
    arrivals = [*samples, *rng.sample(samples, len(samples) // 5)]
    # Mostly in order, some late by much: as a gateway stores and forwards.
    arrivals.sort(key=lambda one: one.time_us + rng.choice([0, 0, 0, 30, 900, 4000]) * 1_000_000)
    cuts = sorted(rng.sample(range(len(arrivals)), 6))
    stored: set[Sample] = set()
    checkpoints: list[tuple[int, TrackState]] = []
    for start, end in pairwise([0, *cuts, len(arrivals)]):
        fresh = [one for one in arrivals[start:end] if one not in stored]
        if not fresh:
            continue
        stored.update(fresh)
        # As the worker does: back to the newest state before the earliest reading touched, and on from there.
        earliest = min(one.time_us for one in fresh)
        checkpoints = [point for point in checkpoints if point[0] < earliest]
        since, judged = checkpoints[-1] if checkpoints else (-1, begin(given))
        todo = sorted(one for one in stored if one.time_us > since)
        middle = todo[len(todo) // 2].time_us
        for part in (
            [one for one in todo if one.time_us <= middle],
            [one for one in todo if one.time_us > middle],
        ):
            if part:
                judged = load(json.loads(json.dumps(dump(fold(judged, given, part)))))
                checkpoints.append((part[-1].time_us, judged))
    assert view(checkpoints[-1][1], given, NOW) == expected


@pytest.mark.parametrize("valve", [True, False])
def test_folding_in_any_split_gives_the_same_state(valve: bool, rng: random.Random) -> None:
    given = GIVEN if valve else CURVE
    samples = night(5, valve)
    expected = fold(begin(given), given, samples)
    split = begin(given)
    position = 0
    while position < len(samples):
        size = rng.choice([1, 1, 2, 3, 50])
        split = fold(split, given, samples[position : position + size])
        position += size
    assert split == expected
    assert dump(split) == dump(expected)


def test_folding_and_looking_leave_the_given_state_alone() -> None:
    samples = night(7, True)
    first = fold(begin(GIVEN), GIVEN, samples[:100])
    before = json.dumps(dump(first))
    fold(first, GIVEN, samples[100:])
    view(first, GIVEN, NOW)
    assert json.dumps(dump(first)) == before


def test_of_two_values_for_one_time_the_smaller_judges() -> None:
    samples = night(11, True)
    doubled = [Sample(one.time_us, one.instrument_id, one.quantity, one.value * 9) for one in samples
               if one.quantity == Quantity.PRESSURE]  # fmt: skip
    assert whole(sorted(samples + doubled), True) == whole(samples, True)


def test_a_sample_from_before_is_refused() -> None:
    samples = night(3, True)
    with pytest.raises(ValueError, match="came after"):
        fold(fold(begin(GIVEN), GIVEN, samples[5:]), GIVEN, samples[:1])


@pytest.mark.parametrize(("interval", "bound"), [(0.1, 60_000), (10.0, 20_000)])
def test_the_state_does_not_grow_with_the_length_of_a_hold(interval: float, bound: int) -> None:
    given = settings()
    samples = [report(-1800, Valve.OPEN), *pull_down(), report(0, Valve.CLOSED)]
    current = fold(begin(given), given, samples)
    sizes = []
    for hour in range(3):
        start = hour * 1000.0
        part = pressure(lambda t: 50 + 0.001 * t, start + interval, start + 1000, interval)
        current = fold(current, given, part)
        sizes.append(len(json.dumps(dump(current))))
    assert max(sizes) < bound
    assert sizes[-1] < 1.1 * sizes[0]


def test_a_valve_that_flutters_leaves_the_state_bounded() -> None:
    given = settings()
    samples = [report(-1800, Valve.OPEN), *pull_down()]
    samples += pressure(lambda t: 45, 0, 4000)
    samples += [report(2 * i, Valve.CLOSED if i % 2 else Valve.OPEN) for i in range(2000)]
    current = fold(begin(given), given, sorted(samples))
    assert len(current.holds) <= 400
    assert len(current.phases) <= 400

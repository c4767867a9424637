"""When a job is over. The times are our own choice; no source gives any."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from analytics.core.track import Closing, Sample, TrackSettings, begin, fold, view
from tests.analytics.core.curves import (
    CIRCUIT_GAUGE,
    ISOLATION_VALVE,
    USUAL,
    at,
    folded,
    held,
    judge,
    pressure,
    settings,
)

AIR_PA = 101_325.0
PATIENCE_S = USUAL.patience_s
CREW = replace(settings(), closing=Closing(1800.0))
WALK_UP = replace(settings(), closing=Closing(1800.0, 14_400.0, at(-1790)))
FAR_S = 40 * 86_400


def passed() -> list[Sample]:
    return held(lambda t: 40 + 0.01 * t, 2400)


def failed() -> list[Sample]:
    return held(lambda t: 40 + 0.5 * t, 2400)


def air(since_s: float, until_s: float) -> list[Sample]:
    return pressure(lambda _: AIR_PA, since_s, until_s, 60)


@pytest.mark.parametrize(
    ("samples", "given", "over_s"),
    [
        pytest.param([*passed(), *air(2410, 9000)], CREW, 2410 + 1800, id="finished and broken"),
        pytest.param([*passed(), *air(2410, 9000)], WALK_UP, 2410 + 1800, id="walk-up finished"),
        pytest.param([*failed(), *air(2410, 30_000)], WALK_UP, 2410 + 14_400, id="walk-up failed"),
        pytest.param([*failed(), *air(2410, 30_000)], CREW, 29_950 + PATIENCE_S, id="crew mends"),
        pytest.param(passed(), CREW, 2400 + PATIENCE_S, id="finished and no more"),
        pytest.param(
            pressure(lambda _: 40_000, -1790, -1780), WALK_UP, PATIENCE_S - 1780, id="a stray reading"
        ),
        pytest.param([*passed(), *air(2410, 9000)], settings(), None, id="only a person closes it"),
    ],
)
def test_where_the_end_lies(samples: list[Sample], given: TrackSettings, over_s: float | None) -> None:
    for now_s in (None, FAR_S):
        seen = judge(samples, given, now_s)
        assert seen.over_us == (None if over_s is None else at(over_s))


def test_nothing_from_after_the_end_is_taken() -> None:
    first = [*passed(), *air(2410, 4200)]
    later = [*air(4260, 9000), *pressure(lambda _: 40.0, 9010, 12_000)]
    alone, both = judge(first, CREW, FAR_S), judge(first + later, CREW, FAR_S)
    assert alone == both
    assert both.over_us == at(2410 + 1800)
    assert both.last_us == at(4150)


def test_a_gap_ends_a_finished_job_like_a_timer() -> None:
    first = passed()
    over_us = at(2400 + PATIENCE_S)
    for again_s, ended in ((2400 + PATIENCE_S + 1, True), (2400 + PATIENCE_S - 1, False)):
        seen = judge([*first, *pressure(lambda _: 40.0, again_s, again_s + 600)], CREW, FAR_S)
        assert (seen.over_us == over_us) is ended
    # A late reading in the gap takes the end back.
    late = [*first, *pressure(lambda _: 55.0, 50_000, 50_000)]
    assert judge(late, CREW, FAR_S).over_us == at(50_000 + PATIENCE_S)


def test_the_end_is_the_same_however_the_series_is_split() -> None:
    given = replace(settings(USUAL, CIRCUIT_GAUGE, ISOLATION_VALVE), closing=WALK_UP.closing)
    samples = sorted([*failed(), *air(2410, 20_000), *pressure(lambda _: 60.0, 20_060, 23_000)])
    whole = view(folded(samples, given), given, at(FAR_S))
    assert whole.over_us == at(2410 + 14_400)
    rng = random.Random(1)
    for _ in range(5):
        state, rest = begin(given), samples
        while rest:
            size = rng.randint(1, 200)
            state, rest = fold(state, given, rest[:size]), rest[size:]
            view(state, given, at(FAR_S))
        assert view(state, given, at(FAR_S)) == whole

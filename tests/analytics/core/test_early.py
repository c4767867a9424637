"""Calling a fail of a running hold: what is called, what is not, and that it never touches the verdict."""

from __future__ import annotations

import json
import math
import random
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import HealthCheck, given
from hypothesis import settings as with_settings
from hypothesis import strategies as st

from analytics.core import early
from analytics.core import hold as rule
from analytics.core.early import MOST_MEANS
from analytics.core.track import Sample, TrackState, begin, dump, fold, load, view
from model.event import EventKind
from model.judgement import EarlyCall, HoldTest, Verdict
from model.reading import Quantity, Valve
from tests.analytics.core.curves import (
    GAUGE,
    MICRON,
    USUAL,
    at,
    held,
    judge,
    pressure,
    report,
    settings,
)

LONG = replace(USUAL, hold_s=7200)
LIMIT = 2500 * MICRON


def noisy(
    curve: Callable[[float], float], rng: random.Random, noise: float = 0.01
) -> Callable[[float], float]:
    return lambda t: curve(t) * (1 + noise * rng.gauss(0, 1))


def hold_of(
    curve: Callable[[float], float], length_s: float = 7300, interval_s: float = 5
) -> tuple[HoldTest, list[str]]:
    seen = judge(held(curve, length_s, interval_s), settings(LONG))
    (hold,) = seen.holds
    return hold, [fact.kind for fact in seen.facts]


def called_s(hold: HoldTest) -> float:
    assert hold.early_call is not None
    return (hold.early_call.at_us - at(0)) / 1e6


def test_a_leak_is_called_long_before_it_crosses(rng: random.Random) -> None:
    hold, facts = hold_of(noisy(lambda t: 60 + 0.06 * t, rng))
    crossing_s = (LIMIT - 60) / 0.06
    assert hold.verdict is Verdict.FAILED
    assert called_s(hold) < 0.4 * crossing_s
    assert hold.early_call is not None
    assert hold.early_call.low_us < at(crossing_s) < hold.early_call.high_us
    assert facts.count(EventKind.HOLD_WILL_FAIL) == 1
    assert facts.index(EventKind.HOLD_WILL_FAIL) < facts.index(EventKind.HOLD_FAILED)


@pytest.mark.parametrize(
    ("what", "curve"),
    [
        ("levels off below the limit", lambda t: 60 + 240 * -math.expm1(-t / 1500)),
        ("levels off fast", lambda t: 60 + 250 * -math.expm1(-t / 300)),
        ("a tail of √t", lambda t: 60 + 230 * math.sqrt(t / 7200)),
        ("a logarithmic tail", lambda t: 60 + 45 * math.log1p(t / 60)),
        ("evening out upwards for ten minutes", lambda t: 60 + 150 * -math.expm1(-t / 600)),
        ("evening out downwards for ten minutes", lambda t: 60 - 25 * -math.expm1(-t / 600)),
        ("a warm day", lambda t: 60 * (1 + 0.04 * math.sin(t / 7200 * 3))),
        ("flat", lambda t: 60.0),
    ],
)
def test_what_will_not_fail_is_not_called(what: str, curve: Callable[[float], float]) -> None:
    # The same noise every time: one in a hundred may be called (see the benchmark).
    hold, facts = hold_of(noisy(curve, random.Random(what)))
    assert hold.verdict is Verdict.PASSED
    assert hold.early_call is None, what
    assert EventKind.HOLD_WILL_FAIL not in facts


def test_a_leak_behind_a_pressure_that_evens_out_downwards_is_called(rng: random.Random) -> None:
    hold, _ = hold_of(noisy(lambda t: 60 - 25 * -math.expm1(-t / 600) + 0.06 * t, rng))
    assert called_s(hold) < 0.6 * 298 / 0.06


def test_a_leak_that_opens_late_is_called_before_it_crosses(rng: random.Random) -> None:
    hold, _ = hold_of(noisy(lambda t: 60 + 0.002 * t + 0.15 * max(t - 4000, 0), rng))
    crossing_s = 4000 + 265 / 0.15
    assert 4000 < called_s(hold) < 4000 + 0.6 * (crossing_s - 4000)


def test_spikes_call_nothing_and_hide_nothing(rng: random.Random) -> None:
    def spiked(slope: float) -> Callable[[float], float]:
        return lambda t: 3000.0 if rng.random() < 0.02 else 60 + slope * t

    tight, _ = hold_of(noisy(spiked(0.005), rng))
    assert tight.verdict is Verdict.PASSED
    assert tight.early_call is None
    leak, _ = hold_of(noisy(spiked(0.06), rng))
    assert called_s(leak) < 0.4 * 273 / 0.06


@pytest.mark.parametrize("step", [50, 100])
def test_a_display_that_steps_is_no_hindrance_and_no_alarm(step: int, rng: random.Random) -> None:
    def shown(slope: float) -> Callable[[float], float]:
        return lambda t: round((450 + slope * t) * (1 + 0.003 * rng.gauss(0, 1)) / step) * step * MICRON

    leak, _ = hold_of(shown(0.45))
    assert called_s(leak) < 0.5 * 2050 / 0.45
    slow, _ = hold_of(shown(0.2))
    assert slow.early_call is None


def test_a_pass_is_never_told_early(rng: random.Random) -> None:
    samples = held(noisy(lambda t: 60.0, rng), 7000, 5)
    seen = judge(samples, settings(LONG))
    (hold,) = seen.holds
    assert hold.forecast is not None
    # A call is made from 0.95 on; seeds differ from 0.003 to 0.02.
    assert hold.forecast.probability < 0.1
    assert hold.early_call is None
    assert hold.verdict is Verdict.RUNNING
    assert {fact.kind for fact in seen.facts} <= {
        EventKind.PULL_DOWN_STARTED,
        EventKind.TARGET_REACHED,
        EventKind.HOLD_STARTED,
    }


def test_a_running_hold_has_a_forecast_and_one_with_a_verdict_has_none(rng: random.Random) -> None:
    curve = noisy(lambda t: 60 + 0.05 * t, rng)
    running = judge(held(curve, 2500, 5), settings(LONG)).holds[0]
    assert running.forecast is not None
    assert running.forecast.probability > 0.9
    assert running.forecast.crossing_us is not None
    assert running.forecast.crossing_us == pytest.approx(at(273 / 0.05), abs=900e6)
    ended = judge(held(curve, 7300, 5), settings(LONG)).holds[0]
    assert ended.forecast is None


def test_gas_let_in_between_breaks_is_not_called(rng: random.Random) -> None:
    def curve(t: float) -> float:
        return 60 + 0.06 * t

    given = settings(replace(LONG, breaks=1))
    assert judge(held(noisy(curve, rng), 3000, 5), given).holds[0].early_call is None
    assert judge(held(noisy(curve, rng), 3000, 5), settings(LONG)).holds[0].early_call is not None


def test_the_forecast_never_changes_a_verdict(monkeypatch: pytest.MonkeyPatch, rng: random.Random) -> None:
    def without(hold: HoldTest) -> HoldTest:
        return replace(hold, forecast=None, early_call=None)

    series = [
        held(noisy(lambda t, slope=slope: 60 + slope * t, rng, 0.03), 7300, 20)  # type: ignore[misc]
        for slope in (0.0, 0.03, 0.039, 0.04, 0.06, 0.5)
    ]
    told = [judge(samples, settings(LONG)) for samples in series]
    assert any(seen.holds[0].early_call for seen in told)
    monkeypatch.setattr(rule, "watch", lambda *_: None)
    for samples, seen in zip(series, told, strict=True):
        plain = judge(samples, settings(LONG))
        assert [without(hold) for hold in seen.holds] == list(plain.holds)


@with_settings(max_examples=15, suppress_health_check=[HealthCheck.too_slow])
@given(seed=st.integers(0, 1000), data=st.data())
def test_the_call_is_the_same_in_any_order_of_arrival(seed: int, data: st.DataObject) -> None:
    noise = random.Random(seed)
    samples = sorted(held(noisy(lambda t: 60 + 0.07 * t, noise), 3600, 15))
    given = settings(LONG)
    expected = judge(samples, given)
    assert expected.holds[0].early_call is not None
    rng = data.draw(st.randoms(use_true_random=False))
    arrivals = sorted(samples, key=lambda one: one.time_us + rng.choice([0, 0, 0, 60, 1800]) * 1_000_000)
    cuts = sorted(rng.sample(range(len(arrivals)), 5))
    stored: set[Sample] = set()
    points: list[tuple[int, TrackState]] = []
    for start, end in pairwise([0, *cuts, len(arrivals)]):
        fresh = [one for one in arrivals[start:end] if one not in stored]
        if not fresh:
            continue
        stored.update(fresh)
        points = [point for point in points if point[0] < min(one.time_us for one in fresh)]
        since, state = points[-1] if points else (-1, begin(given))
        todo = sorted(one for one in stored if one.time_us > since)
        state = load(json.loads(json.dumps(dump(fold(state, given, todo)))))
        points.append((todo[-1].time_us, state))
    assert view(points[-1][1], given, samples[-1].time_us) == expected


def test_what_is_kept_does_not_grow(rng: random.Random) -> None:
    given = settings(replace(USUAL, hold_s=12 * 3600))
    start = [report(-1800, Valve.OPEN), *held(lambda t: 60.0, 0)[1:]]
    state = fold(begin(given), given, sorted(start))
    sizes = []
    for hour in range(6):
        part = pressure(noisy(lambda t: 60 + 0.001 * t, rng), hour * 3600 + 5, hour * 3600 + 3600, 5)
        state = fold(state, given, part)
        early = state.holds[0].early
        assert len(early.parts) == len(early.sums) == len(early.times) == len(early.counts) <= MOST_MEANS
        sizes.append(len(json.dumps(dump(state))))
    assert max(sizes) < 20_000


def test_the_call_uses_nothing_from_after_it(rng: random.Random) -> None:
    samples = sorted(held(noisy(lambda t: 60 + 0.06 * t, rng), 7300, 5))
    call = judge(samples, settings(LONG)).holds[0].early_call
    assert isinstance(call, EarlyCall)
    until = [one for one in samples if one.time_us <= call.at_us]
    assert judge(until, settings(LONG)).holds[0].early_call == call
    # One reading less does not show it.
    last = [one for one in until if not (one.time_us == call.at_us and one.quantity is Quantity.PRESSURE)]
    assert last[-1].instrument_id == GAUGE
    assert judge(last, settings(LONG)).holds[0].early_call is None


def test_a_call_needs_more_the_earlier_it_is() -> None:
    end = early.needed_at(3600.0, 7200.0, 3600.0)
    assert end == pytest.approx(early.CALL_AT)
    soonest, sooner = (early.needed_at(at, 7200.0, 3600.0) for at in (36.0, 900.0))
    assert soonest / (1 - soonest) == pytest.approx(10 * end / (1 - end))
    assert sooner / (1 - sooner) == pytest.approx(2 * end / (1 - end))
    # Where the limit is near, the rule decides soon.
    soon = early.needed_at(900.0, 1000.0, 3600.0)
    assert soon / (1 - soon) == pytest.approx(early.SOON * sooner / (1 - sooner))

"""Two implementations of the rule agree on random series: the judgement's, and a slow one."""

from __future__ import annotations

import math
import os
import random
from collections.abc import Callable

import pytest

from analytics.core import hold as hold_rule
from analytics.core.track import Sample
from model.procedure import Procedure
from model.reading import Quantity, Valve
from tests.analytics.core.curves import GAUGE, ISOLATION_VALVE, at, instrument, judge, report, settings, state
from tests.analytics.core.slow_rule import Case, filtered_readings, judge_slowly

PARTS = 8
SERIES = 1250
"""In each part: ten thousand in all."""

pytestmark = pytest.mark.once


def random_case(rng: random.Random) -> Case:
    interval = rng.choice([2.0, 5.0, 10.0, 12.0, 15.0, 30.0, 60.0])
    jitter = rng.choice([0.0, 0.2])
    hold = float(rng.choice([300, 600, 900, 1800]))
    limit = rng.choice([120.0, 200.0, 333.0])
    rise = rng.choice([None, None, 60.0, 150.0])
    curve = random_curve(rng, limit, hold)
    step = rng.choice([0.0, 0.0, 10.0, 25.0])
    noise = rng.choice([0.0, 0.01, 0.1])
    top = rng.choice([400.0, 2666.0, 1e5])
    # Half of the times the pressure is below the target long enough before closing, and mostly to the end.
    reached = -rng.choice([50.0, 100.0, 400.0, 900.0, 900.0])
    times, now = [], -1000.0
    while now < hold + rng.choice([0, 200, 400]):
        times.append(round(now, 3))
        now += interval * (1 + rng.uniform(-jitter, jitter))
    for _ in range(rng.choice([0, 0, 1, 2])):
        a = rng.uniform(-200, hold)
        b = a + rng.choice([30, 70, 130, 400, 1000])
        times = [t for t in times if not a < t < b]
    readings = []
    for time in times:
        value = min(500.0, 0.6 * top) if time < reached else 45.0 if time < 0 else curve(time)
        value *= 1 + noise * rng.gauss(0, 1)
        if rng.random() < 0.01:
            value = rng.choice([0.0, 5000.0])
        if step:
            value = round(value / step) * step
        value = min(value, top)
        readings.append((time, value))
        if rng.random() < 0.05:
            readings.append((time, value * rng.choice([1.0, 0.5, 3.0])))
    readings = [(time, min(value, top)) for time, value in readings]
    opened = rng.choice([None, None, None, hold * rng.random(), hold + 30, hold + 500])
    faults = [rng.choice(times)] if rng.random() < 0.05 else []
    return Case(
        readings=readings,
        opened=opened,
        target=66.7,
        dwell=60.0,
        hold=hold,
        settle=min(rng.choice([0.0, 60.0, 120.0]), hold / 2),
        limit=rng.choice([limit, limit, limit, None]) if rise else limit,
        rise=rise,
        top=top,
        registered=interval,
        faults=faults,
    )


def random_curve(rng: random.Random, limit: float, hold: float) -> Callable[[float], float]:
    kind = rng.choice(["flat", "leak", "tail", "steps", "gross", "near"])
    slope = rng.uniform(0.2, 4) * (limit - 45) / hold
    begins = rng.uniform(0, hold)
    lasts = rng.choice([20, 50, 70, 90, 200, 1e6])
    curves: dict[str, Callable[[float], float]] = {
        "flat": lambda t: 50.0,
        "leak": lambda t: 50 + slope * t,
        "tail": lambda t: 50 + slope * math.sqrt(hold * t),
        "steps": lambda t: 1.5 * limit if begins <= t < begins + lasts else 50.0,
        "gross": lambda t: 50 + (1e5 if t > begins * 0.2 else 0),
        "near": lambda t: limit if begins <= t else 50.0,
    }
    return curves[kind]


@pytest.mark.parametrize("part", range(PARTS))
def test_two_implementations_of_the_rule_agree(part: int, monkeypatch: pytest.MonkeyPatch) -> None:
    # The forecast has no say in it (see test_early) and would take most of the time.
    monkeypatch.setattr(hold_rule, "watch", lambda *_: None)
    # The same series every time, unless HOLDFAST_RULE_SEED asks for others.
    rng = random.Random(f"{os.environ.get('HOLDFAST_RULE_SEED', 'rule')}-{part}")
    seen: dict[str, int] = {}
    for number in range(SERIES):
        case = random_case(rng)
        procedure = Procedure(
            "random", case.target, case.dwell, case.hold, case.settle, case.limit, case.rise, "test"
        )
        given = settings(
            procedure, instrument(GAUGE, high=case.top, interval_s=case.registered), ISOLATION_VALVE
        )
        samples = [Sample(at(time), GAUGE, Quantity.PRESSURE, value) for time, value in case.readings]
        samples += [state(time, Quantity.FAULT, 1) for time in case.faults]
        samples += [report(-1000, Valve.OPEN), report(0, Valve.CLOSED)]
        if case.opened is not None:
            samples.append(report(case.opened, Valve.OPEN))
        rng.shuffle(samples)
        seen_now = judge(samples, given, now_s=case.hold + 3 * 86_400)
        before = [one.filtered for one in filtered_readings(case) if one.time < 0]
        if [value for value in before if value is not None][-1] >= min(case.top, 5000.0):
            # Two spikes of a slow gauge: the valve closed where nobody would hold.
            assert not seen_now.holds
            continue
        hold = seen_now.holds[0]
        slow = judge_slowly(case)
        told = (hold.verdict.value, hold.reason)
        assert told == (slow.verdict, slow.reason), (number, case)
        if slow.decided is not None:
            assert hold.decided_us == pytest.approx(at(slow.decided), abs=2), (number, case)
        if slow.verdict == "failed":
            assert slow.first_over is not None
            assert hold.first_over_us == pytest.approx(at(slow.first_over), abs=2), (number, case)
        seen[hold.reason] = seen.get(hold.reason, 0) + 1
    # A comparison of nothing but passes would show nothing.
    assert {"below-limit", "over-limit", "over-range", "target-not-held", "reopened"} <= set(seen), seen

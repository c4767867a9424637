"""The estimate of a running pull-down, as the worker keeps it in the store."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest

from analytics.core.track import Pulling
from analytics.worker import pulling
from analytics.worker.judge import Worker
from model.clock import US
from model.pull_down import PullEstimate, State
from model.reading import Quantity, Valve
from store import pull_downs
from tests.analytics.worker.bench import ATMOSPHERE_PA, T0_US, Bench, Line, valve

REACHED_S = 60_000.0 * (1 / 66.66 - 1 / ATMOSPHERE_PA)
"""When a hose that decides alone comes to 500 micron: P = 1/(1/P0 + t/c)."""


def hose(gauge_id: int, until_s: float, start_us: int = T0_US) -> list[Line]:
    return [
        Line(start_us + round(t * US), gauge_id, Quantity.PRESSURE, 1 / (1 / ATMOSPHERE_PA + t / 60_000.0))
        for t in (5.0 * i for i in range(int(until_s / 5)))
    ]


def job_with_curve(bench: Bench, until_s: float) -> tuple[int, int, list[Line]]:
    gateway = bench.gateway(bench.site())
    gauge, shut = bench.gauge(gateway), bench.valve(gateway)
    job = bench.job(1, [gauge, shut])
    return job.id, shut.id, [valve(shut.id, T0_US, Valve.OPEN), *hose(gauge.id, until_s)]


def running(bench: Bench, job_id: int) -> PullEstimate:
    found = pull_downs.running(bench.conn, job_id)
    assert found is not None
    return found


def test_it_is_kept_while_the_pull_down_runs_and_gone_once_the_valve_closes(bench: Bench) -> None:
    job_id, valve_id, lines = job_with_curve(bench, 600)
    bench.live(lines)
    told = running(bench, job_id)
    assert told.found.state is State.FALLING
    assert told.at_us - told.start_us > 500 * US
    left_s = REACHED_S - (told.at_us - T0_US) / US
    assert told.found.until is not None
    assert told.found.until.low < left_s < (told.found.until.high or math.inf)
    assert told.target_pa == pytest.approx(66.66, abs=0.01)
    last = lines[-1]
    bench.live(
        [
            valve(valve_id, last.time_us + US, Valve.CLOSED),
            *(Line(last.time_us + i * 5 * US, last.instrument_id, last.quantity, last.value) for i in (1, 2)),
        ]
    )
    assert pull_downs.running(bench.conn, job_id) is None


def test_it_is_made_anew_only_when_its_age_makes_it_due(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    made: list[int] = []
    real = Pulling.estimate

    def counted(self: Pulling) -> PullEstimate:
        made.append(self.at_us)
        return real(self)

    monkeypatch.setattr(Pulling, "estimate", counted)
    _, _, lines = job_with_curve(bench, 800)
    bench.live(lines, every_s=10)
    ages = [(at_us - T0_US) / US for at_us in made]
    assert 12 < len(ages) < 30
    assert all(later - age >= min(max(age / 8, 30), 600) - 5 for age, later in pairwise(ages))
    bench.settle()
    assert len(made) == len(ages)


def test_another_process_goes_on_where_this_one_stopped(bench: Bench) -> None:
    job_id, _, lines = job_with_curve(bench, 700)
    bench.live(lines[:90])
    bench.workers[:] = [Worker(bench.config, bench.clock)]  # nothing in memory
    bench.live(lines[90:])
    told = running(bench, job_id)
    bench.conn.execute("DELETE FROM pull_down")
    bench.conn.execute("UPDATE track SET settings = ''")
    bench.publish([Line(lines[-1].time_us, lines[-1].instrument_id, Quantity.PRESSURE, lines[-1].value + 1)])
    bench.settle()
    afresh = running(bench, job_id)
    assert told.start_us == afresh.start_us
    assert told.found.until is not None
    assert afresh.found.until is not None
    # Between them lies what has come since.
    ahead_s = (afresh.at_us - told.at_us) / US
    assert afresh.found.until.value == pytest.approx((told.found.until.value or 0) - ahead_s, rel=0.1)


def test_one_that_cannot_be_estimated_does_not_keep_the_judgement(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(self: Pulling) -> PullEstimate:
        raise ZeroDivisionError

    monkeypatch.setattr(Pulling, "estimate", broken)
    job_id, _, lines = job_with_curve(bench, 400)
    bench.live(lines)
    assert pull_downs.running(bench.conn, job_id) is None
    assert [phase.kind for phase in bench.phases(job_id)] == ["pull-down"]


def test_those_that_have_waited_longest_come_first(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pulling, "MOST", 1)
    gateway = bench.gateway(bench.site())
    gauges = [bench.gauge(gateway, f"g{number}") for number in range(4)]
    made = [bench.job(1, [gauge]) for gauge in gauges]
    lines = [line for gauge in gauges for line in hose(gauge.id, 240)]
    bench.live(lines, every_s=20)
    told = [running(bench, job.id) for job in made]
    # One in 20 s: each has its turn every 80 s.
    assert all(one.at_us > T0_US + 120 * US for one in told)

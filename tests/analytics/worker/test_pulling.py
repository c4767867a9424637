"""The estimate of a running pull-down, as the worker keeps it in the store."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from analytics.core.log_options import DiagnoseOptions
from analytics.core.pull_down import Cells, fold, judge
from analytics.core.track import Pulling
from analytics.worker import pulling
from analytics.worker.judge import Worker
from model.clock import US
from model.equipment import Properties, Role
from model.pull_down import PullEstimate, State
from model.reading import Quantity, Valve
from model.rig import Rig
from store import assignments, changing, equipment, job_changes, jobs, pull_downs, setups
from store.acting import Actor
from store.assignments import Wish
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


def test_while_others_wait_fewer_are_made_and_none_is_forgotten(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    made: list[int] = []
    real = Pulling.estimate

    def counted(self: Pulling) -> PullEstimate:
        made.append(self.at_us)
        return real(self)

    monkeypatch.setattr(Pulling, "estimate", counted)
    gateway = bench.gateway(bench.site())
    gauges = [bench.gauge(gateway, f"g{number}") for number in range(6)]
    jobs_of = [bench.job(1, [gauge]) for gauge in gauges]
    bench.publish([line for gauge in gauges for line in hose(gauge.id, 240)])
    worker = bench.workers[0]
    assert worker.step(bench.conn, 4).jobs == 4  # as many as may be taken: others may wait
    assert len(made) == pulling.HURRIED
    assert worker.step(bench.conn, 4).jobs == 2  # room is left: nobody waits
    assert len(made) == 2 * pulling.HURRIED
    bench.publish([line for gauge in gauges for line in hose(gauge.id, 250) if line.time_us > made[0]])
    bench.settle()
    assert all(running(bench, job.id) for job in jobs_of)


def test_a_gauge_that_is_moved_to_another_circuit_tells_each_job_its_own_pull_down(bench: Bench) -> None:
    job_id, _, lines = job_with_curve(bench, 300)
    gauge_id = lines[-1].instrument_id
    bench.live(lines)
    before = running(bench, job_id)
    moved_us = T0_US + 600 * US
    bench.clock.us = moved_us
    other = jobs.add(bench.conn, "Cold room 4", 1, jobs.by_id(bench.conn, job_id).procedure_id, moved_us)
    wish = Wish(other.id, gauge_id, moved_us, None, deciding=True)
    assignments.assign(bench.conn, wish, Actor("Mara", moved_us), take_over=True)
    bench.live(hose(gauge_id, 400, moved_us))
    mine, yours = running(bench, job_id), running(bench, other.id)
    assert mine.at_us <= before.at_us + 60 * US
    assert yours.start_us >= moved_us
    left_s = REACHED_S - (yours.at_us - moved_us) / US
    assert yours.found.until is not None
    assert yours.found.until.low < left_s < (yours.found.until.high or math.inf)


# Pump and hose -------------------------------------------------------------------------------------------

PUMP_M3_S = 2e-3
HOSE_M = (6.35e-3, 1.5)


def rigged(bench: Bench, pump: Properties) -> tuple[int, int, list[Line]]:
    """A job on a circuit of 12 l, with a registered pump."""
    site = bench.site()
    gateway = bench.gateway(site)
    gauge = bench.gauge(gateway)
    one = equipment.register_instrument(bench.conn, gateway, "p1", pump)
    circuit = equipment.add_circuit(bench.conn, site, "Rack", 0.012)
    job = bench.job(site, [gauge, one])
    bench.conn.execute("UPDATE job SET circuit_id = %s WHERE id = %s", (circuit.id, job.id))
    return job.id, one.id, hose(gauge.id, 400)


def test_the_speed_is_set_against_the_registered_pump_and_the_hose_as_a_log_is(bench: Bench) -> None:
    job_id, _, lines = rigged(bench, Properties(Role.PUMP, pump_m3_s=PUMP_M3_S, ultimate_pa=2.0))
    before = job_changes.details(jobs.by_id(bench.conn, job_id))
    wanted = replace(before, hose_bore_m=HOSE_M[0], hose_length_m=HOSE_M[1])
    job_changes.change(bench.conn, job_id, wanted, Actor("Mara", T0_US))
    bench.live(lines)
    told = running(bench, job_id)
    assert told.rig == Rig(PUMP_M3_S, 2.0, *HOSE_M)
    taken = [line for line in lines if line.time_us <= told.at_us]
    cells = fold(
        Cells(),
        np.array([(line.time_us - told.start_us) / US for line in taken if line.time_us >= told.start_us]),
        np.array([line.value for line in taken if line.time_us >= told.start_us]),
        ATMOSPHERE_PA,
    )
    known = DiagnoseOptions(volume_m3=0.012, pump_m3_s=PUMP_M3_S, hose_m=HOSE_M, ultimate_pa=2.0).known(None)
    alone = judge(cells, told.target_pa, known)
    assert alone.now is not None
    assert told.found.now is not None
    assert told.found.now.of_rating == pytest.approx(alone.now.of_rating, rel=0.02)
    assert told.found.now.of_explained == pytest.approx(alone.now.of_explained, rel=0.02)


def test_another_rating_has_the_running_pull_down_estimated_anew_and_nothing_judged_anew(
    bench: Bench,
) -> None:
    job_id, pump_id, lines = rigged(bench, Properties(Role.PUMP))
    bench.live(lines)
    told = running(bench, job_id)
    assert told.found.now is not None
    assert told.found.now.of_rating is None
    by = Actor("Mara", bench.clock.now_us()).by
    _, again = changing.change_instrument(bench.conn, pump_id, by, Properties(Role.PUMP, pump_m3_s=PUMP_M3_S))
    assert again == []
    bench.settle()
    anew = running(bench, job_id)
    assert anew.rig == Rig(PUMP_M3_S)
    assert anew.found.now is not None
    assert anew.found.now.m3_s is not None
    assert anew.found.now.of_rating == pytest.approx(anew.found.now.m3_s.value / PUMP_M3_S)
    epoch = bench.conn.execute("SELECT epoch FROM track WHERE job_id = %s", (job_id,)).fetchone()
    assert epoch == {"epoch": 0}


def test_a_pump_of_the_job_stands_in_place_of_the_registered_ones(bench: Bench) -> None:
    job_id, _, lines = rigged(bench, Properties(Role.PUMP, pump_m3_s=PUMP_M3_S, ultimate_pa=2.0))
    bench.live(lines)
    before = job_changes.details(jobs.by_id(bench.conn, job_id))
    actor = Actor("Mara", bench.clock.now_us())
    job_changes.change(bench.conn, job_id, replace(before, pump_m3_s=3 * PUMP_M3_S), actor)
    bench.settle()
    assert running(bench, job_id).rig == Rig(3 * PUMP_M3_S)
    event = bench.conn.execute("SELECT text FROM event WHERE kind = 'job-changed'").fetchone()
    assert event is not None
    assert event["text"].endswith(": pump changed by Mara.")


def test_a_closed_job_keeps_the_pump_that_served_it_to_its_end(bench: Bench) -> None:
    job_id, _, lines = rigged(bench, Properties(Role.PUMP, pump_m3_s=PUMP_M3_S))
    bench.live(lines)
    assert setups.load(bench.conn, [job_id])[job_id].rig == Rig(PUMP_M3_S)
    job_changes.close(bench.conn, job_id, Actor("Mara", bench.clock.now_us()))
    assert setups.load(bench.conn, [job_id])[job_id].rig == Rig(PUMP_M3_S)

"""The side of the valve belongs to the assignment: a gauge that is moved in the middle of a job."""

from __future__ import annotations

from dataclasses import replace

import pytest

from model.clock import US
from model.equipment import Instrument, Position
from model.job import Assignment, Job
from model.judgement import Verdict
from model.reading import Quantity, Valve
from store import assignments, changing, hanging, jobs, setups, valve_facts
from store.acting import Actor
from store.assignments import Wish
from tests.analytics.worker.bench import T0_US, Bench, Line, evacuation, pull_down, rise, valve

HOUR = 3600 * US
CLOSED_US = T0_US + 1800 * US


def mara(bench: Bench) -> Actor:
    return Actor("Mara Vogt", bench.clock.now_us())


def made(bench: Bench, position: Position = Position.CIRCUIT) -> tuple[Job, Instrument, Instrument]:
    site = bench.site()
    gateway = bench.gateway(site)
    gauge, shut = bench.gauge(gateway, position=position), bench.valve(gateway)
    return bench.job(site, [shut]), gauge, shut


def hang(bench: Bench, job: Job, gauge: Instrument, side: Position, since_us: int) -> None:
    with bench.conn.transaction():
        hanging.hang(bench.conn, job.id, gauge, side, since_us, mara(bench))


def test_a_gauge_registered_on_the_pumps_side_judges_where_it_was_hung_on_the_circuits(bench: Bench) -> None:
    job, gauge, shut = made(bench, Position.PUMP)
    hang(bench, job, gauge, Position.CIRCUIT, T0_US - HOUR)
    bench.live(evacuation(gauge.id, shut.id, pa_per_s=0.5))
    assert [hold.verdict for hold in bench.holds(job.id)] == [Verdict.FAILED]
    # What is registered does not speak against what was said at the site.
    wanted = replace(changing.properties_of(gauge), accuracy=0.05)
    with bench.conn.transaction():
        changing.change_instrument(bench.conn, gauge.id, mara(bench).by, wanted)
    bench.settle()
    assert [hold.verdict for hold in bench.holds(job.id)] == [Verdict.FAILED]


def test_what_it_reads_on_the_pumps_side_judges_nothing_though_it_is_registered_on_the_circuits(
    bench: Bench,
) -> None:
    job, gauge, shut = made(bench)
    hang(bench, job, gauge, Position.PUMP, T0_US - HOUR)
    bench.live(evacuation(gauge.id, shut.id, pa_per_s=0.5))
    (hold,) = bench.holds(job.id)
    assert (hold.verdict, hold.start_pa) == (Verdict.INCONCLUSIVE, None)


def test_a_gauge_moved_in_the_middle_is_judged_by_each_span_of_its_readings(bench: Bench) -> None:
    """It pulls down on the pump's side, where it flatters; only what it read on the circuit counts."""
    job, gauge, shut = made(bench)
    hang(bench, job, gauge, Position.PUMP, T0_US - HOUR)
    moved_us = T0_US + 900 * US
    bench.live([valve(shut.id, T0_US, Valve.OPEN), *pull_down(gauge.id, T0_US, 900, to_pa=5.0)])
    assert not [one for one in bench.phases(job.id) if one.lowest_pa is not None and one.lowest_pa < 20.0]
    bench.clock.us = moved_us
    hang(bench, job, gauge, Position.CIRCUIT, moved_us)
    circuit = [
        Line(moved_us + n * 5 * US, gauge.id, Quantity.PRESSURE, 30.0 + 2000.0 * 0.95**n) for n in range(180)
    ]
    bench.live([*circuit, valve(shut.id, CLOSED_US, Valve.CLOSED)])
    bench.live(rise(gauge.id, CLOSED_US, 2400, from_pa=31.0, pa_per_s=0.5))
    (hold,) = bench.holds(job.id)
    assert (hold.verdict, hold.deciding_instrument_id) == (Verdict.FAILED, gauge.id)
    spans = [(one.side, one.since_us, one.until_us, one.deciding) for one in served(bench, job, gauge)]
    assert spans == [
        (Position.PUMP, T0_US - HOUR, moved_us, False),
        (Position.CIRCUIT, moved_us, None, True),
    ]
    # Nothing of the pump's side is in the judgement, however it is made anew.
    with bench.conn.transaction():
        assignments.correct(
            bench.conn,
            served(bench, job, gauge)[1].id,
            Wish(job.id, gauge.id, moved_us + US, None, True, Position.CIRCUIT),
            mara(bench),
        )
    bench.settle()
    lowest = [one.lowest_pa for one in bench.phases(job.id) if one.lowest_pa is not None]
    assert min(lowest) > 20.0


def test_a_gauge_moved_off_the_circuit_in_a_hold_leaves_it_without_a_pass(bench: Bench) -> None:
    job, gauge, shut = made(bench)
    hang(bench, job, gauge, Position.CIRCUIT, T0_US - HOUR)
    lines = evacuation(gauge.id, shut.id, pa_per_s=0.0)
    moved_us = CLOSED_US + 600 * US
    bench.live([one for one in lines if one.time_us < moved_us])
    bench.clock.us = moved_us
    hang(bench, job, gauge, Position.PUMP, moved_us)
    bench.live([one for one in lines if one.time_us >= moved_us])
    bench.settle(CLOSED_US + 30 * HOUR)
    assert [hold.verdict for hold in bench.holds(job.id)] == [Verdict.INCONCLUSIVE]


def test_the_interlocks_see_the_gauge_where_it_hangs_now(bench: Bench) -> None:
    job, gauge, shut = made(bench)
    bench.clock.us = T0_US
    hang(bench, job, gauge, Position.CIRCUIT, T0_US - HOUR)
    bench.publish([Line(T0_US, gauge.id, Quantity.PRESSURE, 40.0), valve(shut.id, T0_US, Valve.OPEN)])
    bench.settle()
    facts = valve_facts.gather(bench.conn, shut.id, bench.clock.now_us(), person_id=None)
    assert facts.circuit is not None
    assert facts.pump_side is None
    bench.clock.us = T0_US + 60 * US
    hang(bench, job, gauge, Position.PUMP, bench.clock.now_us())
    facts = valve_facts.gather(bench.conn, shut.id, bench.clock.now_us(), person_id=None)
    assert facts.circuit is None
    assert facts.pump_side is not None


def test_to_hang_it_again_on_its_side_or_since_the_beginning_makes_no_second_span(bench: Bench) -> None:
    job, gauge, _ = made(bench)
    hang(bench, job, gauge, Position.CIRCUIT, T0_US)
    hang(bench, job, gauge, Position.CIRCUIT, T0_US + HOUR)
    hang(bench, job, gauge, Position.PUMP, T0_US - HOUR)
    (one,) = served(bench, job, gauge)
    assert (one.since_us, one.side, one.deciding) == (T0_US - HOUR, Position.PUMP, False)


@pytest.mark.parametrize("said", [None, Position.PUMP])
def test_without_a_word_of_the_side_the_registered_one_counts(bench: Bench, said: Position | None) -> None:
    job, gauge, _ = made(bench, Position.PUMP)
    with bench.conn.transaction():
        assignments.assign(bench.conn, Wish(job.id, gauge.id, T0_US, side=said), mara(bench))
    setup = setups.load(bench.conn, [job.id])[job.id]
    assert {one.position for one in setup.instruments if one.id == gauge.id} == {Position.PUMP}


def served(bench: Bench, job: Job, gauge: Instrument) -> list[Assignment]:
    return [one for one in jobs.assignments(bench.conn, job.id) if one.instrument_id == gauge.id]

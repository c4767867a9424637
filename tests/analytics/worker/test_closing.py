"""When a job is over."""

from __future__ import annotations

from model.clock import US
from model.event import EventKind
from model.job import JobState
from store import jobs, lists
from tests.analytics.worker.bench import T0_US, Bench, evacuation, pull_down, rise

BROKEN_US = T0_US + 4200 * US


def test_a_finished_job_closes_when_its_vacuum_has_been_broken_for_half_an_hour(bench: Bench) -> None:
    site = bench.site()
    gateway = bench.gateway(site)
    gauge, valve = bench.gauge(gateway), bench.valve(gateway)
    job = bench.job(site, [gauge, valve])
    bench.live(evacuation(gauge.id, valve.id))
    bench.live(rise(gauge.id, BROKEN_US, 600, from_pa=101_325.0, pa_per_s=0.0))
    assert bench.state(job.id) is JobState.FINISHED
    # No more readings: the time alone closes it.
    bench.settle(BROKEN_US + 1790 * US)
    assert bench.state(job.id) is JobState.FINISHED
    bench.settle(BROKEN_US + 1801 * US)
    found = jobs.by_id(bench.conn, job.id)
    assert (found.state, found.closed_us) == (JobState.CLOSED, BROKEN_US + 1800 * US)
    assert all(one.until_us == found.closed_us for one in jobs.assignments(bench.conn, job.id))
    assert bench.told(job.id)[-1] == EventKind.JOB_CLOSED


def test_a_job_with_a_crew_is_not_closed_while_they_mend(bench: Bench) -> None:
    site = bench.site()
    gateway = bench.gateway(site)
    gauge, valve = bench.gauge(gateway), bench.valve(gateway)
    job = bench.job(site, [gauge, valve])
    bench.live(evacuation(gauge.id, valve.id, pa_per_s=0.5))
    bench.live(rise(gauge.id, BROKEN_US, 6 * 3600, from_pa=101_325.0, pa_per_s=0.0, every_s=30))
    assert bench.state(job.id) is JobState.UNPROVEN
    bench.live(pull_down(gauge.id, BROKEN_US + 6 * 3600 * US, 900))
    assert bench.state(job.id) is JobState.RUNNING
    assert len(bench.jobs()) == 1


def test_an_unproven_walk_up_closes_after_four_hours_in_the_open(bench: Bench) -> None:
    gateway = bench.gateway(bench.site())
    gauge, valve = bench.gauge(gateway), bench.valve(gateway)
    bench.live(evacuation(gauge.id, valve.id, pa_per_s=0.5))
    bench.live(rise(gauge.id, BROKEN_US, 5 * 3600, from_pa=101_325.0, pa_per_s=0.0, every_s=30))
    (job,) = bench.jobs()
    assert (job.state, job.closed_us) == (JobState.CLOSED, BROKEN_US + 4 * 3600 * US)


def test_a_job_whose_series_is_gone_closes_when_patience_is_over(bench: Bench) -> None:
    site = bench.site()
    gateway = bench.gateway(site)
    gauge, valve = bench.gauge(gateway), bench.valve(gateway)
    job = bench.job(site, [gauge, valve])
    bench.live(evacuation(gauge.id, valve.id))
    last_us = bench.clock.us
    bench.settle(last_us + 23 * 3600 * US)
    assert bench.state(job.id) is JobState.FINISHED
    bench.settle(last_us + 25 * 3600 * US)
    assert bench.state(job.id) is JobState.CLOSED


def test_late_readings_that_turn_a_closed_jobs_pass_into_a_fail_open_it_again(bench: Bench) -> None:
    site = bench.site()
    gateway = bench.gateway(site)
    gauge, valve = bench.gauge(gateway), bench.valve(gateway)
    job = bench.job(site, [gauge, valve])
    lines = evacuation(gauge.id, valve.id)
    bench.live(lines)
    bench.live(rise(gauge.id, BROKEN_US, 2400, from_pa=101_325.0, pa_per_s=0.0))
    assert bench.state(job.id) is JobState.CLOSED
    # A burst that the gateway had kept: two minutes and a half over the limit in the middle of the hold.
    start_us = T0_US + 2400 * US + 2 * US
    bench.publish(rise(gauge.id, start_us, 150, from_pa=400.0, pa_per_s=0.0, every_s=1))
    bench.settle()
    assert EventKind.HOLD_FAILED in bench.told(job.id)
    # As if they had come in time: it is not finished, and waits for its crew.
    assert bench.state(job.id) is JobState.UNPROVEN
    assert all(one.until_us is None for one in jobs.assignments(bench.conn, job.id))
    (closed,) = [row for row in lists.timeline(bench.conn, job.id, 50) if ": closed;" in row["text"]]
    assert closed["void"]


def test_late_readings_that_show_an_earlier_break_move_the_end_and_the_next_beginning(bench: Bench) -> None:
    gateway = bench.gateway(bench.site())
    gauge, valve = bench.gauge(gateway), bench.valve(gateway)
    broken = rise(gauge.id, BROKEN_US, 4800, from_pa=101_325.0, pa_per_s=0.0)
    late_us = BROKEN_US + 1200 * US
    bench.live(evacuation(gauge.id, valve.id))
    bench.live([line for line in broken if line.time_us >= late_us])
    bench.live(pull_down(gauge.id, BROKEN_US + 4800 * US, 900))
    first, second = bench.jobs()
    assert first.closed_us == late_us + 1800 * US
    bench.publish([line for line in broken if line.time_us < late_us])
    bench.settle()
    first, second = bench.jobs()
    end_us = BROKEN_US + 1800 * US
    assert first.closed_us == end_us
    assert {one.until_us for one in jobs.assignments(bench.conn, first.id)} == {end_us}
    assert {one.since_us for one in jobs.assignments(bench.conn, second.id)} == {end_us}
    assert bench.phases(first.id)[-1].start_us == BROKEN_US
    assert bench.phases(second.id)[0].start_us == end_us

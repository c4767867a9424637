"""Gauges that nobody assigned open walk-up jobs."""

from __future__ import annotations

import random
import threading

import pytest

from analytics.worker.judge import Worker
from desk.worker import alerting, passing
from model.alert import Alert
from model.clock import US
from model.equipment import Position, Role
from model.event import EventKind
from model.job import JobState
from model.judgement import Verdict
from model.reading import Quantity
from store import alerts, equipment, events, jobs, judgement, lists
from store.database import connect
from tests.analytics.worker.bench import T0_US, Bench, Line, evacuation, pull_down, rise


def test_the_first_reading_below_50_kpa_opens_a_job_at_the_gateways_site(bench: Bench) -> None:
    site = bench.site()
    gateway = bench.gateway(site)
    gauge, valve, pump = bench.gauge(gateway), bench.valve(gateway), bench.gauge(gateway, "p1", Position.PUMP)
    lines = pull_down(gauge.id, T0_US, 600)
    high = [line for line in lines if line.value >= 50_000]
    bench.live(high)
    assert bench.jobs() == []
    bench.live(lines)
    (job,) = bench.jobs()
    assert (job.walk_up, job.state, job.site_id) == (True, JobState.RUNNING, site)
    assert "gw-1/g1" in job.title
    assert {one.instrument_id for one in jobs.assignments(bench.conn, job.id)} == {
        gauge.id,
        valve.id,
        pump.id,
    }
    first = min(events.of_job(bench.conn, job.id), key=lambda event: event.id)
    assert first.kind is EventKind.JOB_OPENED
    assert first.happened_us == next(line.time_us for line in lines if line.value < 50_000)
    # The readings from before it opened belong to it too.
    assert bench.phases(job.id)[0].start_us == T0_US


def test_a_gateway_with_two_circuit_gauges_gives_each_a_job_and_lends_its_valve_to_none(bench: Bench) -> None:
    gateway = bench.gateway(bench.site())
    one, two, valve = bench.gauge(gateway, "g1"), bench.gauge(gateway, "g2"), bench.valve(gateway)
    bench.live([*pull_down(one.id, T0_US, 600), *pull_down(two.id, T0_US + 60 * US, 600)])
    served = [{a.instrument_id for a in jobs.assignments(bench.conn, job.id)} for job in bench.jobs()]
    assert sorted(served, key=min) == [{one.id}, {two.id}]
    assert valve.id not in set().union(*served)


def test_a_pump_side_gauge_opens_a_job_only_where_it_is_alone(bench: Bench) -> None:
    site = bench.site()
    both, alone = bench.gateway(site, "gw-both"), bench.gateway(site, "gw-alone")
    bench.gauge(both, "g1")
    beside = bench.gauge(both, "p1", Position.PUMP)
    lonely = bench.gauge(alone, "p1", Position.PUMP)
    bench.live([*pull_down(beside.id, T0_US, 600), *pull_down(lonely.id, T0_US, 600)])
    (job,) = bench.jobs()
    assert [a.instrument_id for a in jobs.assignments(bench.conn, job.id)] == [lonely.id]


def test_a_gauge_that_rests_over_its_range_opens_nothing(bench: Bench) -> None:
    gateway = bench.gateway(bench.site())
    top_pa = 3333.0
    small = equipment.add_instrument(bench.conn, gateway, "small", Role.GAUGE, range_high_pa=top_pa)
    rests = [Line(T0_US + i * 10 * US, small.id, Quantity.PRESSURE, top_pa) for i in range(60)]
    bench.live(rests)
    assert bench.jobs() == []
    low_us = T0_US + 600 * US
    bench.live([Line(low_us, small.id, Quantity.PRESSURE, 0.9 * top_pa)])
    (job,) = bench.jobs()
    assert job.state is JobState.RUNNING
    assert bench.told(job.id) == [EventKind.JOB_OPENED]


@pytest.mark.parametrize("on_change", [False, True])
def test_a_gauge_that_reports_over_range_opens_nothing_until_it_reads_again(
    bench: Bench, on_change: bool
) -> None:
    gateway = bench.gateway(bench.site())
    unknown = equipment.add_instrument(bench.conn, gateway, "unknown", Role.GAUGE)
    lines = [Line(T0_US - 10 * US, unknown.id, Quantity.OVERRANGE, 0.0)] if on_change else []
    for i in range(60):
        at_us = T0_US + i * 10 * US
        lines.append(Line(at_us, unknown.id, Quantity.PRESSURE, 3333.0))
        if i == 0 or not on_change:
            lines.append(Line(at_us, unknown.id, Quantity.OVERRANGE, 1.0))
    bench.live(lines)
    assert bench.jobs() == []
    low_us = T0_US + 600 * US
    low = [Line(low_us, unknown.id, Quantity.PRESSURE, 3000.0)]
    if on_change:
        low.append(Line(low_us, unknown.id, Quantity.OVERRANGE, 0.0))
    bench.live(low)
    (job,) = bench.jobs()
    (opened,) = [one for one in events.of_job(bench.conn, job.id) if one.kind is EventKind.JOB_OPENED]
    assert opened.happened_us == low_us


def test_an_assigned_gauge_opens_nothing(bench: Bench) -> None:
    site = bench.site()
    gateway = bench.gateway(site)
    gauge = bench.gauge(gateway)
    job = bench.job(site, [gauge])
    bench.live(pull_down(gauge.id, T0_US, 600))
    assert [one.id for one in bench.jobs()] == [job.id]


def test_an_instrument_that_serves_another_job_is_left_there(bench: Bench) -> None:
    site = bench.site()
    gateway = bench.gateway(site)
    gauge, valve = bench.gauge(gateway), bench.valve(gateway)
    other = bench.job(site, [valve])
    bench.live(pull_down(gauge.id, T0_US, 600))
    walk_up = next(job for job in bench.jobs() if job.walk_up)
    assert [a.instrument_id for a in jobs.assignments(bench.conn, walk_up.id)] == [gauge.id]
    assert [a.instrument_id for a in jobs.assignments(bench.conn, other.id)] == [valve.id]


def test_the_next_evacuation_after_a_closed_one_opens_another_job(bench: Bench) -> None:
    gateway = bench.gateway(bench.site())
    gauge, valve = bench.gauge(gateway), bench.valve(gateway)
    broken_us = T0_US + 4200 * US
    bench.live(evacuation(gauge.id, valve.id, every_s=10))
    bench.live(rise(gauge.id, broken_us, 3600, from_pa=101_325.0, pa_per_s=0.0, every_s=10))
    (first,) = bench.jobs()
    assert first.state is JobState.CLOSED
    assert first.closed_us == broken_us + 1800 * US
    assert bench.told(first.id)[-1] == EventKind.JOB_CLOSED
    bench.live(pull_down(gauge.id, broken_us + 3600 * US, 900, every_s=10))
    assert [job.state for job in bench.jobs()] == [JobState.CLOSED, JobState.RUNNING]


def test_readings_of_a_valve_handled_before_its_gauge_opened_the_job_count(bench: Bench) -> None:
    gateway = bench.gateway(bench.site())
    gauge, valve = bench.gauge(gateway), bench.valve(gateway)
    lines = evacuation(gauge.id, valve.id, pa_per_s=0.01)
    bench.clock.us = max(line.time_us for line in lines)
    # The transaction that opens the job does not see the valve's readings yet, and another handles them
    # meanwhile.
    with connect(bench.dsn, application="test") as other:
        other.execute("BEGIN ISOLATION LEVEL REPEATABLE READ")
        bench.publish([line for line in lines if line.instrument_id == gauge.id])
        other.execute("SELECT 1 FROM work")
        bench.publish([line for line in lines if line.instrument_id == valve.id])
        bench.conn.execute("DELETE FROM work WHERE instrument_id = %s", (valve.id,))
        bench.worker.step(other, 100)
        other.commit()
    bench.settle()
    (job,) = bench.jobs()
    (hold,) = bench.holds(job.id)
    assert hold.by_valve


def test_workers_that_see_a_gateway_at_once_open_one_job_for_each_gauge(bench: Bench) -> None:
    site = bench.site()
    gauges = []
    for number in range(8):
        gateway = bench.gateway(site, f"gw-{number}")
        gauges += [
            bench.gauge(gateway),
            equipment.add_instrument(bench.conn, gateway, "t1", Role.THERMOMETER),
            bench.valve(gateway),
        ]
    lines: list[Line] = []
    for gauge in gauges:
        lines += pull_down(gauge.id, T0_US, 300) if gauge.role is Role.GAUGE else []
    bench.clock.us = T0_US + 300 * US
    bench.publish(lines)

    def work() -> None:
        worker = Worker(bench.config, bench.clock)
        with connect(bench.dsn, application="test", autocommit=True) as conn:
            while conn.execute("SELECT 1 FROM work LIMIT 1").fetchone():
                worker.step(conn, 2)

    threads = [threading.Thread(target=work) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    bench.settle()
    found = bench.jobs()
    assert len(found) == 8
    assert all(len(jobs.assignments(bench.conn, job.id)) == 3 for job in found)
    assert all(len(bench.phases(job.id)) >= 1 for job in found)


@pytest.mark.parametrize("order", ["in order", "later first", "newest first"])
def test_walk_ups_more_than_a_day_apart_are_the_same_in_whatever_order_they_come(
    bench: Bench, order: str
) -> None:
    gateway = bench.gateway(bench.site())
    gauge, valve = bench.gauge(gateway), bench.valve(gateway)
    later_us = T0_US + 33 * 3600 * US
    parts = [
        sorted(
            [
                *evacuation(gauge.id, valve.id, start_us, pa_per_s=pa_per_s, every_s=10),
                *rise(gauge.id, start_us + 4200 * US, 3600, from_pa=101_325.0, pa_per_s=0.0, every_s=10),
            ]
        )
        for start_us, pa_per_s in ((T0_US, 0.5), (later_us, 0.01))
    ]
    if order != "in order":
        parts.reverse()
    if order == "newest first":
        lines = [line for part in parts for line in reversed(part)]
        parts = [lines[i : i + 60] for i in range(0, len(lines), 60)]
    bench.clock.us = later_us + 12 * 3600 * US
    for part in parts:
        bench.publish(part)
        bench.settle()
    found = []
    for job in bench.jobs():
        served = {one.instrument_id for one in jobs.assignments(bench.conn, job.id)}
        holds = [(hold.start_us, hold.by_valve, hold.verdict) for hold in bench.holds(job.id)]
        found.append((holds, served, job.state, job.closed_us))
    # The failed one may still be pumped down again for four hours.
    open_s = {T0_US: 18_600, later_us: 6000}
    assert sorted(found, key=str) == [
        (
            [(start_us + 1800 * US, True, verdict)],
            {gauge.id, valve.id},
            JobState.CLOSED,
            start_us + open_s[start_us] * US,
        )
        for start_us, verdict in ((T0_US, Verdict.FAILED), (later_us, Verdict.PASSED))
    ]


def two_evacuations(gauge: int, valve: int, apart_us: int) -> tuple[list[Line], list[Line]]:
    """Each fails its hold and stays open for five hours after it."""
    one, two = (
        sorted(
            [
                *evacuation(gauge, valve, start_us, pa_per_s=0.5, every_s=30),
                *rise(gauge, start_us + 4200 * US, 5 * 3600, from_pa=101_325.0, pa_per_s=0.0, every_s=120),
            ]
        )
        for start_us in (T0_US, T0_US + apart_us)
    )
    return one, two


def test_a_job_stays_with_the_evacuation_that_people_know_it_by(bench: Bench) -> None:
    gateway = bench.gateway(bench.site())
    gauge, valve = bench.gauge(gateway, interval_s=30.0), bench.valve(gateway)
    earlier, later = two_evacuations(gauge.id, valve.id, 8 * 3600 * US)
    bench.clock.us = T0_US + 12 * 3600 * US
    bench.publish(later)
    bench.settle()
    (known,) = bench.jobs()
    bench.conn.execute("UPDATE job SET title = 'Cold store, circuit 2' WHERE id = %s", (known.id,))
    (stored,) = judgement.holds(bench.conn, [known.id])[known.id]
    bench.publish(earlier)
    bench.settle()
    kept, added = bench.jobs()
    assert (kept.title, kept.opened_us) == ("Cold store, circuit 2", known.opened_us)
    assert added.opened_us < kept.opened_us
    (again,) = judgement.holds(bench.conn, [known.id])[known.id]
    assert (again.id, again.revision, again.withdrawn) == (stored.id, stored.revision, False)
    assert bench.told(kept.id).count(EventKind.HOLD_FAILED) == 1
    assert bench.told(added.id).count(EventKind.HOLD_FAILED) == 1


def test_a_hold_that_changes_jobs_takes_its_alert_along(bench: Bench) -> None:
    gateway = bench.gateway(bench.site())
    gauge, valve = bench.gauge(gateway, interval_s=30.0), bench.valve(gateway)
    # Without the hours between them in the open, both are one job.
    earlier, later = two_evacuations(gauge.id, valve.id, 8 * 3600 * US)
    closed = [line for line in earlier if line.time_us >= T0_US + 4200 * US]
    bench.live([line for line in [*earlier, *later] if line not in set(closed)], every_s=600)
    (job,) = bench.jobs()
    alerting.work_off(bench.conn, bench.clock, passing.Outlets((), "urn:test"))
    before = {alert.id: alert.key for alert in _failed(bench)}
    assert len(before) == 2
    bench.publish(closed)
    bench.settle()
    alerting.work_off(bench.conn, bench.clock, passing.Outlets((), "urn:test"))
    first, second = bench.jobs()
    assert first.id == job.id
    after = {alert.id: alert for alert in _failed(bench)}
    assert after.keys() == before.keys()
    assert {alert.job_id for alert in after.values()} == {first.id, second.id}
    assert all(alert.count == 1 for alert in after.values())
    moved = next(alert for alert in after.values() if alert.job_id == second.id)
    assert moved.key.startswith(f"job:{second.id}/hold:")
    assert [bench.told(one.id).count(EventKind.HOLD_FAILED) for one in (first, second)] == [1, 1]
    assert [len(bench.holds(one.id)) for one in (first, second)] == [1, 1]


def test_a_job_that_was_none_of_its_own_says_where_its_readings_are(bench: Bench) -> None:
    gateway = bench.gateway(bench.site())
    gauge, valve = bench.gauge(gateway, interval_s=30.0), bench.valve(gateway)
    earlier, later = two_evacuations(gauge.id, valve.id, 8 * 3600 * US)
    bench.live([*earlier, *later], every_s=600)
    assert len(bench.jobs()) == 2
    # A pumping in between, which came late: the first job was not four hours in the open.
    again = pull_down(gauge.id, T0_US + 7200 * US, 18_000, every_s=10)
    open_air = {line.time_us for line in earlier}
    bench.publish([line for line in again if line.time_us not in open_air])
    bench.settle()
    first, second = bench.jobs()
    assert lists.withdrawn(bench.conn, second.id)
    assert jobs.assignments(bench.conn, second.id) == []
    assert second.merged_into == first.id
    assert bench.phases(second.id) == []
    assert len(bench.holds(first.id)) == 2


def _failed(bench: Bench) -> list[Alert]:
    rows = bench.conn.execute("SELECT id FROM alert WHERE kind = 'hold-failed' AND state <> 'normal'")
    return [alerts.by_id(bench.conn, row["id"]) for row in rows]


def test_workers_cut_the_same_walk_ups_at_once_without_losing_any(bench: Bench) -> None:
    site = bench.site()
    packs: list[list[Line]] = []
    for number in range(4):
        gateway = bench.gateway(site, f"gw-{number}")
        gauge, valve = bench.gauge(gateway, interval_s=30.0), bench.valve(gateway)
        lines = [line for part in two_evacuations(gauge.id, valve.id, 8 * 3600 * US) for line in part]
        packs += [lines[i : i + 100] for i in range(0, len(lines), 100)]
    random.Random(4).shuffle(packs)
    bench.clock.us = T0_US + 20 * 3600 * US
    failures: list[BaseException] = []
    published = threading.Event()

    def work() -> None:
        try:
            worker = Worker(bench.config, bench.clock)
            with connect(bench.dsn, application="test", autocommit=True) as conn:
                while not published.is_set() or conn.execute("SELECT 1 FROM work LIMIT 1").fetchone():
                    worker.step(conn, 2)
        except BaseException as error:
            failures.append(error)

    threads = [threading.Thread(target=work) for _ in range(4)]
    for thread in threads:
        thread.start()
    for pack in packs:
        bench.publish(pack)
    published.set()
    for thread in threads:
        thread.join()
    assert failures == []
    bench.settle()
    found = [job for job in bench.jobs() if not lists.withdrawn(bench.conn, job.id)]
    assert sorted(job.opened_us for job in found) == sorted(
        4 * [T0_US + 60 * US] + 4 * [T0_US + (8 * 3600 + 60) * US]
    )
    assert all(len(bench.holds(job.id)) == 1 and job.state is JobState.CLOSED for job in found)

"""Work is claimed once, in order, and nobody waits for anybody."""

from __future__ import annotations

import psycopg
import pytest

from model.clock import US
from model.judgement import Verdict
from store import timers, work
from store.database import connect
from store.timers import Timer
from store.work import Span
from tests.analytics.worker.bench import T0_US, Bench, evacuation


def test_two_workers_never_hold_the_same_instrument(bench: Bench) -> None:
    work.add(bench.conn, [Span(number, T0_US, T0_US) for number in (3, 1, 2, 1)])
    with connect(bench.dsn, application="test") as one, connect(bench.dsn, application="test") as two:
        first = work.claim(one, 2)
        assert [item.instrument_id for item in first] == [3, 1]
        assert [item.instrument_id for item in work.claim(two, 10)] == [2]
        assert work.claim(two, 10)[0].instrument_id == 2


def test_a_hot_instrument_that_one_worker_holds_hides_no_other_from_the_next(bench: Bench) -> None:
    hot = [Span(1, T0_US, T0_US)] * (2 * work.LOOK_AHEAD + 1)
    work.add(bench.conn, [*hot, Span(2, T0_US, T0_US)])
    with connect(bench.dsn, application="test") as one, connect(bench.dsn, application="test") as two:
        assert [item.instrument_id for item in work.claim(one, 10)] == [1]
        assert [item.instrument_id for item in work.claim(two, 10)] == [2]


def test_some_are_claimed_before_the_oldest_and_however_far_behind(bench: Bench) -> None:
    crowd = [Span(number, T0_US, T0_US) for number in range(1, 2 * work.LOOK_AHEAD)]
    work.add(bench.conn, [*crowd, Span(9_001, T0_US, T0_US), Span(9_002, T0_US, T0_US)])
    with connect(bench.dsn, application="test") as one:
        claimed = [item.instrument_id for item in work.claim(one, 3, first=[9_002, 9_003])]
    assert sorted(claimed) == [1, 2, 9_002]


def test_a_hold_over_its_limit_is_judged_before_a_crowd_that_waits(bench: Bench) -> None:
    site = bench.site()
    gateway = bench.gateway(site)
    gauge, valve = bench.gauge(gateway), bench.valve(gateway)
    job = bench.job(site, [gauge, valve])
    lines = sorted(evacuation(gauge.id, valve.id, pa_per_s=0.5))
    while not bench.worker.memory.first(10):
        now_us = lines[0].time_us + 10 * US
        coming = [line for line in lines if line.time_us <= now_us]
        lines = lines[len(coming) :]
        bench.live(coming)
    assert sorted(bench.worker.memory.first(10)) == sorted([gauge.id, valve.id])
    assert not bench.holds(job.id)[-1].verdict.final
    work.add(bench.conn, [Span(number, T0_US, T0_US) for number in range(10_000, 10_100)])
    bench.clock.us = lines[-1].time_us
    bench.publish(lines)
    bench.worker.step(bench.conn, 10)
    assert bench.holds(job.id)[-1].verdict is Verdict.FAILED
    assert bench.worker.memory.first(10) == []


def test_readings_that_come_while_work_is_done_stay_work(bench: Bench) -> None:
    work.add(bench.conn, [Span(1, T0_US, T0_US + US)])
    with connect(bench.dsn, application="test") as one:
        claimed = work.claim(one, 10)
        work.add(bench.conn, [Span(1, T0_US + 2 * US, T0_US + 3 * US)])
        work.done(one, claimed)
        one.commit()
    (left,) = work.claim(bench.conn, 10)
    assert (left.since_us, left.until_us) == (T0_US + 2 * US, T0_US + 3 * US)


def test_a_job_that_another_worker_judges_keeps_its_work(bench: Bench) -> None:
    site = bench.site()
    gateway = bench.gateway(site)
    gauge, valve = bench.gauge(gateway), bench.valve(gateway)
    job = bench.job(site, [gauge, valve])
    lines = evacuation(gauge.id, valve.id, pa_per_s=0.5)
    bench.clock.us = max(line.time_us for line in lines)
    bench.publish(lines)
    with connect(bench.dsn, application="test") as other:
        assert work.lock_jobs(other, [job.id]) == {job.id}
        assert bench.worker.step(bench.conn, 100).jobs == 0
        assert bench.phases(job.id) == []
    bench.settle()
    assert bench.holds(job.id)[0].verdict is Verdict.FAILED


def test_a_timer_is_replaced_by_the_next_of_its_subject_and_taken_once(bench: Bench) -> None:
    timers.put(bench.conn, [Timer("a", "1", T0_US), Timer("a", "1", T0_US + 5 * US), Timer("b", "1", T0_US)])
    assert timers.due(bench.conn, ["a"], T0_US, 10) == []
    assert timers.next_due_us(bench.conn, ["a"]) == T0_US + 5 * US
    assert timers.claim(bench.conn, ["a", "b"], T0_US + 9 * US, 10) == [
        Timer("b", "1", T0_US),
        Timer("a", "1", T0_US + 5 * US),
    ]
    assert timers.claim(bench.conn, ["a", "b"], T0_US + 9 * US, 10) == []


def test_a_timer_moved_into_the_future_is_not_taken(bench: Bench) -> None:
    timers.put(bench.conn, [Timer("a", "1", T0_US)])
    (due,) = timers.due(bench.conn, ["a"], T0_US, 10)
    timers.put(bench.conn, [Timer("a", "1", T0_US + 60 * US)])
    assert timers.take(bench.conn, due.kind, [due.subject], T0_US) == []
    assert timers.next_due_us(bench.conn, ["a"]) == T0_US + 60 * US


def test_a_broken_connection_gives_its_work_to_another_worker(bench: Bench) -> None:
    work.add(bench.conn, [Span(7, T0_US, T0_US)])
    with connect(bench.dsn, application="test") as victim:
        assert work.claim(victim, 10)
        assert work.claim(bench.conn, 10) == []
        pid = victim.info.backend_pid
        bench.conn.execute("SELECT pg_terminate_backend(%s, 5000)", (pid,))
        assert [item.instrument_id for item in work.claim(bench.conn, 10)] == [7]
        with pytest.raises(psycopg.OperationalError):
            victim.execute("SELECT 1")

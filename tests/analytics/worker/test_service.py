"""The process: judges what is announced, lives through a lost database, stops at once."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

from analytics.worker.config import AnalyseConfig
from analytics.worker.service import run
from model.clock import US, SystemClock
from model.judgement import Verdict
from ops.embedded.postgres import EmbeddedPostgres
from store import beats
from store.database import connect
from tests.analytics.worker.bench import Bench, evacuation, open_bench
from tests.waiting import wait_until

STOP_S = 10.0
"""Generous for a loaded machine; the process glances at its flag twice a second."""


@contextmanager
def running(dsn: str) -> Iterator[threading.Event]:
    stop = threading.Event()
    config = AnalyseConfig(dsn=dsn, instance="here", transit_s=0.0)
    thread = threading.Thread(target=run, args=(config, SystemClock(), stop))
    thread.start()
    try:
        yield stop
    finally:
        stop.set()
        thread.join(STOP_S)
        assert not thread.is_alive()


def prepared(bench: Bench) -> tuple[int, int, int]:
    site = bench.site()
    gateway = bench.gateway(site)
    gauge, valve = bench.gauge(gateway), bench.valve(gateway)
    return bench.job(site, [gauge, valve]).id, gauge.id, valve.id


def test_a_failing_hold_is_judged_without_being_asked(bench: Bench) -> None:
    job_id, gauge, valve = prepared(bench)
    with running(bench.dsn):
        wait_until(lambda: beats.ages(bench.conn).get("analyse"), what="a sign of life")
        bench.publish(evacuation(gauge, valve, pa_per_s=0.5))
        wait_until(lambda: bench.holds(job_id), what="the hold")
        wait_until(lambda: bench.holds(job_id)[0].verdict is Verdict.FAILED, what="the verdict")
    assert "analyse" not in beats.ages(bench.conn)


def test_a_timer_goes_off_without_readings(bench: Bench) -> None:
    job_id, gauge, valve = prepared(bench)
    now_us = time.time_ns() // 1000
    # The hold's planned end and patience are long over: what was awaited is given up by time alone.
    lines = evacuation(gauge, valve, now_us - 40 * 3600 * US, hold_s=900)
    bench.conn.execute("UPDATE assignment SET since = since - interval '10 years'")
    with running(bench.dsn):
        bench.publish(lines)
        wait_until(
            lambda: [hold.verdict for hold in bench.holds(job_id)] == [Verdict.INCONCLUSIVE],
            what="the verdict",
        )


def test_the_database_may_go_and_come_back(own_postgres: EmbeddedPostgres) -> None:
    dsn = own_postgres.dsn
    with running(dsn):
        with connect(dsn, application="test", autocommit=True) as conn:
            wait_until(lambda: beats.ages(conn).get("analyse"), what="a sign of life")
        own_postgres.stop()
        own_postgres.start()
        for bench in open_bench(dsn):
            job_id, gauge, valve = prepared(bench)
            bench.publish(evacuation(gauge, valve, pa_per_s=0.5))
            found = wait_until(lambda b=bench, j=job_id: b.holds(j), what="the hold")  # type: ignore[misc]
            assert found


def test_lost_connections_are_replaced(bench: Bench) -> None:
    job_id, gauge, valve = prepared(bench)
    with running(bench.dsn):
        wait_until(lambda: beats.ages(bench.conn).get("analyse"), what="a sign of life")
        bench.conn.execute(
            "SELECT pg_terminate_backend(pid) FROM pg_stat_activity "
            "WHERE application_name LIKE 'holdfast-analyse%' AND datname = current_database()"
        )
        bench.publish(evacuation(gauge, valve, pa_per_s=0.5))
        wait_until(lambda: bench.holds(job_id), what="the hold")

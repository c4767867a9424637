"""A gauge that somebody marks as suspect: the hold that it decides meanwhile cannot pass, others stand."""

from __future__ import annotations

from model.clock import US, to_datetime
from model.judgement import Verdict
from store import suspects
from store.audit import By
from store.database import Connection
from tests.analytics.worker.bench import T0_US, Bench, evacuation

CLOSED_US = T0_US + 1800 * US
END_US = CLOSED_US + 2400 * US


def mark(conn: Connection, gauge_id: int, at_us: int) -> list[int]:
    with conn.transaction():
        return suspects.mark(conn, gauge_id, By(to_datetime(at_us)), "Oil in the cell")


def verdicts(bench: Bench, job_id: int) -> list[tuple[Verdict, str]]:
    return [(hold.verdict, hold.reason) for hold in bench.holds(job_id)]


def test_a_hold_whose_gauge_is_marked_while_it_runs_is_inconclusive_also_when_it_is_trusted_again(
    bench: Bench,
) -> None:
    gateway = bench.gateway(site := bench.site())
    gauge, shut = bench.gauge(gateway), bench.valve(gateway)
    job = bench.job(site, [gauge, shut])
    lines = evacuation(gauge.id, shut.id)
    marked_us = CLOSED_US + 600 * US
    bench.live([line for line in lines if line.time_us <= marked_us])
    assert mark(bench.conn, gauge.id, marked_us) == [job.id]
    with bench.conn.transaction():
        suspects.trust(bench.conn, gauge.id, By(to_datetime(marked_us + 60 * US)))
    bench.live([line for line in lines if line.time_us > marked_us])
    assert verdicts(bench, job.id) == [(Verdict.INCONCLUSIVE, "gauge-suspect")]


def test_a_hold_that_was_over_stands_though_its_gauge_is_marked_afterwards(bench: Bench) -> None:
    gateway = bench.gateway(site := bench.site())
    gauge, shut = bench.gauge(gateway), bench.valve(gateway)
    job = bench.job(site, [gauge, shut])
    bench.live(evacuation(gauge.id, shut.id))
    before = verdicts(bench, job.id)
    assert [verdict for verdict, _ in before] == [Verdict.PASSED]
    assert mark(bench.conn, gauge.id, END_US + 3600 * US) == [job.id]
    bench.settle()
    assert verdicts(bench, job.id) == before


def test_a_gauge_that_is_marked_in_the_judged_past_takes_back_the_pass_openly(bench: Bench) -> None:
    """Its readings came late: the mark was there first."""
    gateway = bench.gateway(site := bench.site())
    gauge, shut = bench.gauge(gateway), bench.valve(gateway)
    job = bench.job(site, [gauge, shut])
    bench.live(evacuation(gauge.id, shut.id))
    mark(bench.conn, gauge.id, CLOSED_US + 600 * US)
    bench.settle()
    assert verdicts(bench, job.id) == [(Verdict.INCONCLUSIVE, "gauge-suspect")]
    (row,) = bench.conn.execute(
        "SELECT because FROM hold_test_revision ORDER BY revision DESC LIMIT 1"
    ).fetchall()
    assert "marked as suspect" in row["because"]

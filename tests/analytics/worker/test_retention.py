"""A closed job whose readings are evidence only is shown and judged as before."""

from __future__ import annotations

from datetime import timedelta

import pytest

from analytics.worker.rejudge import rejudge
from model.clock import US, to_datetime
from model.job import JobState
from model.judgement import HoldTest, Verdict
from model.reading import Quantity
from store import assignments, job_changes, jobs, series, upkeep
from store.acting import Actor
from store.database import one
from tests.analytics.worker.bench import T0_US, Bench, evacuation, rise

KEEP = upkeep.Rules(keep_days=30)
BROKEN_US = T0_US + 4200 * US
DAY_US = 86_400 * US


def closed_job(bench: Bench, pa_per_s: float = 0.01) -> tuple[int, int]:
    """A job that was judged live, and closed by the rule or else by a person; and its gauge."""
    site = bench.site()
    gateway = bench.gateway(site)
    gauge, valve = bench.gauge(gateway), bench.valve(gateway)
    job = bench.job(site, [gauge, valve])
    bench.live(evacuation(gauge.id, valve.id, pa_per_s=pa_per_s))
    bench.live(rise(gauge.id, BROKEN_US, 2400, from_pa=101_325.0, pa_per_s=0.0))
    bench.settle(BROKEN_US + 5 * 3600 * US)
    if bench.state(job.id) is not JobState.CLOSED:
        with bench.conn.transaction():
            job_changes.close(bench.conn, job.id, Actor("Mara", bench.clock.now_us()))
        bench.settle()
    assert bench.state(job.id) is JobState.CLOSED
    return job.id, gauge.id


def age(bench: Bench) -> upkeep.Done:
    """Let two months pass."""
    bench.settle(BROKEN_US + 60 * DAY_US)
    bench.conn.execute("DELETE FROM rollup_todo")
    return upkeep.tend(bench.conn, KEEP, bench.clock.now_us())


def plots(bench: Bench, gauge_id: int) -> list[series.Series]:
    span = series.Span(gauge_id, Quantity.PRESSURE, to_datetime(T0_US - DAY_US), to_datetime(T0_US + DAY_US))
    hold = series.Span(gauge_id, Quantity.PRESSURE, to_datetime(T0_US + 1800 * US), to_datetime(BROKEN_US))
    return [
        series.read(bench.conn, one_of, points, 60.0)
        for one_of in (span, hold)
        for points in (4, 100, 20_000)
    ]


@pytest.mark.parametrize(
    ("pa_per_s", "verdict"), [(0.01, Verdict.PASSED), (0.2, Verdict.FAILED)], ids=["passed", "failed"]
)
def test_plot_and_judgement_from_evidence_equal_those_from_the_readings(
    bench: Bench, pa_per_s: float, verdict: Verdict
) -> None:
    job_id, gauge_id = closed_job(bench, pa_per_s)
    before = bench.holds(job_id), bench.phases(job_id), plots(bench, gauge_id), bench.facts(job_id)
    (hold,) = before[0]
    assert hold.verdict is verdict
    assert hold.diagnosis is not None
    assert age(bench).evidence > 1000
    left = one(bench.conn.execute("SELECT count(*) AS n FROM reading").fetchone())
    assert left == {"n": 0}
    assert (
        bench.holds(job_id), bench.phases(job_id), plots(bench, gauge_id), bench.facts(job_id)
    ) == before  # fmt: skip
    with bench.conn.transaction():
        rejudge(bench.conn, [job_id], bench.clock)
        # Nothing of the first judgement is left to be found again.
        bench.conn.execute("DELETE FROM phase")
        bench.conn.execute("DELETE FROM fact")
    bench.settle()
    assert bench.state(job_id) is JobState.CLOSED
    assert (
        bench.holds(job_id), bench.phases(job_id), plots(bench, gauge_id), bench.facts(job_id)
    ) == before  # fmt: skip
    assert len(bench.jobs()) == 1


def test_a_changed_rule_judges_evidence_as_it_would_have_judged_the_readings(bench: Bench) -> None:
    def judged_by_a_stricter_limit() -> HoldTest:
        with bench.conn.transaction():
            bench.conn.execute("UPDATE procedure SET limit_pa = 45 WHERE is_default")
            rejudge(bench.conn, [job_id], bench.clock)
        bench.settle()
        (hold,) = bench.holds(job_id)
        return hold

    job_id, _ = closed_job(bench)
    from_readings = judged_by_a_stricter_limit()
    assert from_readings.verdict is Verdict.FAILED
    with bench.conn.transaction():
        bench.conn.execute("UPDATE procedure SET limit_pa = 333 WHERE is_default")
        rejudge(bench.conn, [job_id], bench.clock)
    bench.settle()
    assert bench.holds(job_id)[0].verdict is Verdict.PASSED
    assert age(bench).evidence > 0
    assert judged_by_a_stricter_limit() == from_readings


def test_evidence_that_is_left_to_the_rule_opens_a_walk_up_job(bench: Bench) -> None:
    job_id, gauge_id = closed_job(bench)
    (hold,) = bench.holds(job_id)
    assert age(bench).evidence > 1000
    (line,) = (one for one in jobs.assignments(bench.conn, job_id) if one.instrument_id == gauge_id)
    with bench.conn.transaction():
        assignments.remove(bench.conn, line.id, Actor("Mara", bench.clock.now_us()), to_rule=True)
    bench.settle()
    (walk_up,) = (job for job in bench.jobs() if job.walk_up)
    # The valve stays with its job: without its report the curve says when the hold began.
    (found,) = bench.holds(walk_up.id)
    assert found.verdict is hold.verdict
    assert abs(found.start_us - hold.start_us) < 10 * US


def test_a_walk_up_keeps_its_cut_when_a_reading_comes_later_than_its_retention(bench: Bench) -> None:
    gateway = bench.gateway(bench.site())
    gauge, valve = bench.gauge(gateway), bench.valve(gateway)
    lines = evacuation(gauge.id, valve.id)
    late = lines.pop(200)
    bench.live(lines)
    bench.live(rise(gauge.id, BROKEN_US, 5 * 3600, from_pa=101_325.0, pa_per_s=0.0, every_s=30))
    (job,) = bench.jobs()
    assert job.state is JobState.CLOSED
    before = bench.holds(job.id)
    assert age(bench).evidence > 1000
    bench.publish([late])
    bench.settle()
    assert bench.jobs() == [job]
    assert bench.holds(job.id) == before
    assert age(bench).emptied == 1
    span = series.Span(
        gauge.id,
        Quantity.PRESSURE,
        to_datetime(late.time_us),
        to_datetime(late.time_us) + timedelta(seconds=1),
    )
    assert series.read(bench.conn, span, 10, 60.0).values == (late.value,)

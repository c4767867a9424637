"""Late readings: verdicts revised with their reason, holds withdrawn, states rewound and bounded."""

from __future__ import annotations

from analytics.worker.causes import estimate
from model.clock import US, to_us
from model.event import EventKind
from model.judgement import Verdict
from model.reading import Valve
from store import events, judgement, lists, setups
from tests.analytics.worker.bench import T0_US, Bench, evacuation, pull_down, rise, valve

CLOSED_US = T0_US + 1800 * US


def test_late_readings_revise_a_verdict_and_say_so(bench: Bench) -> None:
    site = bench.site()
    gateway = bench.gateway(site)
    gauge, valve_ = bench.gauge(gateway), bench.valve(gateway)
    job = bench.job(site, [gauge, valve_])
    lines = evacuation(gauge.id, valve_.id, pa_per_s=0.5)
    # The readings over the limit come a day and a half late: until then only a gap is known.
    missing = [line for line in lines if line.time_us > CLOSED_US + 300 * US]
    bench.live([line for line in lines if line not in set(missing)])
    bench.settle(CLOSED_US + 30 * 3600 * US)
    (before,) = judgement.holds(bench.conn, [job.id])[job.id]
    assert before.hold.verdict is Verdict.INCONCLUSIVE
    bench.publish(missing)
    bench.settle()
    (after,) = judgement.holds(bench.conn, [job.id])[job.id]
    assert after.id == before.id
    assert after.hold.verdict is Verdict.FAILED
    assert [row["because"] for row in lists.revisions(bench.conn, after.id)] == [
        "late readings",
        "first verdict",
    ]
    told = bench.told(job.id)
    assert told.count(EventKind.HOLD_FAILED) == 1
    assert told.index(EventKind.HOLD_REVISED) < told.index(EventKind.HOLD_FAILED)
    revised = next(e for e in events.of_job(bench.conn, job.id) if e.kind is EventKind.HOLD_REVISED)
    assert revised.data["verdict"] == Verdict.FAILED
    assert revised.data["because"] == "late readings"
    assert revised.subject == f"hold:{after.id}"
    live = {fact.kind for fact in bench.facts(job.id)}
    assert EventKind.HOLD_FAILED in live
    assert EventKind.HOLD_INCONCLUSIVE not in live


def test_time_that_passes_is_the_reason_of_no_revision_before_a_verdict(bench: Bench) -> None:
    site = bench.site()
    gateway = bench.gateway(site)
    gauge, valve_ = bench.gauge(gateway), bench.valve(gateway)
    job = bench.job(site, [gauge, valve_])
    bench.live(evacuation(gauge.id, valve_.id, hold_s=900))
    bench.settle(CLOSED_US + 30 * 3600 * US)
    (stored,) = judgement.holds(bench.conn, [job.id])[job.id]
    assert [row["because"] for row in lists.revisions(bench.conn, stored.id)] == ["first verdict"]
    assert EventKind.HOLD_REVISED not in bench.told(job.id)


def test_a_hold_that_never_was_is_withdrawn(bench: Bench) -> None:
    site = bench.site()
    gateway = bench.gateway(site)
    gauge, valve_ = bench.gauge(gateway), bench.valve(gateway)
    job = bench.job(site, [gauge, valve_])
    # By the curve alone there is a hold; then the valve's own report comes: it was open all the time.
    curve = [line for line in evacuation(gauge.id, valve_.id, pa_per_s=0.4) if line.instrument_id == gauge.id]
    bench.live(curve)
    (hold,) = bench.holds(job.id)
    assert hold.verdict is Verdict.FAILED
    bench.publish([valve(valve_.id, T0_US, Valve.OPEN)])
    bench.settle()
    assert bench.holds(job.id) == []
    told = {event.kind: event for event in events.of_job(bench.conn, job.id)}
    assert told[EventKind.HOLD_REVISED].data["verdict"] is None
    # A pressure that rises with the valve open does so as if the pump had stopped.
    assert told[EventKind.PUMP_STOPPED].data["by_curve"] is True


def test_a_cause_is_estimated_anew_when_readings_of_the_hold_come_late(bench: Bench) -> None:
    site = bench.site()
    gateway = bench.gateway(site)
    gauge, valve_ = bench.gauge(gateway), bench.valve(gateway)
    job = bench.job(site, [gauge, valve_], T0_US)
    lines = evacuation(gauge.id, valve_.id, pa_per_s=0.01)
    # Two minutes are missing: too little to spoil the hold. They hold a bump below the limit.
    gap = range(CLOSED_US + 900 * US, CLOSED_US + 1020 * US)
    missing = [line.with_value(line.value + 80) for line in lines if line.time_us in gap]
    bench.live([line for line in lines if line.time_us not in gap])
    (before,) = bench.holds(job.id)
    for line in missing:
        bench.publish([line])
        bench.settle()
    (after,) = bench.holds(job.id)
    assert (before.verdict, before.decided_us) == (after.verdict, after.decided_us)
    assert before.verdict is Verdict.PASSED
    assert after.diagnosis != before.diagnosis
    assert after.diagnosis is not None
    assert after.diagnosis.until_us is not None
    assert after.diagnosis.until_us == after.decided_us
    setup = setups.load(bench.conn, [job.id])[job.id]
    assert after.diagnosis == estimate(bench.conn, setup, after, after.diagnosis.until_us)
    (stored,) = judgement.holds(bench.conn, [job.id])[job.id]
    assert not stored.stale


def test_checkpoints_stay_few_over_a_long_job(bench: Bench) -> None:
    site = bench.site()
    gateway = bench.gateway(site)
    gauge = bench.gauge(gateway, interval_s=60.0)
    job = bench.job(site, [gauge])
    lines = [
        *pull_down(gauge.id, T0_US, 3600, every_s=60),
        *rise(gauge.id, T0_US + 3600 * US, 71 * 3600, from_pa=40.0, pa_per_s=0.0, every_s=60),
    ]
    bench.live(lines, every_s=1800)
    row = bench.conn.execute("SELECT count(*) AS n FROM checkpoint WHERE job_id = %s", (job.id,)).fetchone()
    assert row is not None
    # Twelve of the last two hours, one an hour for two days, one a day before that.
    assert 40 < row["n"] <= 12 + 48 + 4


def test_late_readings_do_not_judge_the_whole_job_again(bench: Bench) -> None:
    site = bench.site()
    gateway = bench.gateway(site)
    gauge, valve_ = bench.gauge(gateway), bench.valve(gateway)
    bench.job(site, [gauge, valve_])
    lines = evacuation(gauge.id, valve_.id)
    bench.live(lines[:-1])
    bench.publish([lines[-200].with_value(lines[-200].value + 0.01)])
    done = bench.worker.step(bench.conn, 100)
    assert 200 <= done.samples < 200 + 600 / 5 + 3


def test_checkpoints_that_late_readings_overtook_are_gone_at_once(bench: Bench) -> None:
    site = bench.site()
    gauge = bench.gauge(bench.gateway(site), interval_s=60.0)
    job = bench.job(site, [gauge])
    lines = [
        *pull_down(gauge.id, T0_US, 3600, every_s=60),
        *rise(gauge.id, T0_US + 3600 * US, 5 * 3600, from_pa=40.0, pa_per_s=0.0, every_s=60),
    ]
    bench.live(lines[:5] + lines[6:], every_s=1800)
    bench.publish([lines[5]])
    # The first of several transactions: it comes two hours far.
    bench.worker.step(bench.conn, 100)
    row = bench.conn.execute(
        "SELECT max(c.time) AS newest, t.head_at, t.goal_at FROM checkpoint c JOIN track t USING (job_id) "
        "WHERE c.job_id = %s GROUP BY t.job_id",
        (job.id,),
    ).fetchone()
    assert row is not None
    assert row["newest"] <= row["head_at"] < row["goal_at"]
    bench.settle()
    track = bench.conn.execute("SELECT head_at, goal_at FROM track WHERE job_id = %s", (job.id,)).fetchone()
    assert track is not None
    assert to_us(track["head_at"]) == to_us(track["goal_at"]) == lines[-1].time_us

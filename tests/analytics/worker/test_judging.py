"""From readings to phases, verdicts, events and the job's state."""

from __future__ import annotations

from analytics.worker.plan import SLICE
from model.clock import US
from model.equipment import Role
from model.event import EventKind
from model.job import JobState
from model.judgement import Cause, PhaseKind, Urgency, Verdict
from store import equipment, events, judgement, tracks, work
from store.work import Span
from tests.analytics.worker.bench import T0_US, Bench, evacuation, rise

CLOSED_US = T0_US + 1800 * US


def test_a_tight_circuit_passes_and_the_evacuation_is_finished(bench: Bench) -> None:
    site = bench.site()
    gateway = bench.gateway(site)
    gauge, valve = bench.gauge(gateway), bench.valve(gateway)
    job = bench.job(site, [gauge, valve])
    assert bench.state(job.id) is JobState.PLANNED
    bench.live(evacuation(gauge.id, valve.id, pa_per_s=0.01))
    assert [phase.kind for phase in bench.phases(job.id)] == [
        PhaseKind.IDLE,
        PhaseKind.PULL_DOWN,
        PhaseKind.HOLD,
    ]
    (hold,) = bench.holds(job.id)
    assert (hold.verdict, hold.start_us, hold.by_valve) == (Verdict.PASSED, CLOSED_US, True)
    assert hold.diagnosis is not None
    assert hold.diagnosis.cause is Cause.TIGHT
    assert bench.told(job.id) == [
        EventKind.PULL_DOWN_STARTED,
        EventKind.TARGET_REACHED,
        EventKind.HOLD_STARTED,
        EventKind.HOLD_PASSED,
        EventKind.EVACUATION_FINISHED,
    ]
    assert bench.state(job.id) is JobState.FINISHED


def test_a_planned_job_runs_from_its_first_pull_down(bench: Bench) -> None:
    site = bench.site()
    gateway = bench.gateway(site)
    gauge, valve = bench.gauge(gateway), bench.valve(gateway)
    job = bench.job(site, [gauge, valve])
    bench.live(evacuation(gauge.id, valve.id)[:60])
    assert bench.state(job.id) is JobState.RUNNING


def test_a_failing_hold_is_told_once_with_its_cause_while_it_still_rises(bench: Bench) -> None:
    site = bench.site()
    gateway = bench.gateway(site)
    gauge, valve = bench.gauge(gateway), bench.valve(gateway)
    job = bench.job(site, [gauge, valve])
    bench.live(evacuation(gauge.id, valve.id, pa_per_s=0.5))
    (stored,) = judgement.holds(bench.conn, [job.id])[job.id]
    assert stored.hold.verdict is Verdict.FAILED
    told = [event for event in events.of_job(bench.conn, job.id) if event.kind is EventKind.HOLD_FAILED]
    (event,) = told
    assert event.subject == f"hold:{stored.id}"
    assert event.happened_us == stored.hold.decided_us
    assert event.data["cause"] == Cause.LEAK
    assert event.data["verdict"] == Verdict.FAILED
    assert event.text == stored.hold.text
    # 0.5 Pa/s are 14 kPa in eight hours, and the 333 Pa permitted come with 29 kPa of damp air.
    assert event.data["urgency"] == Urgency.CAN_WAIT
    advice = event.data["advice"]
    assert isinstance(advice, list)
    assert advice[0].startswith("Can wait till morning if the valve stays closed: 8 h on, about ")
    assert advice[1].startswith("Blank the rig off")
    assert stored.hold.advice is not None
    assert stored.hold.advice.urgency is Urgency.CAN_WAIT
    assert stored.revision == 1
    assert bench.state(job.id) is JobState.RUNNING


def test_a_fast_leak_asks_somebody_to_go_now(bench: Bench) -> None:
    site = bench.site()
    gateway = bench.gateway(site)
    gauge, valve = bench.gauge(gateway), bench.valve(gateway)
    job = bench.job(site, [gauge, valve])
    bench.live(evacuation(gauge.id, valve.id, pa_per_s=2.0))
    told = [event for event in events.of_job(bench.conn, job.id) if event.kind is EventKind.HOLD_FAILED]
    assert told[0].data["urgency"] == Urgency.NOW


def test_a_hold_test_survives_its_json(bench: Bench) -> None:
    site = bench.site()
    gateway = bench.gateway(site)
    gauge, valve = bench.gauge(gateway), bench.valve(gateway)
    job = bench.job(site, [gauge, valve])
    bench.live(evacuation(gauge.id, valve.id, pa_per_s=0.5))
    (hold,) = bench.holds(job.id)
    assert judgement.decode(judgement.encode(hold)) == hold


def test_the_numbers_of_a_running_hold_are_kept_fresh(bench: Bench) -> None:
    site = bench.site()
    gateway = bench.gateway(site)
    gauge, valve = bench.gauge(gateway), bench.valve(gateway)
    job = bench.job(site, [gauge, valve])
    lines = evacuation(gauge.id, valve.id, pa_per_s=0.02, hold_s=600)
    bench.live(lines[:-1])
    before = bench.holds(job.id)[0].last_pa
    bench.conn.execute("UPDATE track SET written_at = written_at - interval '1 minute'")
    bench.live(lines[-1:])
    (hold,) = bench.holds(job.id)
    assert hold.verdict is Verdict.RUNNING
    assert before is not None
    assert hold.last_pa is not None
    assert hold.last_pa > before


def test_time_alone_makes_awaited_readings_an_inconclusive_hold(bench: Bench) -> None:
    site = bench.site()
    gateway = bench.gateway(site)
    gauge, valve = bench.gauge(gateway), bench.valve(gateway)
    job = bench.job(site, [gauge, valve])
    bench.live(evacuation(gauge.id, valve.id, hold_s=900))
    bench.settle(CLOSED_US + 1900 * US)
    assert bench.holds(job.id)[0].verdict is Verdict.AWAITING
    assert EventKind.HOLD_AWAITING in bench.told(job.id)
    bench.settle(CLOSED_US + 1900 * US + 25 * 3600 * US)
    (hold,) = bench.holds(job.id)
    assert hold.verdict is Verdict.INCONCLUSIVE
    assert EventKind.HOLD_INCONCLUSIVE in bench.told(job.id)
    assert EventKind.EVACUATION_UNPROVEN in bench.told(job.id)


def test_of_two_values_for_one_time_the_smaller_judges(bench: Bench) -> None:
    site = bench.site()
    gateway = bench.gateway(site)
    gauge, valve = bench.gauge(gateway), bench.valve(gateway)
    job = bench.job(site, [gauge, valve])
    lines = evacuation(gauge.id, valve.id, pa_per_s=0.01)
    over = evacuation(gauge.id, valve.id, pa_per_s=0.5)
    bench.live([*lines, *over])
    (hold,) = bench.holds(job.id)
    assert hold.verdict is Verdict.PASSED


def test_many_long_jobs_of_one_gauge_are_all_judged_again(bench: Bench) -> None:
    gateway = bench.gateway(bench.site())
    gauge, valve = bench.gauge(gateway, interval_s=30.0), bench.valve(gateway)
    other = equipment.add_instrument(bench.conn, gateway, "t1", Role.THERMOMETER)
    starts_us = [T0_US + hours * 3600 * US for hours in (0, 8, 16, 24)]
    lines = [line for at_us in starts_us for line in evacuation(gauge.id, valve.id, at_us, every_s=30.0)]
    for at_us in starts_us:
        air_us = at_us + 4200 * US
        lines += rise(gauge.id, air_us, 5 * 3600, from_pa=101_325.0, pa_per_s=0.0, every_s=300.0)
    bench.clock.us = starts_us[-1] + 40 * 3600 * US
    bench.publish(lines)
    bench.settle()
    assert [len(bench.holds(job.id)) for job in bench.jobs()] == [1, 1, 1, 1]
    # More than fits in one transaction, and all of it touched by the same rows.
    last_us = max(line.time_us for line in lines)
    work.add(bench.conn, [Span(number, T0_US, last_us) for number in (gauge.id, valve.id, other.id)])
    bench.settle()


def test_a_long_history_gets_on_in_slices_while_others_are_judged(bench: Bench) -> None:
    site = bench.site()
    old_gateway, gateway = bench.gateway(site, "gw-1"), bench.gateway(site, "gw-2")
    old_gauge, old_valve = bench.gauge(old_gateway), bench.valve(old_gateway)
    gauge, valve = bench.gauge(gateway), bench.valve(gateway)
    late, live = bench.job(site, [old_gauge, old_valve]), bench.job(site, [gauge, valve])
    history = evacuation(old_gauge.id, old_valve.id, pa_per_s=0.5, every_s=0.5)
    fresh = sorted(evacuation(gauge.id, valve.id))
    bench.clock.us = max(line.time_us for line in history)
    bench.publish(history)
    turns, slices = 0, []
    while not (bench.holds(late.id) and bench.holds(late.id)[-1].verdict.final):
        bench.publish(fresh[turns * 5 : turns * 5 + 5])
        # The transaction is full: others may wait behind it.
        work.add(bench.conn, [Span(number, T0_US, T0_US) for number in range(10_001, 10_004)])
        before = head(bench, late.id)
        done = bench.worker.step(bench.conn, 5)
        assert done.samples <= 3 * SLICE
        assert head(bench, live.id) >= fresh[max(turns - 1, 0) * 5 + 4].time_us
        slices.append(head(bench, late.id) > before)
        turns += 1
        assert turns < 100
    assert bench.holds(late.id)[-1].verdict is Verdict.FAILED
    assert sum(slices) >= len(history) // SLICE
    # Its turn comes again and again, but the others do not pay for it each time.
    assert not all(slices)


def head(bench: Bench, job_id: int) -> int:
    """Up to where a job is judged [µs]; 0 for not at all."""
    found = tracks.load(bench.conn, [job_id]).get(job_id)
    return 0 if found is None else found.head_us

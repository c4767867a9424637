"""What a person corrects afterwards is judged anew, openly; two jobs that are one are judged as one."""

from __future__ import annotations

import threading
from collections.abc import Sequence

import pytest

from analytics.worker.causes import estimate
from desk.worker.alerting import work_off
from desk.worker.passing import Outlets
from model.clock import US
from model.equipment import Role
from model.errors import BadInput, Conflict
from model.event import EventKind
from model.job import Job, JobState
from model.judgement import Verdict
from model.reading import Quantity
from store import (
    alerts,
    assignments,
    equipment,
    events,
    job_changes,
    jobs,
    judgement,
    lists,
    merging,
    setups,
    tracks,
    work,
)
from store.acting import Actor
from store.assignments import Wish
from store.database import connect
from tests.analytics.worker.bench import T0_US, Bench, Line, evacuation, pull_down, rise
from tests.waiting import wait_until

CLOSED_US = T0_US + 1800 * US
END_US = CLOSED_US + 2400 * US
HOUR = 3600 * US
REASON = "assignment corrected by Mara Vogt"


def mara(bench: Bench) -> Actor:
    return Actor("Mara Vogt", bench.clock.now_us())


def revisions(bench: Bench, job_id: int) -> list[tuple[str, str]]:
    """Verdict and reason of all revisions of a job, the oldest first."""
    return [
        (row["verdict"], row["because"])
        for hold in judgement.holds(bench.conn, [job_id]).get(job_id, [])
        for row in reversed(lists.revisions(bench.conn, hold.id))
    ]


def two_gauges(bench: Bench) -> tuple[Job, int, int]:
    """A job with a valve and a gauge that fails it; it was another gauge, which says that it is tight."""
    site = bench.site()
    gateway = bench.gateway(site)
    bad, good, shut = bench.gauge(gateway), bench.gauge(gateway, "g2"), bench.valve(gateway)
    job = bench.job(site, [bad, shut])
    elsewhere = bench.job(site, [good])
    tight = [line for line in evacuation(good.id, shut.id) if line.instrument_id == good.id]
    bench.live([*evacuation(bad.id, shut.id, pa_per_s=0.5), *tight])
    assert [hold.verdict for hold in bench.holds(job.id)] == [Verdict.FAILED]
    with bench.conn.transaction():
        assignments.remove(bench.conn, line_of(bench, elsewhere.id, good.id), mara(bench))
    bench.settle()
    return job, bad.id, good.id


def spans(bench: Bench, job_id: int) -> set[tuple[int, int, int | None, bool]]:
    return {
        (one.instrument_id, one.since_us, one.until_us, one.deciding)
        for one in jobs.assignments(bench.conn, job_id)
    }


def line_of(bench: Bench, job_id: int, instrument_id: int) -> int:
    return next(a.id for a in jobs.assignments(bench.conn, job_id) if a.instrument_id == instrument_id)


def test_another_gauge_revises_the_verdict_with_the_reason(bench: Bench) -> None:
    job, bad, good = two_gauges(bench)
    wish = Wish(job.id, good, T0_US - HOUR, deciding=True)
    with bench.conn.transaction():
        assignments.correct(bench.conn, line_of(bench, job.id, bad), wish, mara(bench))
    saved = tracks.load(bench.conn, [job.id])[job.id]
    assert (saved.seen, saved.because) == (tracks.AGAIN, REASON)
    bench.settle()
    assert bad not in {a.instrument_id for a in jobs.assignments(bench.conn, job.id)}
    assert revisions(bench, job.id) == [("failed", "first verdict"), ("passed", REASON)]
    told = next(e for e in events.of_job(bench.conn, job.id) if e.kind is EventKind.HOLD_REVISED)
    assert told.data["because"] == REASON
    after = tracks.load(bench.conn, [job.id])[job.id]
    assert (after.because, after.head_us) == ("", after.goal_us)


def test_a_cause_that_changes_by_the_correction_bears_its_reason(bench: Bench) -> None:
    site = bench.site()
    gateway = bench.gateway(site)
    one, two, shut = bench.gauge(gateway), bench.gauge(gateway, "g2"), bench.valve(gateway)
    job = bench.job(site, [one, shut])
    jobs.assign(bench.conn, job.id, two.id, T0_US - HOUR)
    straight = evacuation(one.id, shut.id, pa_per_s=0.5)
    # The other gauge goes over the limit, too, but levels off as water does.
    wet = [
        *pull_down(two.id, T0_US, 1800),
        *[
            line.with_value(40.0 + 900.0 * (1 - 2.718281828 ** (-(line.time_us - CLOSED_US) / US / 300.0)))
            for line in rise(two.id, CLOSED_US, 2400, from_pa=40.0, pa_per_s=0.0)
        ],
    ]
    bench.live([*straight, *wet])
    bench.settle(END_US + HOUR)
    (before,) = bench.holds(job.id)
    with bench.conn.transaction():
        wish = Wish(job.id, two.id, T0_US - HOUR, deciding=True)
        assignments.correct(bench.conn, line_of(bench, job.id, two.id), wish, mara(bench))
    bench.settle()
    bench.settle(bench.clock.now_us() + 60 * US)
    (after,) = bench.holds(job.id)
    assert before.diagnosis is not None
    assert after.diagnosis is not None
    assert (before.verdict, after.verdict) == (Verdict.FAILED, Verdict.FAILED)
    assert before.diagnosis.cause != after.diagnosis.cause
    assert revisions(bench, job.id)[-1] == ("failed", REASON)


def test_a_closed_job_is_judged_anew_without_the_span_that_was_not_its_own(bench: Bench) -> None:
    job, bad, _ = two_gauges(bench)
    with bench.conn.transaction():
        job_changes.close(bench.conn, job.id, mara(bench), note="Done.")
    until_us = bench.clock.now_us()
    with bench.conn.transaction():
        wish = Wish(job.id, bad, T0_US - HOUR, CLOSED_US - 600 * US, deciding=True)
        assignments.correct(bench.conn, line_of(bench, job.id, bad), wish, mara(bench))
    bench.settle()
    assert bench.state(job.id) is JobState.CLOSED
    assert jobs.by_id(bench.conn, job.id).closed_us == until_us
    found = judgement.holds(bench.conn, [job.id])[job.id]
    assert all(hold.withdrawn or hold.hold.verdict is not Verdict.FAILED for hold in found)
    # What was taken away opens nothing by itself.
    assert not any(one.walk_up for one in bench.jobs())
    (free,) = assignments.kept_free(bench.conn, [bad])
    assert free.until is not None
    bench.publish(rise(bad, CLOSED_US - 300 * US, 60, from_pa=41.0, pa_per_s=0.0))
    bench.settle()
    assert not any(one.walk_up for one in bench.jobs())


def test_what_is_left_to_the_rule_opens_a_walk_up_job(bench: Bench) -> None:
    job, bad, _ = two_gauges(bench)
    with bench.conn.transaction():
        assignments.remove(bench.conn, line_of(bench, job.id, bad), mara(bench), to_rule=True)
    bench.settle()
    (walk_up,) = [one for one in bench.jobs() if one.walk_up]
    assert [a.instrument_id for a in jobs.assignments(bench.conn, walk_up.id)] == [bad]


def test_a_job_that_loses_its_last_instrument_takes_back_what_it_said(bench: Bench) -> None:
    site = bench.site()
    gauge = bench.gauge(bench.gateway(site))
    job = bench.job(site, [gauge])
    bench.live(evacuation(gauge.id, gauge.id)[1:])
    assert bench.phases(job.id)
    with bench.conn.transaction():
        assignments.remove(bench.conn, line_of(bench, job.id, gauge.id), mara(bench))
    bench.settle()
    assert (bench.phases(job.id), bench.holds(job.id), bench.facts(job.id)) == ([], [], [])
    assert bench.state(job.id) is JobState.PLANNED


def test_a_span_goes_from_one_job_to_another_and_both_are_judged(bench: Bench) -> None:
    site = bench.site()
    gateway = bench.gateway(site)
    gauge, shut = bench.gauge(gateway), bench.valve(gateway)
    wrong = bench.job(site, [gauge, shut])
    bench.live(evacuation(gauge.id, shut.id, pa_per_s=0.5))
    right = bench.job(site, [])
    for instrument in (gauge, shut):
        wish = Wish(right.id, instrument.id, T0_US - 60 * US, deciding=instrument is gauge)
        with pytest.raises(
            Conflict, match=f"serves job {wrong.id}, “Cold room 3”, from .* to now. Take it over"
        ):
            assignments.assign(bench.conn, wish, mara(bench))
        with bench.conn.transaction():
            assignments.assign(bench.conn, wish, mara(bench), take_over=True)
    bench.settle()
    assert bench.holds(wrong.id) == []
    assert [(hold.verdict, hold.by_valve) for hold in bench.holds(right.id)] == [(Verdict.FAILED, True)]
    ends = {a.until_us for a in jobs.assignments(bench.conn, wrong.id)}
    assert ends == {T0_US - 60 * US}


@pytest.mark.parametrize("when_s", [900, 1900], ids=["in the pull-down", "in the hold"])
def test_two_halves_that_are_merged_are_judged_as_one_job_from_the_start(
    bench: Bench, two_workers: Bench, when_s: int
) -> None:
    halves, whole = bench, two_workers
    cut_us = T0_US + when_s * US
    made: list[tuple[int, Sequence[Line]]] = []
    for side in (halves, whole):
        gateway = side.gateway(side.site())
        gauge, shut = side.gauge(gateway), side.valve(gateway)
        made.append((gauge.id, evacuation(gauge.id, shut.id, pa_per_s=0.5)))
    for side, (_, lines) in zip((halves, whole), made, strict=True):
        side.live([line for line in lines if line.time_us < cut_us])
        if side is halves:
            (first,) = side.jobs()
            with side.conn.transaction():
                job_changes.close(side.conn, first.id, mara(side))
        side.live([line for line in lines if line.time_us >= cut_us])
    first, second = halves.jobs()
    assert [hold.verdict for hold in halves.holds(first.id)] != [Verdict.FAILED]
    with halves.conn.transaction():
        merging.merge(halves.conn, second.id, first.id, mara(halves))
    halves.settle()
    (only,) = whole.jobs()
    assert halves.holds(first.id) == whole.holds(only.id)
    assert [hold.verdict for hold in halves.holds(first.id)] == [Verdict.FAILED]
    assert halves.phases(first.id) == whole.phases(only.id)
    assert halves.facts(first.id) == whole.facts(only.id)
    assert halves.state(first.id) is whole.state(only.id)
    assert spans(halves, first.id) == spans(whole, only.id)
    emptied = jobs.by_id(halves.conn, second.id)
    assert (emptied.state, emptied.merged_into) == (JobState.CLOSED, first.id)
    assert (halves.phases(second.id), halves.holds(second.id)) == ([], [])
    assert jobs.assignments(halves.conn, second.id) == []


def test_merging_takes_back_what_the_emptied_job_said_and_clears_its_alerts(bench: Bench) -> None:
    site = bench.site()
    gateway = bench.gateway(site)
    gauge, shut = bench.gauge(gateway), bench.valve(gateway)
    failed = bench.job(site, [gauge, shut])
    bench.live(evacuation(gauge.id, shut.id, pa_per_s=0.5))
    other = bench.job(site, [])
    outlets = Outlets((), "test")
    work_off(bench.conn, bench.clock, outlets)
    (before,) = alerts.active_by_prefix(bench.conn, f"job:{failed.id}/")
    with bench.conn.transaction():
        merging.merge(bench.conn, failed.id, other.id, mara(bench))
    bench.settle()
    while work_off(bench.conn, bench.clock, outlets):
        pass
    assert alerts.active_by_prefix(bench.conn, f"job:{failed.id}/") == []
    cleared = next(entry for entry in alerts.history(bench.conn, before.id) if entry.what == "cleared")
    assert f"merged into job {other.id} by Mara Vogt" in cleared.note
    assert [alert.kind for alert in alerts.active_by_prefix(bench.conn, f"job:{other.id}/")] == [
        "hold-failed"
    ]
    # Undone: the instruments go back, and the job is one of its own again.
    for one in jobs.assignments(bench.conn, other.id):
        with bench.conn.transaction():
            wish = Wish(failed.id, one.instrument_id, one.since_us, one.until_us, one.deciding)
            assignments.correct(bench.conn, one.id, wish, mara(bench))
    bench.settle()
    again = jobs.by_id(bench.conn, failed.id)
    assert (again.merged_into, again.closed_us) == (None, None)
    assert [hold.verdict for hold in bench.holds(failed.id)] == [Verdict.FAILED]
    assert bench.holds(other.id) == []


def test_merging_refuses_what_cannot_be_one(bench: Bench) -> None:
    here, there = bench.site(), bench.site("Molkerei")
    one, two, far = bench.job(here, []), bench.job(here, []), bench.job(there, [])
    with pytest.raises(BadInput, match="into itself"):
        merging.merge(bench.conn, one.id, one.id, mara(bench))
    with pytest.raises(BadInput, match="at another site"):
        merging.merge(bench.conn, far.id, one.id, mara(bench))
    with bench.conn.transaction():
        merging.merge(bench.conn, one.id, two.id, mara(bench))
    with pytest.raises(Conflict, match=f"Job {one.id} was merged into job {two.id} already"):
        merging.merge(bench.conn, one.id, two.id, mara(bench))


def test_another_procedure_has_the_job_judged_anew_and_says_who_chose_it(bench: Bench) -> None:
    site = bench.site()
    gateway = bench.gateway(site)
    gauge, shut = bench.gauge(gateway), bench.valve(gateway)
    job = bench.job(site, [gauge, shut])
    bench.live(evacuation(gauge.id, shut.id, pa_per_s=0.5))
    row = bench.conn.execute(
        "INSERT INTO procedure (name, target_pa, dwell_s, hold_s, settle_s, limit_pa, origin) "
        "VALUES ('Lax', 200, 60, 1800, 300, 5000, 'made for this test') RETURNING id"
    ).fetchone()
    assert row is not None
    wanted = job_changes.details(jobs.by_id(bench.conn, job.id))
    lax = type(wanted)(wanted.title, wanted.site_id, row["id"], wanted.opened_us)
    with bench.conn.transaction():
        job_changes.change(bench.conn, job.id, lax, mara(bench))
    bench.settle()
    assert revisions(bench, job.id) == [
        ("failed", "first verdict"),
        ("passed", "procedure changed by Mara Vogt"),
    ]


def test_the_rule_does_not_close_what_a_person_opened_again(bench: Bench) -> None:
    site = bench.site()
    gateway = bench.gateway(site)
    gauge, shut = bench.gauge(gateway), bench.valve(gateway)
    job = bench.job(site, [gauge, shut])
    bench.live(evacuation(gauge.id, shut.id))
    bench.live(rise(gauge.id, END_US, 3000, from_pa=101_325.0, pa_per_s=0.0))
    closed = jobs.by_id(bench.conn, job.id)
    assert closed.state is JobState.CLOSED
    with bench.conn.transaction():
        job_changes.reopen(bench.conn, job.id, mara(bench), note="They pump on.")
    bench.settle(bench.clock.now_us() + HOUR)
    again = jobs.by_id(bench.conn, job.id)
    assert (again.state, again.closed_us, again.note) == (JobState.FINISHED, None, "They pump on.")
    assert {a.until_us for a in jobs.assignments(bench.conn, job.id)} == {None}
    assert EventKind.JOB_REOPENED in bench.told(job.id)
    with bench.conn.transaction():
        job_changes.close(bench.conn, job.id, mara(bench))
    assert bench.state(job.id) is JobState.CLOSED


def test_the_rule_moves_no_end_that_a_person_gave(bench: Bench) -> None:
    gateway = bench.gateway(bench.site())
    gauge, shut = bench.gauge(gateway), bench.valve(gateway)
    broken = rise(gauge.id, END_US, 5400, from_pa=101_325.0, pa_per_s=0.0, every_s=10)
    lines = [*evacuation(gauge.id, shut.id, every_s=10), *broken]
    # The first twenty minutes in the open come late: the end by rule is then earlier.
    late = [line for line in broken if line.time_us < END_US + 1200 * US]
    bench.live([line for line in lines if line not in set(late)])
    (job,) = bench.jobs()
    closed_us = jobs.by_id(bench.conn, job.id).closed_us
    assert closed_us is not None
    for one in jobs.assignments(bench.conn, job.id):
        wish = Wish(job.id, one.instrument_id, one.since_us, closed_us + 60 * US, one.deciding)
        with bench.conn.transaction():
            assignments.correct(bench.conn, one.id, wish, mara(bench))
    bench.settle()
    bench.publish(late)
    bench.settle()
    moved_us = jobs.by_id(bench.conn, job.id).closed_us
    assert moved_us is not None
    assert moved_us < closed_us
    assert {a.until_us for a in jobs.assignments(bench.conn, job.id)} == {closed_us + 60 * US}
    assert tracks.load(bench.conn, [job.id])[job.id].seen != tracks.AGAIN


def test_a_valve_report_belongs_to_the_job_that_a_person_says(bench: Bench) -> None:
    """A hold found in the curve becomes one by the valve when the valve is assigned afterwards."""
    site = bench.site()
    gateway = bench.gateway(site)
    gauge, shut = bench.gauge(gateway), bench.valve(gateway)
    job = bench.job(site, [gauge])
    lines = evacuation(gauge.id, shut.id, pa_per_s=0.4)
    bench.live([line for line in lines if line.instrument_id == gauge.id])
    bench.publish([line for line in lines if line.instrument_id == shut.id])
    bench.settle()
    assert [hold.by_valve for hold in bench.holds(job.id)] == [False]
    with bench.conn.transaction():
        assignments.assign(bench.conn, Wish(job.id, shut.id, T0_US - HOUR), mara(bench))
    bench.settle()
    assert [hold.by_valve for hold in bench.holds(job.id)] == [True]


def test_late_readings_do_not_move_a_beginning_that_a_person_gave(bench: Bench) -> None:
    gateway = bench.gateway(bench.site())
    gauge, shut = bench.gauge(gateway), bench.valve(gateway)
    later_us = T0_US + 6 * HOUR
    bench.live(evacuation(gauge.id, shut.id, later_us, pa_per_s=0.5, every_s=10))
    (job,) = bench.jobs()
    given = {}
    for one in jobs.assignments(bench.conn, job.id):
        given[one.instrument_id] = later_us - 600 * US
        wish = Wish(job.id, one.instrument_id, later_us - 600 * US, None, one.deciding)
        with bench.conn.transaction():
            assignments.correct(bench.conn, one.id, wish, mara(bench), to_rule=True)
    bench.settle()
    # An evacuation of the same evening becomes known late; by rule alone it would have been the same job.
    bench.publish(evacuation(gauge.id, shut.id, T0_US, every_s=10))
    bench.settle()
    mine = jobs.assignments(bench.conn, job.id)
    assert {one.instrument_id: one.since_us for one in mine} == given
    assert [hold.verdict for hold in bench.holds(job.id)] == [Verdict.FAILED]
    (other,) = [one for one in bench.jobs() if one.id != job.id]
    ends = {one.until_us for one in jobs.assignments(bench.conn, other.id)}
    assert max(end for end in ends if end is not None) <= later_us - 600 * US
    assert None not in ends


def test_a_cause_is_estimated_anew_without_what_did_not_belong_to_the_job(bench: Bench) -> None:
    site = bench.site()
    gateway = bench.gateway(site)
    gauge, shut = bench.gauge(gateway), bench.valve(gateway)
    warm = equipment.add_instrument(bench.conn, gateway, "t1", Role.THERMOMETER, interval_s=60)
    job = bench.job(site, [gauge, shut, warm])
    warming = [
        Line(at_us, warm.id, Quantity.TEMPERATURE, 285.0 + (at_us - T0_US) / US / 600.0)
        for at_us in range(T0_US, END_US, 60 * US)
    ]
    bench.live([*evacuation(gauge.id, shut.id, pa_per_s=0.5), *warming])
    bench.settle(END_US + HOUR)
    (before,) = bench.holds(job.id)
    with bench.conn.transaction():
        assignments.remove(bench.conn, line_of(bench, job.id, warm.id), mara(bench))
    bench.settle()
    bench.settle(bench.clock.now_us() + 60 * US)
    (after,) = bench.holds(job.id)
    assert (after.verdict, after.decided_us) == (before.verdict, before.decided_us)
    assert after.diagnosis is not None
    assert after.diagnosis.until_us is not None
    assert after.diagnosis != before.diagnosis
    setup = setups.load(bench.conn, [job.id])[job.id]
    assert after.diagnosis == estimate(bench.conn, setup, after, after.diagnosis.until_us)


def test_a_correction_waits_for_the_judgement_that_is_under_way(bench: Bench) -> None:
    site = bench.site()
    gauge = bench.gauge(bench.gateway(site))
    job = bench.job(site, [gauge])
    number = line_of(bench, job.id, gauge.id)

    def correct() -> None:
        with connect(bench.dsn, application="corrects") as own:
            assignments.remove(own, number, mara(bench))

    with connect(bench.dsn, application="judges") as judging:
        assert work.lock_jobs(judging, [job.id]) == {job.id}
        thread = threading.Thread(target=correct)
        thread.start()
        waiting = (
            "SELECT FROM pg_stat_activity WHERE application_name LIKE '%corrects' "
            "AND wait_event_type = 'Lock' AND wait_event = 'advisory'"
        )
        wait_until(lambda: bench.conn.execute(waiting).fetchone() is not None, what="the person to wait")
        assert jobs.assignments(bench.conn, job.id)
        judging.commit()
        thread.join()
    assert jobs.assignments(bench.conn, job.id) == []


def test_a_job_does_not_end_by_rule_before_an_instrument_that_a_person_gave_it_begins(bench: Bench) -> None:
    site = bench.site()
    gateway = bench.gateway(site)
    gauge, valve, other = bench.gauge(gateway), bench.valve(gateway), bench.gauge(gateway, "g2")
    job = bench.job(site, [gauge, valve])
    broken_us = CLOSED_US + 2400 * US
    later_us = broken_us + 2 * HOUR
    assignments.assign(bench.conn, Wish(job.id, other.id, later_us), mara(bench))
    bench.live(evacuation(gauge.id, valve.id, pa_per_s=0.02, every_s=10))
    # Broken for three hours: half an hour of it would end the job, were it not for the other gauge.
    bench.live(rise(gauge.id, broken_us, 3 * 3600, from_pa=101_325.0, pa_per_s=0.0, every_s=10))
    (found,) = [one for one in bench.jobs() if one.id == job.id]
    served = {one.instrument_id for one in jobs.assignments(bench.conn, job.id)}
    assert other.id in served
    assert found.state is not JobState.CLOSED

"""A job whose judgement fails is parked and stops nobody else."""

from __future__ import annotations

import psycopg
import pytest

from analytics.core import track
from analytics.worker.rejudge import rejudge
from model.event import EventKind
from model.job import JobState
from model.judgement import Fact, Verdict
from store import events, judgement, lists, setups
from store.database import Connection
from store.setups import Row, Wanted
from tests.analytics.worker.bench import T0_US, Bench, evacuation


def two_jobs(bench: Bench) -> tuple[int, int]:
    """Two jobs, with readings published and not judged; the first is the one to fail."""
    site = bench.site()
    jobs = []
    lines = []
    for name in ("gw-1", "gw-2"):
        gateway = bench.gateway(site, name)
        gauge, valve = bench.gauge(gateway), bench.valve(gateway)
        jobs.append(bench.job(site, [gauge, valve]).id)
        lines += evacuation(gauge.id, valve.id, pa_per_s=0.5)
    bench.clock.us = max(line.time_us for line in lines)
    bench.publish(lines)
    return jobs[0], jobs[1]


def break_view(monkeypatch: pytest.MonkeyPatch, job_id: int, *, with_text: str | None = None) -> None:
    """Let the core fail for the first job's gauge, or give a text that the database refuses."""
    real = track.view

    def broken(state: object, settings: object, now_us: int) -> object:
        seen = real(state, settings, now_us)  # type: ignore[arg-type]
        if 1 not in {one.id for one in settings.instruments}:  # type: ignore[attr-defined]
            return seen
        if with_text is None:
            raise ArithmeticError("a bad curve")
        fact = Fact("pull-down-started", T0_US, T0_US, with_text)
        return type(seen)(seen.phases, seen.holds, (fact,), seen.wake_us, seen.evacuation)

    monkeypatch.setattr("analytics.worker.judge.view", broken)


@pytest.mark.parametrize("text", [None, "no \0 in a text"], ids=["core", "database"])
def test_three_failures_park_the_job_and_the_others_go_on(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, text: str | None
) -> None:
    bad, good = two_jobs(bench)
    break_view(monkeypatch, bad, with_text=text)
    bench.settle()
    assert bench.holds(good)[0].verdict is Verdict.FAILED
    row = bench.conn.execute("SELECT failures, parked_at FROM job WHERE id = %s", (bad,)).fetchone()
    assert row is not None
    assert row["failures"] == 3
    assert row["parked_at"] is not None
    (event,) = events.of_job(bench.conn, bad)
    assert event.kind is EventKind.SERIES_PARKED
    assert event.data["error"]
    assert bench.told(bad) == [EventKind.SERIES_PARKED]


def test_a_parked_job_is_judged_again_on_request_with_what_came_meanwhile(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    bad, _ = two_jobs(bench)
    with monkeypatch.context() as patch:
        break_view(patch, bad)
        bench.settle()
    bench.live(
        [line for line in evacuation(1, 2, pa_per_s=0.5, hold_s=3000) if line.time_us > bench.clock.us]
    )
    assert bench.holds(bad) == []
    with bench.conn.transaction():
        rejudge(bench.conn, [bad], bench.clock)
    bench.settle()
    assert bench.holds(bad)[0].verdict is Verdict.FAILED
    assert bench.state(bad) is JobState.RUNNING


def test_a_failure_that_passes_is_forgotten(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    bad, _ = two_jobs(bench)
    with monkeypatch.context() as patch:
        break_view(patch, bad)
        bench.worker.step(bench.conn, 100)
    bench.settle()
    row = bench.conn.execute("SELECT failures FROM job WHERE id = %s", (bad,)).fetchone()
    assert row is not None
    assert row["failures"] == 0
    assert bench.holds(bad)[0].verdict is Verdict.FAILED


def test_a_rolled_back_transaction_leaves_no_state_behind(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    bad, _ = two_jobs(bench)
    with monkeypatch.context() as patch:

        def lost(*args: object) -> None:
            raise psycopg.OperationalError("the connection is lost")

        patch.setattr("store.events.record", lost)
        with pytest.raises(psycopg.OperationalError):
            bench.worker.step(bench.conn, 100)
    assert bench.phases(bad) == []
    bench.settle()
    assert bench.holds(bad)[0].verdict is Verdict.FAILED
    assert bench.told(bad).count(EventKind.HOLD_FAILED) == 1


def test_judging_again_after_a_change_of_procedure_revises_with_that_reason(bench: Bench) -> None:
    first, _ = two_jobs(bench)
    bench.settle()
    bench.conn.execute(
        "UPDATE job SET procedure_id = (SELECT id FROM procedure WHERE name LIKE 'Short%%') WHERE id = %s",
        (first,),
    )
    bench.conn.execute("UPDATE procedure SET limit_pa = 1e5, target_pa = 100 WHERE name LIKE 'Short%%'")
    with bench.conn.transaction():
        rejudge(bench.conn, [first], bench.clock)
    bench.settle()
    (stored,) = judgement.holds(bench.conn, [first])[first]
    assert stored.hold.verdict is Verdict.PASSED
    assert lists.revisions(bench.conn, stored.id)[0]["because"] == "judged again"


def test_one_transaction_that_cannot_succeed_is_narrowed_down_to_its_job(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    bad, good = two_jobs(bench)
    real = setups.readings

    def too_slow(conn: Connection, wanted: list[Wanted]) -> list[Row]:
        if any(one.job_id == bad for one in wanted):
            raise psycopg.errors.QueryCanceled("canceling statement due to statement timeout")
        return real(conn, wanted)

    monkeypatch.setattr("store.setups.readings", too_slow)
    limit = 100
    for _ in range(200):
        try:
            done = bench.worker.step(bench.conn, limit)
        except psycopg.Error as error:
            if limit == 1:
                bench.worker.give_up(bench.conn, error)
            limit = max(limit // 4, 1)
            continue
        limit = min(limit * 2, 100)
        if not done.instruments and not done.jobs:
            break
    row = bench.conn.execute("SELECT parked_at FROM job WHERE id = %s", (bad,)).fetchone()
    assert row is not None
    assert row["parked_at"] is not None
    monkeypatch.undo()
    assert bench.holds(good)[0].verdict is Verdict.FAILED

"""A fail of a running hold that is told early: once, before the verdict, and the same in any order."""

from __future__ import annotations

import random

import pytest

from model.clock import US
from model.event import Event, EventKind
from model.judgement import Fact, Verdict
from store import events, judgement
from tests.analytics.worker.bench import T0_US, Bench, Line, evacuation

CLOSED_US = T0_US + 1800 * US
CROSSING_US = CLOSED_US + round(293 / 0.25 * US)


def leaking(bench: Bench, rng: random.Random, hold_s: float = 2400.0) -> tuple[int, list[Line]]:
    """A job and the readings of a hold that crosses the usual limit after twenty minutes."""
    site = bench.site()
    gateway = bench.gateway(site)
    gauge, valve = bench.gauge(gateway), bench.valve(gateway)
    job = bench.job(site, [gauge, valve])
    lines = evacuation(gauge.id, valve.id, pa_per_s=0.25, hold_s=hold_s)
    noisy = [
        one.with_value(one.value * (1 + 0.01 * rng.gauss(0, 1))) if one.time_us > CLOSED_US else one
        for one in lines
        if one.instrument_id == gauge.id
    ]
    return job.id, [one for one in lines if one.instrument_id != gauge.id] + noisy


def early(bench: Bench, job_id: int) -> list[Event]:
    return [one for one in events.of_job(bench.conn, job_id) if one.kind is EventKind.HOLD_WILL_FAIL]


def test_it_is_told_once_while_the_hold_runs(bench: Bench, rng: random.Random) -> None:
    job_id, lines = leaking(bench, rng)
    bench.live([one for one in lines if one.time_us < CLOSED_US + 700 * US])
    (event,) = early(bench, job_id)
    (stored,) = judgement.holds(bench.conn, [job_id])[job_id]
    assert stored.hold.verdict is Verdict.RUNNING
    assert stored.hold.forecast is not None
    assert stored.hold.early_call is not None
    assert event.subject == f"hold:{stored.id}"
    assert event.happened_us == stored.hold.early_call.at_us < CROSSING_US
    assert event.data["probability"] == stored.hold.early_call.probability
    assert event.data["verdict"] == Verdict.RUNNING
    assert event.data["crossing_us"] == pytest.approx(CROSSING_US, abs=400 * US)
    assert "An estimate; the verdict follows the rule." in event.text
    assert stored.hold.advice is not None
    assert event.data["urgency"] == stored.hold.advice.urgency
    assert str(event.data["advice"]).startswith(
        "['Can wait till morning if the valve stays closed: it is expected"
    )
    bench.live([one for one in lines if one.time_us >= CLOSED_US + 700 * US])
    assert early(bench, job_id) == [event]
    told = bench.told(job_id)
    assert told.index(EventKind.HOLD_WILL_FAIL) < told.index(EventKind.HOLD_FAILED)
    (stored,) = judgement.holds(bench.conn, [job_id])[job_id]
    assert (stored.hold.verdict, stored.hold.forecast) == (Verdict.FAILED, None)
    assert judgement.decode(judgement.encode(stored.hold)) == stored.hold


def test_it_is_the_same_when_all_comes_late_and_shuffled(bench: Bench, rng: random.Random) -> None:
    job_id, lines = leaking(bench, rng)
    bench.live(lines)
    expected = bench.holds(job_id)
    bench.conn.execute("DELETE FROM reading")
    other = standing_in(bench)
    moved = [Line(one.time_us, other[one.instrument_id], one.quantity, one.value) for one in lines]
    rng.shuffle(moved)
    for start in range(0, len(moved), 150):
        bench.publish(moved[start : start + 150])
        bench.settle()
    again = bench.holds(other[0])
    assert [hold.early_call for hold in again] == [hold.early_call for hold in expected]
    # An event tells what was known then: of this hold once, and again only when readings had moved it far or
    # taken it back meanwhile. The fact behind it moves with what is known.
    calls = [one for one in early(bench, other[0]) if one.subject == f"hold:{held(bench, other[0])}"]
    assert len({one.happened_us for one in calls}) == len(calls) > 0
    assert told(bench, other[0]) == told(bench, job_id) != []


def held(bench: Bench, job_id: int) -> int:
    (stored,) = [one for one in judgement.holds(bench.conn, [job_id])[job_id] if not one.withdrawn]
    return stored.id


def told(bench: Bench, job_id: int) -> list[Fact]:
    return [fact for fact in bench.facts(job_id) if fact.kind == EventKind.HOLD_WILL_FAIL]


def standing_in(bench: Bench) -> dict[int, int]:
    """Another job whose instruments stand for those of the first; number 0 is the job."""
    site = bench.site("Speicher Süd")
    gateway = bench.gateway(site, "gw-2")
    gauge, valve = bench.gauge(gateway), bench.valve(gateway)
    job = bench.job(site, [gauge, valve])
    rows = bench.conn.execute("SELECT id, role FROM instrument ORDER BY id").fetchall()
    first_gauge, first_valve = rows[0]["id"], rows[1]["id"]
    return {0: job.id, first_gauge: gauge.id, first_valve: valve.id}


def test_a_tight_circuit_is_told_of_in_no_event(bench: Bench) -> None:
    site = bench.site()
    gateway = bench.gateway(site)
    gauge, valve = bench.gauge(gateway), bench.valve(gateway)
    job = bench.job(site, [gauge, valve])
    bench.live(evacuation(gauge.id, valve.id, pa_per_s=0.01))
    assert early(bench, job.id) == []

"""The cause of a fail is estimated anew as the readings since closing grow, whatever order they come in."""

from __future__ import annotations

import math
import random
from dataclasses import replace
from itertools import pairwise

import pytest

from analytics.worker.causes import GROWTH, evidence_until_us
from model.clock import US
from model.event import EventKind
from model.job import Job
from model.judgement import Cause, HoldTest, Phase, PhaseKind, Urgency, Verdict
from model.reading import Quantity, Valve
from store import events, judgement, lists
from tests.analytics.worker.bench import T0_US, Bench, Line, pull_down, valve

CLOSED_US = T0_US + 1800 * US
HOLD_S = 1800
"""Of the default procedure; 333 Pa are permitted."""


def wet(
    gauge: int, valve_id: int, hold_s: float = 2400, tau_s: float = 420, noise: float = 0.0
) -> list[Line]:
    """Water that levels off at 560 Pa, over the limit from about 5 minutes on."""
    rng = random.Random(5)
    return [
        valve(valve_id, T0_US, Valve.OPEN),
        *pull_down(gauge, T0_US, 1800),
        valve(valve_id, CLOSED_US, Valve.CLOSED),
        *(
            Line(
                CLOSED_US + t * US,
                gauge,
                Quantity.PRESSURE,
                (40 + 520 * (1 - math.exp(-t / tau_s))) * (1 + 0.004 * rng.gauss(0, 1)),
            )
            for t in range(0, int(hold_s), 5)
        ),
    ]


def planned(bench: Bench) -> tuple[Job, int, int]:
    site = bench.site()
    gateway = bench.gateway(site)
    gauge, valve_ = bench.gauge(gateway), bench.valve(gateway)
    return bench.job(site, [gauge, valve_]), gauge.id, valve_.id


def test_a_fail_by_water_is_unclear_at_first_and_moisture_at_last(bench: Bench) -> None:
    job, gauge, valve_id = planned(bench)
    bench.live(wet(gauge, valve_id))
    (stored,) = judgement.holds(bench.conn, [job.id])[job.id]
    assert stored.hold.verdict is Verdict.FAILED
    assert stored.hold.diagnosis is not None
    assert stored.hold.diagnosis.cause is Cause.MOISTURE
    assert stored.hold.diagnosis.until_us == CLOSED_US + HOLD_S * US
    said = [(row["cause"], row["because"]) for row in reversed(lists.revisions(bench.conn, stored.id))]
    assert said[0] == (Cause.UNCLEAR, "first verdict")
    assert said[-1] == (Cause.MOISTURE, "more readings")
    # A revision only where the named cause, or how soon somebody is needed, is another.
    urgencies = [
        revision["urgency"]
        for revision in bench.conn.execute(
            "SELECT detail #>> '{advice,urgency}' AS urgency FROM hold_test_revision ORDER BY revision"
        )
    ]
    assert urgencies[-1] == Urgency.CAN_WAIT
    told = [(cause, urgency) for (cause, _), urgency in zip(said, urgencies, strict=True)]
    assert all(one != other for one, other in pairwise(told))
    revised = [event for event in events.of_job(bench.conn, job.id) if event.kind is EventKind.HOLD_REVISED]
    assert len(revised) == len(said) - 1
    assert revised[0].data["because"] == "more readings"
    assert revised[0].data["verdict"] == Verdict.FAILED
    assert "Estimated cause: moisture" in max(revised, key=lambda event: event.id).text


def test_once_the_circuit_is_open_the_cause_stays(bench: Bench) -> None:
    job, gauge, valve_id = planned(bench)
    opened_us = CLOSED_US + 500 * US
    lines = [line for line in wet(gauge, valve_id) if line.time_us < opened_us]
    later = [Line(opened_us + t * US, gauge, Quantity.PRESSURE, 40.0) for t in range(0, 1800, 5)]
    bench.live([*lines, valve(valve_id, opened_us, Valve.OPEN), *later])
    hold = bench.holds(job.id)[0]
    assert hold.verdict is Verdict.FAILED
    assert hold.diagnosis is not None
    assert hold.diagnosis.until_us is not None
    assert hold.diagnosis.until_us <= opened_us


def test_late_readings_after_the_fail_renew_the_cause(bench: Bench) -> None:
    job, gauge, valve_id = planned(bench)
    lines = wet(gauge, valve_id)
    gap = range(CLOSED_US + 900 * US, CLOSED_US + 1500 * US)
    bench.live([line for line in lines if line.time_us not in gap])
    (before,) = bench.holds(job.id)
    bench.publish([line for line in lines if line.time_us in gap])
    bench.settle()
    bench.settle(bench.clock.us + 10 * US)
    (after,) = bench.holds(job.id)
    assert (before.decided_us, before.verdict) == (after.decided_us, after.verdict)
    assert before.diagnosis is not None
    assert after.diagnosis is not None
    assert before.diagnosis.until_us == after.diagnosis.until_us
    assert before.diagnosis != after.diagnosis


@pytest.mark.parametrize("hold_s", [700, 1300, 2400])
def test_the_same_cause_however_the_readings_come(
    bench: Bench, two_workers: Bench, rng: random.Random, hold_s: int
) -> None:
    found = []
    for one in (bench, two_workers):
        job, gauge, valve_id = planned(one)
        lines = wet(gauge, valve_id, hold_s)
        if one is bench:
            one.live(lines)
        else:
            rng.shuffle(lines)
            for place in range(0, len(lines), 40):
                one.clock.us = min(one.clock.us + rng.randint(0, 600) * US, CLOSED_US + 2400 * US)
                one.publish(lines[place : place + 40])
                if rng.random() < 0.5:
                    one.settle()
        one.settle(CLOSED_US + 3000 * US)
        one.settle(CLOSED_US + 3010 * US)
        (hold,) = one.holds(job.id)
        assert hold.verdict is Verdict.FAILED
        found.append(hold.diagnosis)
    assert found[0] is not None
    assert found[0] == found[1]


def failed(decided_s: float, planned_s: float = 36_000) -> HoldTest:
    return HoldTest(
        start_us=T0_US,
        planned_end_us=T0_US + round(planned_s * US),
        end_us=T0_US + round(decided_s * US),
        verdict=Verdict.FAILED,
        reason="over-limit",
        text="",
        decided_us=T0_US + round(decided_s * US),
    )


def test_the_stretch_grows_by_half_and_ends_as_planned() -> None:
    hold = failed(2880)
    running = [Phase(PhaseKind.HOLD, T0_US, None)]
    heads = range(T0_US + 2880 * US, T0_US + 50_000 * US, 10 * US)
    ends = sorted({evidence_until_us(hold, running, head) for head in heads})
    lengths = [(end - T0_US) / US for end in ends]
    assert lengths[0] == 2880
    assert lengths[-1] == 36_000
    grown = [b / a for a, b in pairwise(lengths)]
    assert grown[:-1] == pytest.approx([GROWTH] * (len(grown) - 1))
    assert 1 < grown[-1] <= GROWTH
    # Nobody looks beyond the readings.
    assert all(evidence_until_us(hold, running, head) <= head for head in heads)


def test_only_a_fail_is_looked_at_for_longer_and_only_while_it_is_closed() -> None:
    hold, head_us = failed(2880), T0_US + 50_000 * US
    reopened = [Phase(PhaseKind.HOLD, T0_US, T0_US + 7000 * US)]
    assert evidence_until_us(hold, reopened, head_us) == T0_US + 6480 * US
    assert evidence_until_us(hold, [], head_us) == hold.decided_us
    passed = replace(hold, verdict=Verdict.PASSED)
    assert evidence_until_us(passed, [Phase(PhaseKind.HOLD, T0_US, None)], head_us) == hold.decided_us


def test_what_is_advised_is_told_whenever_it_changes(bench: Bench) -> None:
    job, gauge, valve_id = planned(bench)
    bench.live(
        [
            valve(valve_id, T0_US, Valve.OPEN),
            *pull_down(gauge, T0_US, 1800),
            valve(valve_id, CLOSED_US, Valve.CLOSED),
            *(
                Line(CLOSED_US + t * US, gauge, Quantity.PRESSURE, 40 + 0.6 * t * (1 + 0.002 * math.sin(t)))
                for t in range(0, 2400, 5)
            ),
        ]
    )
    (stored,) = judgement.holds(bench.conn, [job.id])[job.id]
    told = sorted(events.of_job(bench.conn, job.id), key=lambda event: event.id)
    advised = [event for event in told if event.kind is EventKind.HOLD_ADVISED]
    assert advised
    assert stored.hold.advice is not None
    last = [event for event in told if event.data.get("verdict") == Verdict.FAILED][-1]
    assert last.data["advice"] == [stored.hold.advice.line, *stored.hold.advice.steps]
    # No revision is made of it: verdict, cause and urgency are as before.
    assert stored.revision == 1 + sum(1 for event in told if event.kind is EventKind.HOLD_REVISED)

"""The same readings, however they come, end in the same phases, verdicts, facts and jobs."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import replace

import pytest

from analytics.worker import plan
from analytics.worker.seen import settled_hold, settled_phase
from model.clock import US
from model.event import EventKind
from model.reading import Quantity, Valve
from store import events, jobs, judgement, lists
from tests.analytics.worker.bench import (
    T0_US,
    Bench,
    Line,
    evacuation,
    pull_down,
    rise,
    valve,
)
from tests.analytics.worker.days import days, disorder, equip

CLOSED_US = T0_US + 1800 * US
END_US = T0_US + 4 * 3600 * US


def passing(gauge: int, valve_id: int) -> list[Line]:
    return evacuation(gauge, valve_id, pa_per_s=0.02, every_s=10)


def failing(gauge: int, valve_id: int) -> list[Line]:
    return evacuation(gauge, valve_id, pa_per_s=0.4, every_s=10)


def by_the_curve(gauge: int, _: int) -> list[Line]:
    return [line for line in failing(gauge, 0) if line.quantity is Quantity.PRESSURE]


def reopened_and_held_again(gauge: int, valve_id: int) -> list[Line]:
    again_us = CLOSED_US + 600 * US
    return [
        *(line for line in evacuation(gauge, valve_id, pa_per_s=0.02, every_s=10) if line.time_us < again_us),
        valve(valve_id, again_us, Valve.OPEN),
        *rise(gauge, again_us, 900, from_pa=40.0, pa_per_s=0.0, every_s=10),
        valve(valve_id, again_us + 900 * US, Valve.CLOSED),
        *rise(gauge, again_us + 900 * US, 2400, from_pa=40.0, pa_per_s=0.01, every_s=10),
    ]


def with_a_gap_over_the_end(gauge: int, valve_id: int) -> list[Line]:
    gap = range(CLOSED_US + 1500 * US, CLOSED_US + 2100 * US)
    return [line for line in passing(gauge, valve_id) if line.time_us not in gap]


def finished_and_pumped_again(gauge: int, valve_id: int) -> list[Line]:
    """The vacuum is broken for an hour after the pass: the second pull-down belongs to another job."""
    broken_us = CLOSED_US + 2400 * US
    return [
        *passing(gauge, valve_id),
        *rise(gauge, broken_us, 3600, from_pa=101_325.0, pa_per_s=0.0, every_s=10),
        *pull_down(gauge, broken_us + 3600 * US, 900, every_s=10),
    ]


SCENARIOS = [
    passing,
    failing,
    by_the_curve,
    reopened_and_held_again,
    with_a_gap_over_the_end,
    finished_and_pumped_again,
]


def disorderly(bench: Bench, lines: list[Line], rng: random.Random) -> None:
    """Publish in packs of any size, in any order, some of them twice, judging in between."""
    lines = rng.sample(lines, len(lines)) if rng.random() < 0.5 else sorted(lines)
    packs = []
    while lines:
        size = rng.randint(1, 60)
        packs.append(lines[:size])
        lines = lines[size:]
    packs += rng.sample(packs, len(packs) // 4)
    rng.shuffle(packs)
    for pack in packs:
        bench.clock.us = min(bench.clock.us + rng.randint(0, 600) * US, END_US)
        bench.publish(pack)
        if rng.random() < 0.5:
            bench.settle()


def result(bench: Bench) -> list[object]:
    # A walk-up that later readings joined to another job stays as a name that leads there.
    jobs = [job for job in bench.jobs() if job.merged_into is None]
    return [
        (
            job.state,
            job.walk_up,
            [settled_phase(phase) for phase in bench.phases(job.id)],
            [
                replace(settled_hold(hold), deciding_instrument_id=None, diagnosis=None)
                for hold in bench.holds(job.id)
            ],
            [hold.diagnosis and hold.diagnosis.cause for hold in bench.holds(job.id)],
            sorted(bench.facts(job.id), key=lambda fact: (fact.time_us, fact.kind)),
            job.closed_us,
        )
        for job in sorted(jobs, key=lambda job: bench.phases(job.id)[0].start_us)
    ]


def installation(bench: Bench, name: str, *, assigned: bool) -> tuple[int, int]:
    site = bench.site(f"Site of {name}")
    gateway = bench.gateway(site, name)
    gauge, valve_ = bench.gauge(gateway, interval_s=10.0), bench.valve(gateway)
    if assigned:
        bench.job(site, [gauge, valve_])
    return gauge.id, valve_.id


@pytest.mark.parametrize("assigned", [True, False], ids=["assigned", "walk-up"])
@pytest.mark.parametrize("scenario", SCENARIOS, ids=lambda scenario: str(scenario.__name__))
def test_the_same_answer_however_the_readings_come(
    bench: Bench,
    two_workers: Bench,
    rng: random.Random,
    scenario: Callable[[int, int], list[Line]],
    assigned: bool,
) -> None:
    for one in (bench, two_workers):
        gauge, valve_id = installation(one, "gw-1", assigned=assigned)
        lines = scenario(gauge, valve_id)
        if one is bench:
            one.live(lines)
        else:
            disorderly(one, lines, rng)
        one.settle(END_US)
        one.settle(END_US + 10 * US)
    expected, got = result(bench), result(two_workers)
    assert len(expected) == (2 if scenario is finished_and_pumped_again else 1)
    assert got == expected


@pytest.mark.parametrize("scenario", SCENARIOS, ids=lambda scenario: str(scenario.__name__))
def test_the_same_answer_in_however_small_slices(
    bench: Bench,
    two_workers: Bench,
    rng: random.Random,
    scenario: Callable[[int, int], list[Line]],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    gauge, valve_id = installation(bench, "gw-1", assigned=True)
    bench.live(scenario(gauge, valve_id))
    bench.settle(END_US)
    monkeypatch.setattr(plan, "SLICE", 20)
    monkeypatch.setattr(plan, "LONG", 30)
    monkeypatch.setattr(plan, "BUDGET", 60)
    assert installation(two_workers, "gw-1", assigned=True) == (gauge, valve_id)
    disorderly(two_workers, scenario(gauge, valve_id), rng)
    two_workers.settle(END_US)
    for one in (bench, two_workers):
        one.settle(END_US + 10 * US)
    assert result(two_workers) == result(bench)


TOLD = {
    EventKind.JOB_OPENED,
    EventKind.JOB_CLOSED,
    EventKind.PULL_DOWN_STARTED,
    EventKind.TARGET_REACHED,
    EventKind.VACUUM_BROKEN,
    EventKind.EVACUATION_FINISHED,
    EventKind.EVACUATION_UNPROVEN,
}


def live_events(bench: Bench, job_id: int) -> tuple[list[tuple[str, int]], list[EventKind]]:
    """The facts, by their starts, that an event tells which is not void, and the kinds of all such events."""
    void = {row["id"] for row in lists.timeline(bench.conn, job_id, 10_000) if row["void"]}
    live = [
        (event.kind, int(event.subject.split(":")[1]))
        for event in events.of_job(bench.conn, job_id, 10_000)
        if event.kind in TOLD and event.id not in void
    ]
    told_us = judgement.told(bench.conn, [job_id])
    told = [
        (fact.kind, fact.subject_us)
        for fact in bench.facts(job_id)
        for at_us in [told_us.get((job_id, fact.kind, fact.subject_us), fact.subject_us)]
        if any(kind == fact.kind and abs(start_us - at_us) <= lists.MOVED_S * US for kind, start_us in live)
    ]
    return sorted(told), sorted({kind for kind, _ in live})


def whole(bench: Bench) -> list[object]:
    """All that the readings decide, of each job."""
    return [
        (
            (job.opened_us, job.closed_us, job.state, job.walk_up),
            sorted(
                (one.instrument_id, one.since_us, one.until_us, one.deciding)
                for one in jobs.assignments(bench.conn, job.id)
            ),
            [settled_phase(phase) for phase in bench.phases(job.id)],
            [replace(settled_hold(hold), diagnosis=None) for hold in bench.holds(job.id)],
            [hold.diagnosis and hold.diagnosis.cause for hold in bench.holds(job.id)],
            sorted(bench.facts(job.id), key=lambda fact: (fact.time_us, fact.kind)),
            live_events(bench, job.id),
        )
        for job in sorted(bench.jobs(), key=lambda job: (job.opened_us, job.id))
        if not lists.withdrawn(bench.conn, job.id)
    ]


@pytest.mark.parametrize("number", range(6))
def test_walk_ups_are_cut_the_same_however_the_readings_come(
    bench: Bench, two_workers: Bench, rng: random.Random, number: int
) -> None:
    kits = rng.getrandbits(32)
    kit = equip(bench, random.Random(kits))
    assert equip(two_workers, random.Random(kits)) == kit
    lines = days(kit, rng)
    if rng.random() < 0.5:
        del two_workers.workers[1:]
    last_us = max(one.time_us for one in lines)
    end_us = last_us + rng.choice((60, 7200, 4 * 86_400)) * US
    bench.live(lines, every_s=600)
    disorder(two_workers, lines, rng, end_us)
    for one in (bench, two_workers):
        one.settle(end_us)
        one.settle(end_us + 10 * US)
    expected, got = whole(bench), whole(two_workers)
    assert len(got) == len(expected)
    for ours, theirs in zip(got, expected, strict=True):
        assert ours == theirs

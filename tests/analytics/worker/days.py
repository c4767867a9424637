"""Random days of one gauge: evacuations minutes to a day apart, and what lies between them."""

from __future__ import annotations

import random
from dataclasses import dataclass

from model.clock import US
from model.equipment import Position
from model.reading import Quantity, Valve
from tests.analytics.worker.bench import ATMOSPHERE_PA, T0_US, Bench, Line, pull_down, rise, valve

EVERY_S = 30.0
IDLE_EVERY_S = 300.0


@dataclass(frozen=True, slots=True)
class Equipment:
    """What stands on the gateway; a number is None where there is no such thing."""

    gauge: int
    valve: int | None
    pump_gauge: int | None
    assigned: bool
    """The first evacuation belongs to a job that a person made."""


def equip(bench: Bench, rng: random.Random) -> Equipment:
    """Register a gateway's instruments; the same draws give the same."""
    site = bench.site()
    gateway = bench.gateway(site)
    gauge = bench.gauge(gateway, interval_s=EVERY_S)
    valve_ = bench.valve(gateway) if rng.random() < 0.6 else None
    beside = bench.gauge(gateway, "p1", Position.PUMP, EVERY_S) if rng.random() < 0.2 else None
    assigned = rng.random() < 0.25
    if assigned:
        bench.job(site, [one for one in (gauge, valve_, beside) if one is not None])
    return Equipment(
        gauge.id,
        None if valve_ is None else valve_.id,
        None if beside is None else beside.id,
        assigned,
    )


def days(kit: Equipment, rng: random.Random) -> list[Line]:
    """One to four evacuations with all that lies between, in order."""
    lines: list[Line] = []
    at_us = T0_US
    for _ in range(rng.randint(1, 4)):
        at_us = _evacuation(lines, kit, at_us, rng)
        pause_us = round(rng.choice((rng.uniform(60, 3600), rng.uniform(3600, 108_000))) * US)
        if rng.random() < 0.6:
            lines += _idle(kit.gauge, at_us, at_us + pause_us)
        at_us += pause_us
    if rng.random() < 0.3:
        lines = _without(lines, rng)
    if kit.pump_gauge is not None:
        lines += [Line(one.time_us, kit.pump_gauge, one.quantity, one.value) for one in lines[::7]]
    return sorted(lines)


def _evacuation(lines: list[Line], kit: Equipment, at_us: int, rng: random.Random) -> int:
    """Append an evacuation; returns its end [µs]."""
    pull_s = rng.choice((600.0, 1800.0))
    lowest_pa = rng.choice((40.0, 40.0, 300.0, 3000.0))
    lines += pull_down(kit.gauge, at_us, pull_s, to_pa=lowest_pa, every_s=EVERY_S)
    if kit.valve is not None and rng.random() < 0.8:
        lines.append(valve(kit.valve, at_us, Valve.OPEN))
    at_us += round(pull_s * US)
    if rng.random() < 0.85:
        hold_s = rng.choice((900.0, 2100.0, 2400.0, 6000.0))
        if kit.valve is not None:
            lines.append(valve(kit.valve, at_us, Valve.CLOSED))
        steep = rng.choice((0.01, 0.02, 0.5))
        lines += rise(kit.gauge, at_us, hold_s, from_pa=40.0, pa_per_s=steep, every_s=EVERY_S)
        at_us += round(hold_s * US)
        if kit.valve is not None and rng.random() < 0.5:
            lines.append(valve(kit.valve, at_us, Valve.OPEN))
    if rng.random() < 0.75:
        open_us = round(rng.choice((120, 1200, 2400, 7200, 16_200)) * US)
        lines += _idle(kit.gauge, at_us, at_us + open_us, 120.0)
        at_us += open_us
    return at_us


def _idle(gauge: int, since_us: int, until_us: int, every_s: float = IDLE_EVERY_S) -> list[Line]:
    step_us = round(every_s * US)
    return [Line(at, gauge, Quantity.PRESSURE, ATMOSPHERE_PA) for at in range(since_us, until_us, step_us)]


def _without(lines: list[Line], rng: random.Random) -> list[Line]:
    """Without a stretch that nobody ever sent."""
    first = rng.choice(lines).time_us
    until_us = first + round(rng.uniform(300, 6 * 3600) * US)
    return [one for one in lines if not first <= one.time_us < until_us] or lines


def disorder(bench: Bench, lines: list[Line], rng: random.Random, end_us: int) -> None:
    """Publish in packs, some late, some twice, judging in between; the clock follows or has gone ahead."""
    packs = _packs(sorted(lines), rng)
    kind = rng.choice(("late stretch", "newest first", "shuffled", "by halves", "stirred"))
    if kind == "newest first":
        packs.reverse()
    elif kind == "late stretch":
        first = rng.randrange(len(packs))
        last = rng.randint(first, len(packs))
        packs = packs[:first] + packs[last:] + packs[first:last]
    elif kind == "by halves":
        rng.shuffle(packs)
        packs.sort(key=lambda pack: pack[0].time_us < lines[len(lines) // 2].time_us)
    elif kind == "shuffled":
        rng.shuffle(packs)
    else:
        packs = _packs(rng.sample(lines, len(lines)), rng)
    packs += rng.sample(packs, len(packs) // 5)
    if rng.random() < 0.3:
        bench.clock.us = end_us
    often = rng.choice((0.2, 0.7, 1.0))
    for pack in packs:
        bench.clock.us = max(bench.clock.us, min(end_us, max(one.time_us for one in pack)))
        bench.publish(pack)
        if rng.random() < often:
            bench.settle()


def _packs(lines: list[Line], rng: random.Random) -> list[list[Line]]:
    packs = []
    most = rng.choice((20, 60, 200))
    while lines:
        size = rng.randint(1, most)
        packs.append(lines[:size])
        lines = lines[size:]
    return packs

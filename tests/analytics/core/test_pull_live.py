"""A running pull-down on line: what the job's state keeps of it, and what is said of it meanwhile."""

from __future__ import annotations

import json
import math
import random
from collections.abc import Callable
from dataclasses import replace

import pytest

from analytics.core import pull_live
from analytics.core.track import Pulling, Sample, TrackState, begin, dump, fold, load, view
from model.clock import US
from model.pull_down import PullEstimate, Standing, State
from model.reading import Quantity, Valve
from physics.constants import ATMOSPHERE_PA
from tests.analytics.core.curves import (
    CIRCUIT_GAUGE,
    ISOLATION_VALVE,
    MICRON,
    THERMOMETER,
    USUAL,
    at,
    folded,
    instrument,
    pressure,
    report,
    settings,
    state,
)

GIVEN = settings()
TARGET_PA = 500 * MICRON
Curve = Callable[[float], float]


def hose(t: float) -> float:
    """P = 1/(1/P0 + t/c): a hose that decides alone, viscous flow (dP/dt ∝ −P², vacuum handbooks)."""
    return 1.0 / (1.0 / ATMOSPHERE_PA + max(t, 0.0) / 60_000.0)


REACHED_S = 60_000.0 * (1.0 / TARGET_PA - 1.0 / ATMOSPHERE_PA)
"""When that comes to the target, 899 s."""


def noisy(curve: Curve, rng: random.Random, share: float = 0.01) -> Curve:
    return lambda t: curve(t) * (1 + share * rng.gauss(0, 1))


def log(curve: Curve, until_s: float, interval_s: float = 1.0) -> list[Sample]:
    """A valve that is open, half a minute at the atmosphere, then the curve."""
    return [report(-30, Valve.OPEN), *pressure(curve, -30, until_s, interval_s)]


def pulling(samples: list[Sample], given: object = None) -> Pulling:
    chosen = GIVEN if given is None else given
    found = view(folded(sorted(samples), chosen), chosen, samples[-1].time_us).pulling  # type: ignore[arg-type]
    assert found is not None
    return found


@pytest.mark.parametrize("interval_s", [0.1, 1.0, 10.0])
def test_the_time_to_the_target_is_told_while_it_runs(rng: random.Random, interval_s: float) -> None:
    told = pulling(log(noisy(hose, rng), 300, interval_s)).estimate()
    assert told.at_us == at(300)
    assert at(-30) <= told.start_us <= at(5)
    assert told.found.state is State.FALLING
    until = told.found.until
    assert until is not None
    assert until.value == pytest.approx(REACHED_S - 300, rel=0.25)
    assert until.low < REACHED_S - 300 < (until.high or math.inf)


def test_any_split_of_the_readings_makes_the_same_state(rng: random.Random) -> None:
    samples = sorted(log(noisy(hose, rng), 700))
    whole = folded(samples, GIVEN)
    parts, done = begin(GIVEN), 0
    while done < len(samples):
        size = rng.randint(1, 150)
        parts = load(json.loads(json.dumps(dump(fold(parts, GIVEN, samples[done : done + size])))))
        done += size
    assert parts == whole
    assert parts.pull is not None
    assert len(parts.pull.rows) > 100


def test_what_is_kept_is_bounded_and_gone_once_the_valve_closes(rng: random.Random) -> None:
    def slow(t: float) -> float:
        return 150 + (ATMOSPHERE_PA - 150) * math.exp(-max(t, 0.0) / 200)

    known: TrackState = begin(GIVEN)
    sizes = []
    for hour in range(8):
        known = fold(known, GIVEN, pressure(noisy(slow, rng), hour * 3600, hour * 3600 + 3599, 2))
        assert known.pull is not None
        sizes.append(len(json.dumps(dump(known))))
    # An hour more costs a handful of cells of a tenth of a kilobyte, and ever fewer; the readings that wait
    # for their cells, up to 64, make three kilobytes more or less.
    assert sizes[-1] - sizes[3] < 5_000
    assert max(sizes) < 40_000
    assert known.pull is not None
    assert len(known.pull.fresh) < pull_live.AT_ONCE
    closed = fold(known, GIVEN, [report(8 * 3600, Valve.CLOSED), *pressure(slow, 28_801, 28_900, 1)])
    assert closed.pull is None


def test_a_new_pull_down_is_told_by_its_own_readings(rng: random.Random) -> None:
    first = log(noisy(hose, rng), 1000)
    shut = [report(1000.5, Valve.CLOSED), *pressure(lambda t: 70.0, 1001, 1100, 1)]
    again = [
        report(1100.5, Valve.OPEN),
        *pressure(lambda t: 70.0 * math.exp(-(t - 1100) / 900), 1101, 1400, 1),
    ]
    found = pulling([*first, *shut, *again])
    assert found.state.start_us == at(1100.5)
    assert found.estimate().found.state is State.REACHED


def test_a_plateau_of_free_water_is_named_only_where_somebody_says_how_warm_it_is(rng: random.Random) -> None:
    # Stands at 612 Pa, the triple point (Guildner, Johnson and Jones 1976); the air is at 20 °C.
    def wet(t: float) -> float:
        return 612 + (ATMOSPHERE_PA - 612) * math.exp(-max(t, 0.0) / 60)

    given = settings(USUAL, CIRCUIT_GAUGE, ISOLATION_VALVE, instrument(THERMOMETER))
    samples = sorted([*log(noisy(wet, rng), 2400, 2), state(1500, Quantity.AMBIENT, 293.15, THERMOMETER)])
    found = pulling(samples, given)
    assert found.known.ambient_k == 293.15
    told = found.estimate().found
    assert told.state is State.STANDING
    assert told.stall is not None
    assert told.stall.named is Standing.WATER
    assert told.until is not None
    assert (told.until.value, told.until.high) == (None, None)
    assert told.until.low > 0


def test_an_estimate_is_due_after_an_eighth_of_the_age_within_bounds() -> None:
    for age_s, later_s in ((10, 30), (240, 30), (800, 100), (100_000, 600)):
        assert pull_live.due_us(at(0), at(age_s)) == at(age_s + later_s)


# What gauges and gateways do in the field ---------------------------------------------------------------


def covers(told: PullEstimate, reached_s: float, share: float = 0.3) -> None:
    """The estimate is near the truth, and its interval holds it."""
    until, left_s = told.found.until, reached_s - (told.at_us - at(0)) / US
    assert until is not None
    assert until.value == pytest.approx(left_s, rel=share)
    assert until.low < left_s < (until.high or math.inf)


def test_one_reading_a_minute_is_enough(rng: random.Random) -> None:
    told = pulling(log(noisy(lambda t: hose(t / 8), rng), 3600, 60)).estimate()
    covers(told, 8 * REACHED_S)


def test_a_restart_of_the_gateway_goes_on_with_the_same_pull_down(rng: random.Random) -> None:
    whole = log(noisy(hose, rng), 450)
    # Four minutes are lost, and the last quarter of a minute before comes once more.
    left = [one for one in whole if not at(150) < one.time_us <= at(390)]
    again = [one for one in left if at(135) < one.time_us <= at(150)]
    told = pulling([*left, *again]).estimate()
    assert told.start_us == pulling(whole).estimate().start_us
    covers(told, REACHED_S)


def test_codes_of_over_range_tell_that_the_pump_runs_and_no_pressure(rng: random.Random) -> None:
    top_pa = 3300.0
    gauge = instrument(CIRCUIT_GAUGE.id, high=top_pa)
    given = settings(USUAL, gauge, ISOLATION_VALVE)
    seen = noisy(hose, rng)
    samples = [report(-30, Valve.OPEN)]
    for t in range(-30, 420):
        if hose(t) >= top_pa:
            samples.append(state(t, Quantity.OVERRANGE, 1.0))
        else:
            samples += [state(t, Quantity.OVERRANGE, 0.0), *pressure(seen, t, t)]
    found = pulling(samples, given)
    assert found.top_pa == top_pa
    covers(found.estimate(), REACHED_S)


@pytest.mark.parametrize("offset_pa", [-2 * MICRON, 2 * MICRON])
def test_a_zero_offset_of_two_micron_does_not_mislead_near_a_deep_target(
    rng: random.Random, offset_pa: float
) -> None:
    deep = replace(USUAL, target_pa=100 * MICRON)
    given = settings(deep, CIRCUIT_GAUGE, ISOLATION_VALVE)
    samples = log(lambda t: noisy(hose, rng)(t) + offset_pa, 2500, 2)
    told = pulling(samples, given).estimate()
    covers(told, 60_000.0 / (100 * MICRON))


def test_a_gauge_that_is_unplugged_and_put_on_another_circuit_begins_anew(rng: random.Random) -> None:
    first = log(noisy(hose, rng), 600)
    open_air = pressure(noisy(lambda t: ATMOSPHERE_PA, rng, 0.001), 601, 900, 1)
    moved = pressure(noisy(lambda t: hose((t - 900) / 2), rng), 901, 1500, 1)
    told = pulling([*first, *open_air, *moved]).estimate()
    assert told.start_us >= at(895)
    covers(told, 900 + 2 * REACHED_S)

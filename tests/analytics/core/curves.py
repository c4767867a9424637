"""Series of readings from formulas, and a job to judge them with."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence

from analytics.core.track import Sample, TrackSettings, TrackState, View, begin, fold, view
from model.clock import US
from model.equipment import Instrument, Position, Role
from model.judgement import HoldTest
from model.procedure import Procedure
from model.reading import Quantity, Valve

T0 = 1_700_000_000 * US
MICRON = 0.133322387415
GAUGE, VALVE, PUMP_GAUGE, SECOND, THERMOMETER, PUMP = 11, 12, 13, 14, 15, 16

USUAL = Procedure("usual", 500 * MICRON, 60, 1800, 120, 2500 * MICRON, None, "test")


def instrument(
    number: int,
    role: Role = Role.GAUGE,
    position: Position = Position.CIRCUIT,
    low: float | None = None,
    high: float | None = None,
    interval_s: float = 10,
    accuracy: float = 0.1,
) -> Instrument:
    return Instrument(
        number, 1, f"i{number}", role, position, "", "micron", low, high, accuracy, interval_s, ""
    )


CIRCUIT_GAUGE = instrument(GAUGE)
ISOLATION_VALVE = instrument(VALVE, Role.VALVE)


def settings(
    procedure: Procedure = USUAL,
    *instruments: Instrument,
    volume_m3: float | None = 0.010,
    deciding_id: int | None = None,
) -> TrackSettings:
    return TrackSettings(procedure, instruments or (CIRCUIT_GAUGE, ISOLATION_VALVE), deciding_id, volume_m3)


LIMIT = 2500 * MICRON
TOP = 20_000 * MICRON
RANGED = settings(USUAL, instrument(GAUGE, low=1.0, high=TOP), ISOLATION_VALVE)


def at(seconds: float) -> int:
    """Seconds from the start of the test's series as event time."""
    return T0 + round(seconds * US)


def pressure(
    curve: Callable[[float], float],
    start_s: float,
    end_s: float,
    interval_s: float = 10,
    gauge: int = GAUGE,
) -> list[Sample]:
    n = int((end_s - start_s) / interval_s + 1e-9) + 1
    times = [start_s + i * interval_s for i in range(n)]
    return [Sample(at(t), gauge, Quantity.PRESSURE, float(curve(t))) for t in times]


def report(seconds: float, position: Valve, valve: int = VALVE) -> Sample:
    return Sample(at(seconds), valve, Quantity.VALVE, float(position))


def state(seconds: float, quantity: Quantity, value: float, number: int = GAUGE) -> Sample:
    return Sample(at(seconds), number, quantity, float(value))


def pull_down(
    to_pa: float = 40.0, length_s: float = 1800, tau_s: float = 120, interval_s: float = 10
) -> list[Sample]:
    """From atmosphere to an end pressure until 0, closed form: p = p_end + (p0 − p_end)·exp(−t/τ)."""

    def curve(t: float) -> float:
        return to_pa + (101_325 - to_pa) * math.exp(-(t + length_s) / tau_s)

    return pressure(curve, -length_s, -interval_s, interval_s)


def held(
    curve: Callable[[float], float],
    length_s: float = 2000,
    interval_s: float = 10,
    opened_s: float | None = None,
    to_pa: float = 40.0,
) -> list[Sample]:
    """A pull-down, a valve that closes at 0 and a pressure from then on."""
    samples = [report(-1800, Valve.OPEN), *pull_down(to_pa), report(0, Valve.CLOSED)]
    samples += pressure(curve, 0, length_s, interval_s)
    if opened_s is not None:
        samples.append(report(opened_s, Valve.OPEN))
    return samples


def judge(samples: Iterable[Sample], given: TrackSettings | None = None, now_s: float | None = None) -> View:
    given = given or settings()
    ordered = sorted(samples)
    now_us = ordered[-1].time_us if now_s is None else at(now_s)
    return view(folded(ordered, given), given, now_us)


def folded(ordered: Sequence[Sample], given: TrackSettings) -> TrackState:
    return fold(begin(given), given, ordered)


def only(samples: list[Sample], given: TrackSettings | None = None, now_s: float | None = None) -> HoldTest:
    holds = judge(samples, given, now_s).holds
    assert len(holds) == 1
    return holds[0]


def flat(value: float) -> Callable[[float], float]:
    return lambda _: value


def step(at_s: float, before: float, after: float, until_s: float = math.inf) -> Callable[[float], float]:
    return lambda t: after if at_s <= t < until_s else before


def without(samples: list[Sample], start_s: float, end_s: float) -> list[Sample]:
    return [one for one in samples if not (at(start_s) < one.time_us < at(end_s))]

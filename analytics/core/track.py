"""Judging a job on line: samples in, phases, hold tests and facts out.

The state is plain data of bounded size. Folding sorted samples in any split gives the same state: samples of
one moment are gathered and worked off together when the next moment comes (or when somebody looks).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from analytics.core import ending, evacuation, hold, hold_verdict, phases, pump_stop
from analytics.core.codec import clone, decode, encode
from analytics.core.evacuation import Evacuation
from analytics.core.filtered import Filter
from analytics.core.hold import Point, Scene
from analytics.core.phases import ATMOSPHERE_PA, NO_VACUUM_PA
from analytics.core.pull_down import Known
from analytics.core.pull_live import PullState, estimate
from analytics.core.state import (
    Closing,
    Flag,
    GaugeState,
    PhaseRow,
    Sample,
    TrackSettings,
    TrackState,
    running_hold,
    surrounding_kelvin,
)
from analytics.core.verdict import hold_test
from model.clock import US
from model.equipment import Instrument
from model.judgement import Fact, HoldTest, Phase
from model.pull_down import PullEstimate
from model.reading import Quantity, Valve
from model.rig import Rig

__all__ = [
    "Closing",
    "Sample",
    "TrackSettings",
    "TrackState",
    "View",
    "begin",
    "dump",
    "fold",
    "load",
    "view",
]


COLDEST_K, HOTTEST_K = 173.15, 423.15
"""Outside this a thermometer is broken or unplugged, not a circuit cold or hot. Our own choice."""


@dataclass(frozen=True, slots=True)
class Pulling:
    """What an estimate of a running pull-down needs; made only where one is due, because it costs a fit."""

    state: PullState
    target_pa: float
    known: Known
    top_pa: float
    rig: Rig

    @property
    def at_us(self) -> int:
        """Its last reading [µs]."""
        return self.state.start_us if self.state.last_us is None else self.state.last_us

    def estimate(self) -> PullEstimate:
        """When the target will be reached, how well the pump pulls, why the pressure stands."""
        found = estimate(self.state, self.target_pa, self.known, self.top_pa)
        return PullEstimate(self.state.start_us, self.at_us, self.target_pa, found, self.rig)


@dataclass(frozen=True, slots=True)
class View:
    """What is known of a job at a moment."""

    phases: tuple[Phase, ...]
    holds: tuple[HoldTest, ...]
    facts: tuple[Fact, ...]
    wake_us: int | None
    """When it would change by time alone [µs]."""
    evacuation: Evacuation
    over_us: int | None = None
    """When the job is over, as far as is known; it may lie ahead [µs]."""
    last_us: int | None = None
    """Time of the last sample that counts [µs]."""
    pulling: Pulling | None = None
    """The pull-down that goes on, unless its pump stands."""
    pump_stands: bool = False
    """A vacuum lies open to a pump that stands."""
    over_limit: bool = False
    """A hold that is not decided is over its limit: the next readings may decide it."""


def begin(settings: TrackSettings) -> TrackState:
    """Return the state of a job before its first sample."""
    return TrackState()


def fold(state: TrackState, settings: TrackSettings, samples: Iterable[Sample]) -> TrackState:
    """Take samples, sorted, none earlier than those taken before; the given state is left as it is.

    From the moment on at which the job is over, nothing is taken any more.

    Raises
    ------
    ValueError
        If a sample is earlier than one that was taken.
    """
    if state.over_us is not None:
        return state
    state = clone(state)
    for sample in samples:
        if sample.time_us != state.tick_us:
            if state.tick_us is not None and sample.time_us < state.tick_us:
                raise ValueError(f"a sample of {sample.time_us} came after one of {state.tick_us}")
            _work_off(state, settings)
            state.over_us = ending.over_by(state, settings, sample.time_us)
            if state.over_us is not None:
                return state
            state.tick_us = sample.time_us
        state.tick.append((sample.instrument_id, int(sample.quantity), sample.value))
    return state


def view(state: TrackState, settings: TrackSettings, now_us: int) -> View:
    """Say what is known at a moment.

    Parameters
    ----------
    state : TrackState
        From `begin`, `fold` or `load`.
    settings : TrackSettings
        The same as for `fold`.
    now_us : int
        The moment [µs]; readings from after it (a clock ahead of ours) move it.
    """
    state = clone(state)
    _work_off(state, settings)
    last_us = state.tick_us
    if last_us is not None:
        now_us = max(now_us, last_us)
    rule = settings.rule
    holds = tuple(hold_test(one, rule, now_us) for one in state.holds)
    rows = tuple(_phase(row) for row in state.phases)
    gone_us = None if last_us is None else ending.gone_us(state, settings, last_us)
    silent_us = gone_us if gone_us is not None and now_us >= gone_us else None
    holds, told_us = evacuation.excuse_breaks(holds, rows, settings.procedure, now_us)
    facts, evacuated = evacuation.tell(rows, state.targets, holds, settings.procedure, silent_us)
    stops = pump_stop.facts(state.stops, now_us)
    facts = tuple(sorted((*facts, *stops), key=lambda fact: fact.time_us))
    wakes = [hold_verdict.changes_by_time(one, rule, now_us) for one in state.holds]
    wakes += [told_us, pump_stop.changes_by_time(state.stops, now_us)]
    if evacuated == "running":
        wakes.append(gone_us)
    wake_us = min((at for at in wakes if at is not None), default=None)
    over_us = ending.due_us(state, settings) if state.over_us is None else state.over_us
    stands = pump_stop.stands(state.stops)
    pulling = None if stands else _pulling(state, settings)
    over_limit = any(one.verdict is None and one.over_now for one in state.holds)
    return View(rows, holds, facts, wake_us, evacuated, over_us, last_us, pulling, stands, over_limit)


def _pulling(state: TrackState, settings: TrackSettings) -> Pulling | None:
    phase = state.phases[-1] if state.phases else None
    pull = state.pull
    if pull is None or phase is None or phase.start_us != pull.start_us or state.over_us is not None:
        return None
    ambient_k = None if pull.last_us is None else surrounding_kelvin(state, pull.last_us)
    known = Known.of(settings.rig, settings.volume_m3, ambient_k)
    return Pulling(pull, settings.procedure.target_pa, known, phases.gauge_top_pa(settings), settings.rig)


def dump(state: TrackState) -> dict[str, object]:
    """Turn a state into what JSON can carry, exactly."""
    result: dict[str, object] = encode(state)
    return result


def load(data: dict[str, object]) -> TrackState:
    """The inverse of `dump`."""
    return decode(TrackState, data)


def _phase(row: PhaseRow) -> Phase:
    return Phase(
        row.kind,
        row.start_us,
        row.end_us,
        row.start_pa,
        row.end_pa,
        row.lowest_pa,
        row.start_uncertainty_s,
    )


# One moment ------------------------------------------------------------------------------------------


def _work_off(state: TrackState, settings: TrackSettings) -> None:
    """Work off the samples of one moment: closing before readings, opening after them."""
    if state.tick_us is None or not state.tick:
        return
    time_us = state.tick_us
    values: dict[tuple[int, int], float] = {}
    for instrument_id, quantity, value in sorted(state.tick):
        values.setdefault((instrument_id, quantity), value)
    state.tick = []
    valve = _take_surroundings(state, settings, time_us, values)
    if valve == Valve.CLOSED:
        phases.valve_closed(state, settings, time_us)
    for instrument in sorted(settings.gauges.values(), key=lambda one: one is settings.gauge):
        _take_gauge(state, settings, instrument, time_us, values)
    if valve is not None and valve != Valve.CLOSED:
        phases.valve_not_closed(state, settings, time_us, valve)
    if valve is not None:
        state.valve = valve
    phases.follow_pump(state, time_us)


def _take_surroundings(
    state: TrackState, settings: TrackSettings, time_us: int, values: dict[tuple[int, int], float]
) -> int | None:
    """Temperatures, pump and hands; return what the isolation valve reports, if it does."""
    valve: int | None = None
    running = running_hold(state)
    for (instrument_id, quantity), value in values.items():
        if quantity in (Quantity.TEMPERATURE, Quantity.AMBIENT) and not COLDEST_K <= value <= HOTTEST_K:
            continue
        if quantity == Quantity.TEMPERATURE:
            state.temperatures[instrument_id] = (time_us, value)
            if running is not None:
                hold.note_temperature(running, instrument_id, time_us, value)
        elif quantity == Quantity.AMBIENT:
            state.ambients[instrument_id] = (time_us, value)
            if running is not None:
                hold.note_ambient(running, time_us, value)
        elif quantity == Quantity.PUMP:
            state.pump = value != 0
            state.pump_ran = state.pump_ran or state.pump
            if running is not None and state.pump and time_us <= running.end_us:
                running.pump_ran = True
        elif quantity == Quantity.HANDS:
            state.hands[instrument_id] = value != 0
        elif quantity == Quantity.VALVE and settings.valve_id in (None, instrument_id):
            valve = int(value)
    return valve


def _take_gauge(
    state: TrackState,
    settings: TrackSettings,
    instrument: Instrument,
    time_us: int,
    values: dict[tuple[int, int], float],
) -> None:
    pressure = values.get((instrument.id, Quantity.PRESSURE))
    over_report = values.get((instrument.id, Quantity.OVERRANGE))
    fault_report = values.get((instrument.id, Quantity.FAULT))
    if pressure is None and over_report is None and fault_report is None:
        return
    gauge = state.gauges.get(instrument.id)
    if gauge is None:
        length_us = round(settings.procedure.filter_s * US)
        gauge = state.gauges[instrument.id] = GaugeState(Filter(length_us, round(instrument.interval_s * US)))
    over = _raised(gauge.over, over_report)
    fault = _raised(gauge.fault, fault_report)
    decides = instrument is settings.gauge
    if fault:
        running = running_hold(state)
        if decides and running is not None:
            hold.note_fault(running, time_us)
        return
    if pressure is None:
        if not (over_report and over):
            return
        pressure = ATMOSPHERE_PA if instrument.range_high_pa is None else instrument.range_high_pa
    top = instrument.range_high_pa
    # A millionth is lost where the registered top and the reading were converted apart.
    over = over or (top is not None and pressure >= top * (1 - 1e-6))
    if over:
        pressure = max(pressure, ATMOSPHERE_PA if top is None else top)
    filtered = gauge.filter.push(time_us, pressure)
    if gauge.last_us is None or time_us - gauge.last_us > gauge.filter.gap_us:
        gauge.unbroken_us = time_us
    gauge.last_us = time_us
    gauge.known_pa = gauge.known_pa if filtered is None else filtered
    if decides:
        high = over or pressure >= NO_VACUUM_PA
        seen = gauge.filter
        point = Point(time_us, pressure, filtered, over, high, seen.slow, seen.interval_us, seen.gap_us)
        _take_point(state, settings, point)


def _raised(flag: Flag, report: float | None) -> bool:
    if report is not None:
        flag.value = report != 0
        flag.reports_false = flag.reports_false or report == 0
        return flag.value
    return flag.value and flag.reports_false


def _take_point(state: TrackState, settings: TrackSettings, point: Point) -> None:
    """A reading of the deciding gauge."""
    if state.holds:
        hold.take(state.holds[-1], settings.rule, point, _scene(state, settings, point.time_us))
    phases.follow(state, settings, point)


def _scene(state: TrackState, settings: TrackSettings, time_us: int) -> Scene:
    others = []
    if len(state.gauges) > 1:
        for instrument in settings.gauges.values():
            gauge = state.gauges.get(instrument.id)
            if gauge is None or instrument is settings.gauge or gauge.last_us is None:
                continue
            if gauge.filter.pressure is not None and time_us - gauge.last_us <= gauge.filter.gap_us:
                others.append((instrument.id, gauge.filter.pressure, instrument.accuracy))
    return Scene(any(state.hands.values()), tuple(others))

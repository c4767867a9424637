"""Judging a job on line: samples in, phases, hold tests and facts out.

The state is plain data of bounded size. Folding sorted samples in any split gives the same state: samples of
one moment are gathered and worked off together when the next moment comes (or when somebody looks).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import cached_property

from analytics.core import evacuation, hold, recognise
from analytics.core.codec import clone, decode, encode
from analytics.core.evacuation import Evacuation, Target
from analytics.core.filtered import SLOW_READINGS, US, Filter
from analytics.core.hold import Hold, Point, Rule, Scene
from analytics.core.recognise import Curve
from analytics.core.verdict import hold_test
from model.equipment import Instrument, Position, Role
from model.judgement import Fact, HoldTest, Phase, PhaseKind
from model.procedure import Procedure
from model.reading import Quantity, Valve

NO_VACUUM_PA = 20_000.0
"""From here on, or at the top of a gauge's range, no vacuum is left."""

ATMOSPHERE_PA = 101_325.0

VACUUM_PA = 1_000.0
"""A vacuum that was never below this was not broken: intermediate pulls go to 133–333 Pa (trade page)."""

_LASTING_US = 60 * US
_STALE_US = 1_800 * US
_MOST_ROWS = 400


@dataclass(frozen=True, order=True, slots=True)
class Sample:
    """One reading as the judgement sees it; sorted by all four, so of two values the smaller comes first."""

    time_us: int
    instrument_id: int
    quantity: Quantity
    value: float


@dataclass(frozen=True)
class TrackSettings:
    """What a job is judged with."""

    procedure: Procedure
    instruments: tuple[Instrument, ...]
    deciding_id: int | None = None
    volume_m3: float | None = None
    refrigerant: str | None = None

    @cached_property
    def gauges(self) -> dict[int, Instrument]:
        """Gauges on the circuit's side: those on the pump's side never judge."""
        return {
            one.id: one
            for one in self.instruments
            if one.role is Role.GAUGE and one.position is Position.CIRCUIT
        }

    @cached_property
    def gauge(self) -> Instrument | None:
        """The deciding gauge: the one that was named if it sits on the circuit, else the first that does."""
        if self.deciding_id in self.gauges:
            return self.gauges[self.deciding_id]
        return self.gauges[min(self.gauges)] if self.gauges else None

    @cached_property
    def valve_id(self) -> int | None:
        """The isolation valve: the first."""
        return min((one.id for one in self.instruments if one.role is Role.VALVE), default=None)

    @cached_property
    def rule(self) -> Rule:
        """What a hold is judged by."""
        gauge = self.gauge
        if gauge is None:
            return Rule(self.procedure, self.volume_m3, None, 0.0, None, None)
        return Rule(
            self.procedure,
            self.volume_m3,
            gauge.id,
            gauge.accuracy,
            gauge.range_low_pa,
            gauge.range_high_pa,
        )


@dataclass(slots=True)
class PhaseRow:
    """A phase while it may still change."""

    kind: PhaseKind
    start_us: int
    end_us: int | None
    start_pa: float | None
    end_pa: float | None
    lowest_pa: float | None
    start_uncertainty_s: float


@dataclass(slots=True)
class Flag:
    """A truth value of a gauge.

    Some gauges report it with each reading where it is true and never as false, others report changes. Once a
    false was reported, the last report stands; before that each report is for its moment.
    """

    value: bool = False
    reports_false: bool = False


@dataclass(slots=True)
class GaugeState:
    """What is remembered of a gauge on the circuit's side."""

    filter: Filter
    over: Flag = field(default_factory=Flag)
    fault: Flag = field(default_factory=Flag)
    last_us: int | None = None


@dataclass(slots=True)
class TrackState:
    """Everything that is remembered of a job."""

    tick_us: int | None = None
    tick: list[tuple[int, int, float]] = field(default_factory=list)
    """Samples of the latest moment, not worked off yet: instrument, quantity, value."""
    gauges: dict[int, GaugeState] = field(default_factory=dict)
    curve: Curve = field(default_factory=Curve)
    valve: int | None = None
    valve_reports: bool = False
    """A valve has reported a position, so the curve decides nothing."""
    closed_us: int | None = None
    """The valve reports closed since then, and no hold has begun yet for want of a pressure."""
    pump: bool | None = None
    hands: dict[int, bool] = field(default_factory=dict)
    temperatures: dict[int, tuple[int, float]] = field(default_factory=dict)
    ambients: dict[int, tuple[int, float]] = field(default_factory=dict)
    first_us: int | None = None
    near_top_us: int | None = None
    reference_pa: float = 0.0
    high_us: int | None = None
    high_n: int = 0
    target_us: int | None = None
    """Since when the filtered pressure has been at or below the target."""
    target_last_us: int = 0
    past_target: tuple[int, int] | None = None
    """The run before: from, to."""
    phases: list[PhaseRow] = field(default_factory=list)
    targets: list[Target] = field(default_factory=list)
    holds: list[Hold] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class View:
    """What is known of a job at a moment."""

    phases: tuple[Phase, ...]
    holds: tuple[HoldTest, ...]
    facts: tuple[Fact, ...]
    wake_us: int | None
    """When it would change by time alone [µs]."""
    evacuation: Evacuation


def begin(settings: TrackSettings) -> TrackState:
    """Return the state of a job before its first sample."""
    return TrackState()


def fold(state: TrackState, settings: TrackSettings, samples: Iterable[Sample]) -> TrackState:
    """Take samples, sorted, none earlier than those taken before; the given state is left as it is.

    Raises
    ------
    ValueError
        If a sample is earlier than one that was taken.
    """
    state = clone(state)
    for sample in samples:
        if sample.time_us != state.tick_us:
            if state.tick_us is not None and sample.time_us < state.tick_us:
                raise ValueError(f"a sample of {sample.time_us} came after one of {state.tick_us}")
            _work_off(state, settings)
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
    phases = tuple(_phase(row) for row in state.phases)
    gone_us = None if last_us is None else _gone_us(state, settings, last_us)
    silent_us = gone_us if gone_us is not None and now_us >= gone_us else None
    facts, evacuated = evacuation.tell(phases, state.targets, holds, settings.procedure, silent_us)
    wakes = [hold.changes_by_time(one, rule, now_us) for one in state.holds]
    if evacuated == "running":
        wakes.append(gone_us)
    return View(phases, holds, facts, min((at for at in wakes if at is not None), default=None), evacuated)


def dump(state: TrackState) -> dict[str, object]:
    """Turn a state into what JSON can carry, exactly."""
    result: dict[str, object] = encode(state)
    return result


def load(data: dict[str, object]) -> TrackState:
    """The inverse of `dump`."""
    return decode(TrackState, data)


def _gone_us(state: TrackState, settings: TrackSettings, last_us: int) -> int:
    """When the series counts as gone: no hold's readings are awaited any more, and patience is over."""
    gauge = settings.gauge
    seen = state.gauges.get(gauge.id) if gauge is not None else None
    since = last_us if seen is None or seen.last_us is None else seen.last_us
    ends = [one.planned_us for one in state.holds[-1:] if one.opened_us is None and one.verdict is None]
    return max([since, *ends]) + round(settings.procedure.patience_s * US)


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
        _valve_closed(state, settings, time_us)
    for instrument in sorted(settings.gauges.values(), key=lambda one: one is settings.gauge):
        _take_gauge(state, settings, instrument, time_us, values)
    if valve is not None and valve != Valve.CLOSED:
        _valve_not_closed(state, settings, time_us, valve)
    if valve is not None:
        state.valve = valve


def _take_surroundings(
    state: TrackState, settings: TrackSettings, time_us: int, values: dict[tuple[int, int], float]
) -> int | None:
    """Temperatures, pump and hands; return what the isolation valve reports, if it does."""
    valve: int | None = None
    running = _running(state)
    for (instrument_id, quantity), value in values.items():
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
            if running is not None and state.pump and time_us <= running.end_us:
                running.pump_ran = True
        elif quantity == Quantity.HANDS:
            state.hands[instrument_id] = value != 0
        elif quantity == Quantity.VALVE and settings.valve_id in (None, instrument_id):
            valve = int(value)
    return valve


def _running(state: TrackState) -> Hold | None:
    """The hold whose valve has not been opened since."""
    last = state.holds[-1] if state.holds else None
    return last if last is not None and last.opened_us is None else None


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
        running = _running(state)
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
    gauge.last_us = time_us
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
    if state.first_us is None:
        state.first_us = point.time_us
    if state.holds:
        hold.take(state.holds[-1], settings.rule, point, _scene(state, settings, point.time_us))
    _follow_high(state, point)
    if state.phases:
        _follow_target(state, settings, point)
        _follow_phase(state, settings, point)
    elif point.filtered is not None:
        _first_phase(state, settings, point)


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


def _follow_high(state: TrackState, point: Point) -> None:
    if point.high:
        state.high_us = point.time_us if state.high_us is None else state.high_us
        state.high_n += 1
    else:
        state.high_us, state.high_n = None, 0


def _high_lasts(state: TrackState, point: Point) -> bool:
    if state.high_us is None or point.filtered is None:
        return False
    if point.slow:
        return state.high_n >= SLOW_READINGS
    return point.time_us - state.high_us >= _LASTING_US


def _follow_target(state: TrackState, settings: TrackSettings, point: Point) -> None:
    if point.filtered is None:
        return
    procedure = settings.procedure
    if point.filtered > procedure.target_pa:
        if state.target_us is not None:
            state.past_target = (state.target_us, state.target_last_us)
        state.target_us = None
        return
    if state.target_us is not None and point.time_us - state.target_last_us > point.gap_us:
        state.past_target = (state.target_us, state.target_last_us)
        state.target_us = None
    if state.target_us is None:
        state.target_us = point.time_us
    state.target_last_us = point.time_us
    phase = state.phases[-1]
    if phase.kind is not PhaseKind.PULL_DOWN or point.time_us - state.target_us < procedure.dwell_s * US:
        return
    if not state.targets or state.targets[-1].pull_us != phase.start_us:
        state.targets.append(Target(phase.start_us, point.time_us, point.filtered))
        del state.targets[:-_MOST_ROWS]


def _held(state: TrackState, settings: TrackSettings, at_us: int, slack_us: int) -> bool:
    """Whether the target had been held for its dwell at a moment."""
    dwell_us = settings.procedure.dwell_s * US
    runs = [] if state.past_target is None else [state.past_target]
    if state.target_us is not None:
        runs.append((state.target_us, state.target_last_us))
    return any(at_us - since >= dwell_us and at_us - until <= slack_us for since, until in runs)


# Phases ----------------------------------------------------------------------------------------------


def _first_phase(state: TrackState, settings: TrackSettings, point: Point) -> None:
    assert state.first_us is not None
    if state.valve == Valve.CLOSED and not point.high:
        _follow_target_first(state, settings, point)
        closed_us = state.closed_us
        near = closed_us is not None and state.first_us - closed_us <= point.gap_us
        start_us = closed_us if near and closed_us is not None else state.first_us
        _start_hold(state, settings, start_us, True, 0.0)
    else:
        _enter(state, PhaseKind.IDLE if point.high else PhaseKind.PULL_DOWN, state.first_us, point.filtered)
        _follow_target_first(state, settings, point)
    state.reference_pa = point.value
    state.near_top_us = point.time_us


def _follow_target_first(state: TrackState, settings: TrackSettings, point: Point) -> None:
    if point.filtered is not None and point.filtered <= settings.procedure.target_pa:
        state.target_us = state.target_last_us = point.time_us


def _enter(
    state: TrackState, kind: PhaseKind, at_us: int, pressure: float | None, uncertainty_s: float = 0.0
) -> None:
    """End the present phase and begin another."""
    if state.phases:
        last = state.phases[-1]
        last.end_us = at_us = max(at_us, last.start_us)
        last.end_pa = pressure
    state.phases.append(PhaseRow(kind, at_us, None, pressure, None, pressure, uncertainty_s))
    del state.phases[:-_MOST_ROWS]
    if kind is PhaseKind.PULL_DOWN:
        state.curve = Curve(relative_fall=state.curve.relative_fall)
    if kind in (PhaseKind.IDLE, PhaseKind.BROKEN):
        state.reference_pa, state.near_top_us = 0.0, None
        state.target_us = state.past_target = None


def _follow_phase(state: TrackState, settings: TrackSettings, point: Point) -> None:
    phase = state.phases[-1]
    if phase.kind in (PhaseKind.IDLE, PhaseKind.BROKEN):
        _await_pull_down(state, settings, point)
        return
    if point.filtered is None:
        return
    phase.lowest_pa = point.filtered if phase.lowest_pa is None else min(phase.lowest_pa, point.filtered)
    kept = recognise.watch(
        state.curve, point.time_us, point.value, point.filtered, _kelvin(state, point.time_us)
    )
    if _high_lasts(state, point):
        _lose_vacuum(state, point)
    elif kept and not state.valve_reports:
        if phase.kind is PhaseKind.PULL_DOWN:
            _seek_rise(state, settings, point)
        else:
            _seek_fall(state, point)


def _await_pull_down(state: TrackState, settings: TrackSettings, point: Point) -> None:
    state.reference_pa = max(state.reference_pa, min(point.value, ATMOSPHERE_PA))
    if point.value >= 0.9 * state.reference_pa:
        state.near_top_us = point.time_us
    filtered = point.filtered
    if filtered is None:
        return
    pegged = state.reference_pa < 2 * NO_VACUUM_PA
    falling = filtered < (0.9 if pegged else 0.5) * state.reference_pa
    if (falling and not point.high) or filtered < NO_VACUUM_PA / 2:
        start_us = point.time_us if state.near_top_us is None else state.near_top_us
        _enter(state, PhaseKind.PULL_DOWN, start_us, state.reference_pa)
        state.phases[-1].lowest_pa = filtered
        if state.holds:
            hold.reopen(state.holds[-1], start_us)


def _lose_vacuum(state: TrackState, point: Point) -> None:
    """Pressure near atmosphere, or at the gauge's top, that lasts."""
    assert state.high_us is not None
    phase = state.phases[-1]
    lows = [row.lowest_pa for row in _since_break(state) if row.lowest_pa is not None]
    broken = bool(lows) and min(lows) <= VACUUM_PA
    # Behind a valve that reports closed a slow rise to the top of a small gauge is still the hold.
    running = _running(state)
    if phase.kind is PhaseKind.HOLD and running is not None and running.by_valve:
        sudden = state.high_us - running.below_us <= 5 * _LASTING_US
        if point.value < 2 * NO_VACUUM_PA and not sudden:
            return
    _enter(state, PhaseKind.BROKEN if broken else PhaseKind.IDLE, state.high_us, point.filtered)


def _since_break(state: TrackState) -> list[PhaseRow]:
    rows: list[PhaseRow] = []
    for row in reversed(state.phases):
        if row.kind in (PhaseKind.BROKEN, PhaseKind.IDLE):
            break
        rows.append(row)
    return rows


def _seek_rise(state: TrackState, settings: TrackSettings, point: Point) -> None:
    if point.high:
        return
    readings_us = SLOW_READINGS * point.interval_us if point.slow else 0
    lag_us = _lag_us(settings, point)
    kelvin = _kelvin(state, point.time_us)
    turn = recognise.turned_up(state.curve, settings.procedure.target_pa, lag_us, readings_us, kelvin)
    if turn is None:
        return
    start_us = max(turn.at_us, state.phases[-1].start_us)
    points = [kept for kept in state.curve.points if kept[0] >= start_us]
    _start_hold(state, settings, start_us, False, turn.uncertainty_s, turn.pressure_pa)
    # The readings since the turn are gone; the filtered pressures that were kept stand for them.
    for time_us, pressure in points:
        spacing_us = max(point.interval_us, 5 * US)
        kept_point = Point(time_us, pressure, pressure, False, False, point.slow, spacing_us, 24 * 3600 * US)
        hold.take(state.holds[-1], settings.rule, kept_point, Scene())
    state.curve.high_pa = point.value


def _lag_us(settings: TrackSettings, point: Point) -> int:
    return point.interval_us if point.slow else round(settings.procedure.filter_s * US / 2)


def _seek_fall(state: TrackState, point: Point) -> None:
    readings_us = 5 * point.interval_us if point.slow else 0
    turn = recognise.turned_down(state.curve, state.phases[-1].start_us, readings_us)
    if turn is None:
        return
    running = _running(state)
    if running is not None:
        hold.reopen(running, turn.at_us)
    _enter(state, PhaseKind.PULL_DOWN, turn.at_us, turn.pressure_pa, turn.uncertainty_s)
    state.phases[-1].lowest_pa = point.filtered


def _kelvin(state: TrackState, time_us: int) -> float | None:
    fresh = [kelvin for at_us, kelvin in state.temperatures.values() if time_us - at_us <= _STALE_US]
    return min(fresh) if fresh else None


# Valve -----------------------------------------------------------------------------------------------


def _valve_closed(state: TrackState, settings: TrackSettings, time_us: int) -> None:
    running = _running(state)
    in_hold = bool(state.phases) and state.phases[-1].kind is PhaseKind.HOLD
    if running is not None:
        hold.note_closed(running, time_us)
    if state.valve != Valve.CLOSED and not in_hold:
        if not settings.gauges:
            _start_hold(state, settings, time_us, True, 0.0)
        elif not state.phases:
            state.closed_us = time_us
        elif state.phases[-1].kind is PhaseKind.PULL_DOWN and state.high_us is None:
            _start_hold(state, settings, time_us, True, 0.0)
    state.valve_reports = True


def _valve_not_closed(state: TrackState, settings: TrackSettings, time_us: int, valve: int) -> None:
    running = _running(state)
    if valve == Valve.UNKNOWN:
        if running is not None and running.by_valve and time_us < running.end_us:
            running.closed_throughout = False
        return
    state.valve_reports = True
    state.closed_us = None
    if running is not None:
        hold.reopen(running, time_us)
    if state.phases and state.phases[-1].kind is PhaseKind.HOLD:
        _enter(state, PhaseKind.PULL_DOWN, time_us, _pressure(state, settings))


def _pressure(state: TrackState, settings: TrackSettings) -> float | None:
    gauge = None if settings.gauge is None else state.gauges.get(settings.gauge.id)
    return None if gauge is None else gauge.filter.pressure


def _start_hold(
    state: TrackState,
    settings: TrackSettings,
    start_us: int,
    by_valve: bool,
    uncertainty_s: float,
    closing_pa: float | None = None,
) -> None:
    procedure = settings.procedure
    gauge = None if settings.gauge is None else state.gauges.get(settings.gauge.id)
    interval_us = gauge.filter.interval_us if gauge is not None else 10 * US
    gap_us = gauge.filter.gap_us if gauge is not None else 60 * US
    if closing_pa is None and gauge is not None and gauge.filter.pressure is not None:
        closing_pa = gauge.filter.pressure
    slack_us = max(gap_us, round(2 * uncertainty_s * US))
    planned_us = start_us + round(procedure.hold_s * US)
    held = _held(state, settings, start_us, slack_us)
    if procedure.dwell_s == 0 and closing_pa is not None:
        held = held or closing_pa <= procedure.target_pa
    started = Hold(
        start_us=start_us,
        settled_us=start_us + round(procedure.settle_s * US),
        planned_us=planned_us,
        end_us=planned_us,
        by_valve=by_valve,
        uncertainty_s=uncertainty_s,
        held=held,
        closing_pa=closing_pa,
        last_us=start_us,
        interval_us=interval_us,
        gap_us=gap_us,
        below_us=start_us,
        pump_ran=bool(state.pump),
    )
    for instrument_id, (at_us, kelvin) in state.temperatures.items():
        if start_us - at_us <= _STALE_US:
            hold.note_temperature(started, instrument_id, start_us, kelvin)
    for at_us, kelvin in state.ambients.values():
        if start_us - at_us <= _STALE_US:
            hold.note_ambient(started, start_us, kelvin)
    state.holds.append(started)
    del state.holds[:-_MOST_ROWS]
    _enter(state, PhaseKind.HOLD, start_us, closing_pa, uncertainty_s)

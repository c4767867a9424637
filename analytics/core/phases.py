"""Phases of an evacuation: which one a job is in, by its valve's reports or by the curve alone."""

from __future__ import annotations

from analytics.core import hold, inflow, pull_live, pump_stop, recognise
from analytics.core.evacuation import Target
from analytics.core.filtered import SLOW_READINGS
from analytics.core.hold import Hold, Point, Scene
from analytics.core.pull_live import PullState
from analytics.core.recognise import Curve, Turn
from analytics.core.state import (
    STALE_US,
    PhaseRow,
    TrackSettings,
    TrackState,
    latest_kelvin,
    running_hold,
)
from model.clock import US
from model.judgement import PhaseKind
from model.reading import Valve

NO_VACUUM_PA = 20_000.0
"""From here on, or at the top of a gauge's range, no vacuum is left."""

ATMOSPHERE_PA = 101_325.0

HOLDABLE_PA = 5_000.0
"""Closing the valve above this is no hold test: nobody tests at a hundred times a target."""

VACUUM_PA = 1_000.0
"""A vacuum that was never below this was not broken: intermediate pulls go to 133–333 Pa (trade page)."""

_LASTING_US = 60 * US
_SUDDEN_US = 300 * US
_MOST_ROWS = 400


def follow(state: TrackState, settings: TrackSettings, point: Point) -> None:
    """Take a reading of the deciding gauge, after the running hold has taken it."""
    if state.first_us is None:
        state.first_us = point.time_us
    _follow_high(state, point)
    if state.phases:
        _follow_target(state, settings, point)
        _follow_phase(state, settings, point)
    elif point.filtered is not None:
        _first_phase(state, settings, point)
    _follow_pull(state, settings, point)


def _follow_pull(state: TrackState, settings: TrackSettings, point: Point) -> None:
    """Keep the readings of a pull-down, from its start on as far as the filter still has them."""
    phase = state.phases[-1] if state.phases else None
    if phase is None or phase.kind is not PhaseKind.PULL_DOWN or settings.gauge is None:
        state.pull = None
        return
    top_pa = gauge_top_pa(settings)
    if state.pull is not None and state.pull.start_us == phase.start_us:
        pull_live.take(state.pull, point.time_us, point.value, top_pa)
        return
    state.pull = PullState(phase.start_us)
    seen = state.gauges[settings.gauge.id].filter
    for time_us, value in zip(seen.times, seen.values, strict=True):
        if time_us >= phase.start_us:
            pull_live.take(state.pull, time_us, value, top_pa)


def gauge_top_pa(settings: TrackSettings) -> float:
    """From here on the deciding gauge reads no more [Pa]."""
    top_pa = settings.rule.range_high_pa
    return ATMOSPHERE_PA if top_pa is None else top_pa


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
    since_us = max(state.target_us, phase.start_us)
    if phase.kind is not PhaseKind.PULL_DOWN or point.time_us - since_us < procedure.dwell_s * US:
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


def _unseen(state: TrackState, settings: TrackSettings, at_us: int, slack_us: int) -> bool:
    """Whether the readings are missing that would tell if the target had been held at a moment."""
    gauge = None if settings.gauge is None else state.gauges.get(settings.gauge.id)
    if (
        gauge is None
        or gauge.last_us is None
        or gauge.unbroken_us is None
        or at_us - gauge.last_us > slack_us
    ):
        return True
    told_us = round((settings.procedure.dwell_s + settings.procedure.filter_s) * US)
    return state.target_us is not None and at_us - gauge.unbroken_us < told_us


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
    kept = recognise.watch(state.curve, point, latest_kelvin(state, point.time_us))
    if _high_lasts(state, point):
        _lose_vacuum(state, settings, point)
    elif kept and (broken_us := _broken(state, settings, point)) is not None:
        _enter(state, PhaseKind.BROKEN, broken_us, point.filtered)
    elif kept and state.valve_reports:
        if phase.kind is PhaseKind.PULL_DOWN:
            _seek_stop(state, settings, point)
    elif kept:
        if phase.kind is PhaseKind.PULL_DOWN:
            _seek_rise(state, settings, point)
        else:
            if state.holds:
                inflow.note_onset(state.holds[-1], state.curve.points)
            _seek_fall(state, point)


def _await_pull_down(state: TrackState, settings: TrackSettings, point: Point) -> None:
    state.reference_pa = max(state.reference_pa, min(point.value, ATMOSPHERE_PA))
    if point.value >= 0.9 * state.reference_pa:
        state.near_top_us = point.time_us
    filtered = point.filtered
    if filtered is None:
        return
    pegged = state.reference_pa < 2 * NO_VACUUM_PA
    # The filter is late: while gas still comes in, it is far below what is read.
    falling = max(filtered, point.value) < (0.9 if pegged else 0.5) * state.reference_pa
    if falling and not point.high:
        start_us = point.time_us if state.near_top_us is None else state.near_top_us
        _enter(state, PhaseKind.PULL_DOWN, start_us, state.reference_pa)
        state.phases[-1].lowest_pa = filtered
        if state.holds:
            hold.reopen(state.holds[-1], start_us)


def _lose_vacuum(state: TrackState, settings: TrackSettings, point: Point) -> None:
    """Pressure near atmosphere, or at the gauge's top, that lasts."""
    assert state.high_us is not None
    phase = state.phases[-1]
    lows = [row.lowest_pa for row in _since_break(state) if row.lowest_pa is not None]
    broken = bool(lows) and min(lows) <= VACUUM_PA
    # A slow rise to the top of a small gauge is still the hold.
    since_us = state.high_us - _SUDDEN_US
    low_before = any(at_us >= since_us and kept < point.value / 2 for at_us, kept in state.curve.points)
    if phase.kind is PhaseKind.HOLD and point.value < 2 * NO_VACUUM_PA and not low_before:
        return
    start_us = state.high_us
    if phase.kind is PhaseKind.PULL_DOWN:
        start_us = recognise.vented_from(state.curve, _lag_us(settings, point), start_us)
    _enter(state, PhaseKind.BROKEN if broken else PhaseKind.IDLE, start_us, point.filtered)


def _broken(state: TrackState, settings: TrackSettings, point: Point) -> int | None:
    """Since when a vacuum has been broken to less than `NO_VACUUM_PA` [µs], by gas let in.

    Behind a closed valve only where the procedure asks for a break: else a circuit that fills fails its hold.
    """
    closed = state.phases[-1].kind is PhaseKind.HOLD
    done = sum(1 for row in state.phases if row.kind is PhaseKind.BROKEN)
    lows = [row.lowest_pa for row in _since_break(state) if row.lowest_pa is not None]
    if not lows or min(lows) > VACUUM_PA or (closed and done >= settings.procedure.breaks):
        return None
    # Two spikes of a slow gauge make two medians.
    lasting_us = max(_LASTING_US, SLOW_READINGS * point.interval_us if point.slow else 0)
    since_us = recognise.let_in(state.curve, HOLDABLE_PA, lasting_us)
    return None if since_us is None else max(since_us, state.phases[-1].start_us)


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
    turn = _turned_up(state, settings, point)
    if turn is None:
        return
    start_us = max(turn.at_us, state.phases[-1].start_us)
    points = [kept for kept in state.curve.points if kept[0] >= start_us]
    gaps = [gap for gap in state.curve.gaps if gap[1] > start_us]
    _start_hold(state, settings, start_us, False, turn.uncertainty_s, turn.pressure_pa)
    # The readings since the turn are gone; the filtered pressures that were kept stand for them.
    for time_us, pressure in points:
        spacing_us = max(point.interval_us, 5 * US)
        kept_point = Point(time_us, pressure, pressure, False, False, point.slow, spacing_us, 24 * 3600 * US)
        hold.take(state.holds[-1], settings.rule, kept_point, Scene())
    hold.add_gaps(state.holds[-1], gaps)
    state.curve.high_pa = point.value


def _turned_up(state: TrackState, settings: TrackSettings, point: Point) -> Turn | None:
    readings_us = SLOW_READINGS * point.interval_us if point.slow else 0
    kelvin = latest_kelvin(state, point.time_us)
    target_pa, lag_us = settings.procedure.target_pa, _lag_us(settings, point)
    return recognise.turned_up(state.curve, target_pa, lag_us, readings_us, kelvin)


def _lag_us(settings: TrackSettings, point: Point) -> int:
    return point.interval_us if point.slow else round(settings.procedure.filter_s * US / 2)


def _seek_fall(state: TrackState, point: Point) -> None:
    readings_us = 5 * point.interval_us if point.slow else 0
    turn = recognise.turned_down(state.curve, state.phases[-1].start_us, readings_us)
    if turn is None:
        return
    running = running_hold(state)
    if running is not None:
        hold.reopen(running, turn.at_us)
    _enter(state, PhaseKind.PULL_DOWN, turn.at_us, turn.pressure_pa, turn.uncertainty_s)
    state.phases[-1].lowest_pa = point.filtered


# Pump ------------------------------------------------------------------------------------------------


def follow_pump(state: TrackState, time_us: int) -> None:
    """By the reports, after all samples of a moment: whether the circuit lies open to a pump that stands."""
    phase = state.phases[-1] if state.phases else None
    open_to_it = state.valve == Valve.OPEN and phase is not None and phase.kind is PhaseKind.PULL_DOWN
    if open_to_it and not state.pump_ran:
        return  # the curve tells
    vacuum = phase is not None and phase.lowest_pa is not None and phase.lowest_pa < NO_VACUUM_PA
    pump_stop.follow(state.stops, open_to_it and vacuum and not state.pump, False, time_us)


def _seek_stop(state: TrackState, settings: TrackSettings, point: Point) -> None:
    """By the curve, where no pump reports that it runs or has run."""
    if state.pump_ran or state.valve != Valve.OPEN or point.high:
        return
    turn = _turned_up(state, settings, point)
    if turn is not None:
        pump_stop.follow(state.stops, True, True, max(turn.at_us, state.phases[-1].start_us))
    elif state.curve.rising_us is None:
        pump_stop.follow(state.stops, False, True, point.time_us)


# Valve -----------------------------------------------------------------------------------------------


def valve_closed(state: TrackState, settings: TrackSettings, time_us: int) -> None:
    running = running_hold(state)
    in_hold = bool(state.phases) and state.phases[-1].kind is PhaseKind.HOLD
    if running is not None:
        hold.note_closed(running, time_us)
    if state.valve != Valve.CLOSED and not in_hold:
        if not settings.gauges:
            _start_hold(state, settings, time_us, True, 0.0)
        elif not state.phases:
            state.closed_us = time_us
        elif state.phases[-1].kind is PhaseKind.PULL_DOWN and _holdable(state, settings):
            _start_hold(state, settings, time_us, True, 0.0)
    state.valve_reports = True


def valve_not_closed(state: TrackState, settings: TrackSettings, time_us: int, valve: int) -> None:
    running = running_hold(state)
    if valve == Valve.UNKNOWN:
        if running is not None and running.by_valve and time_us < running.end_us:
            running.closed_throughout = False
        return
    state.valve_reports = True
    state.closed_us = None
    if running is not None:
        hold.reopen(running, time_us, state.pump)
    if state.phases and state.phases[-1].kind is PhaseKind.HOLD:
        _enter(state, PhaseKind.PULL_DOWN, time_us, _pressure(state, settings))


def _holdable(state: TrackState, settings: TrackSettings) -> bool:
    pressure = _pressure(state, settings)
    top_pa = settings.rule.range_high_pa
    below_top = pressure is not None and (top_pa is None or pressure < top_pa * (1 - 1e-6))
    return below_top and pressure is not None and pressure < HOLDABLE_PA


def _pressure(state: TrackState, settings: TrackSettings) -> float | None:
    gauge = None if settings.gauge is None else state.gauges.get(settings.gauge.id)
    return None if gauge is None else gauge.known_pa


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
    if closing_pa is None and gauge is not None:
        closing_pa = gauge.known_pa
    slack_us = max(gap_us, round(2 * uncertainty_s * US))
    planned_us = start_us + round(procedure.hold_s * US)
    held = _held(state, settings, start_us, slack_us)
    if procedure.dwell_s == 0 and closing_pa is not None:
        held = held or closing_pa <= procedure.target_pa
    unseen = not held and _unseen(state, settings, start_us, slack_us)
    if unseen and gauge is not None and gauge.last_us is not None and start_us - gauge.last_us > slack_us:
        closing_pa = None
    started = Hold(
        start_us=start_us,
        settled_us=start_us + round(procedure.settle_s * US),
        planned_us=planned_us,
        end_us=planned_us,
        by_valve=by_valve,
        uncertainty_s=uncertainty_s,
        held=held,
        unseen=unseen,
        closing_pa=closing_pa,
        last_us=start_us,
        interval_us=interval_us,
        gap_us=gap_us,
        below_us=start_us,
        pump_ran=bool(state.pump),
    )
    for instrument_id, (at_us, kelvin) in state.temperatures.items():
        if start_us - at_us <= STALE_US:
            hold.note_temperature(started, instrument_id, start_us, kelvin)
    for at_us, kelvin in state.ambients.values():
        if start_us - at_us <= STALE_US:
            hold.note_ambient(started, start_us, kelvin)
    state.holds.append(started)
    del state.holds[:-_MOST_ROWS]
    _enter(state, PhaseKind.HOLD, start_us, closing_pa, uncertainty_s)

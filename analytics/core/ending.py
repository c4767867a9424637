"""When a job is over: its vacuum has been broken for a while, or nothing more comes of it.

The end is a moment of event time that the readings before it fix: folding stops there. So it is the same
whether readings come one by one, all at once or late, and what comes after belongs to another job."""

from __future__ import annotations

from analytics.core.evacuation import passed_us
from analytics.core.hold_verdict import outcome
from analytics.core.state import TrackSettings, TrackState
from model.clock import US
from model.judgement import PhaseKind, Verdict

_EVER_US = 2**62
"""A moment at which nothing is awaited any more: time makes no pass, so asking then needs no clock."""

OPEN_TO_AIR = (PhaseKind.BROKEN, PhaseKind.IDLE)


def gone_us(state: TrackState, settings: TrackSettings, last_us: int) -> int:
    """When the series counts as gone [µs]: no hold's readings are awaited any more, and patience is over."""
    gauge = settings.gauge
    seen = state.gauges.get(gauge.id) if gauge is not None else None
    since = last_us if seen is None or seen.last_us is None else seen.last_us
    ends = [one.planned_us for one in state.holds[-1:] if one.opened_us is None and one.verdict is None]
    return max([since, *ends]) + _patience_us(settings)


def over_by(state: TrackState, settings: TrackSettings, time_us: int) -> int | None:
    """When the job was over, if it was by the time of its next sample [µs]."""
    closing = settings.closing
    if closing is None or state.tick_us is None:
        return None
    waits_s = [wait for wait in (closing.finished_s, closing.unproven_s) if wait is not None]
    phase = state.phases[-1] if state.phases else None
    # Cheap first: this is asked for every moment.
    in_the_open = phase is not None and phase.kind in OPEN_TO_AIR
    aired = in_the_open and phase is not None and time_us - phase.start_us >= min(waits_s) * US
    if not aired and time_us - state.tick_us < _patience_us(settings):
        return None
    due = due_us(state, settings)
    return due if due is not None and due <= time_us else None


def due_us(state: TrackState, settings: TrackSettings) -> int | None:
    """When the job will be over if nothing more comes [µs]; the state's samples are worked off.

    Returns
    -------
    int or None
        None while nothing speaks of an end: no closing is asked for, or nothing was ever pumped.
    """
    closing = settings.closing
    if closing is None or state.tick_us is None:
        return None
    finished_us = _finished_us(state, settings)
    ends = []
    phase = state.phases[-1] if state.phases else None
    if phase is not None and phase.kind in OPEN_TO_AIR:
        if finished_us is not None and phase.start_us >= finished_us:
            ends.append(phase.start_us + round(closing.finished_s * US))
        if closing.unproven_s is not None and phase.kind is PhaseKind.BROKEN:
            ends.append(phase.start_us + round(closing.unproven_s * US))
    pumped = any(row.kind is not PhaseKind.IDLE for row in state.phases)
    if finished_us is not None:
        ends.append(state.tick_us + _patience_us(settings))
    elif pumped:
        silent_us = gone_us(state, settings, state.tick_us)
        ends.append(max(state.tick_us + _patience_us(settings), silent_us))
    elif closing.opened_us is not None:
        # A stray low reading opened it.
        ends.append(max(state.tick_us, closing.opened_us) + _patience_us(settings))
    not_before_us = closing.not_before_us
    return min((end for end in ends if not_before_us is None or end > not_before_us), default=None)


def _finished_us(state: TrackState, settings: TrackSettings) -> int | None:
    """When the evacuation was finished [µs]."""
    broken = [row.start_us for row in state.phases if row.kind is PhaseKind.BROKEN]
    passed = []
    for one in state.holds:
        verdict, _, decided_us = outcome(one, settings.rule, _EVER_US)
        if verdict is Verdict.PASSED and decided_us is not None:
            passed.append((one.start_us, decided_us))
    return passed_us(passed, broken, settings.procedure)


def _patience_us(settings: TrackSettings) -> int:
    return round(settings.procedure.patience_s * US)

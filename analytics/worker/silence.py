"""Silence: a gauge of a running job that has not been heard of for too long, by arrival and the injected
clock.

A timer for each running job goes off no later than the earliest moment at which one of its gauges could
count as silent. It is not moved with every reading: when it goes off, we look, and set it anew."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from analytics.core.track import View
from analytics.worker.config import AnalyseConfig
from analytics.worker.moments import lasting
from analytics.worker.reconcile import running_phase
from model.clock import US, Clock
from model.equipment import Instrument, Role
from model.event import EventKind
from model.judgement import PhaseKind, Verdict
from store.events import NewEvent
from store.setups import Setup


@dataclass(frozen=True, slots=True)
class Silence:
    """What was found.

    Parameters
    ----------
    silent : frozenset of int
        All instruments that are silent now.
    due_us : int or None
        When to look again [µs].
    """

    events: tuple[NewEvent, ...]
    silent: frozenset[int]
    due_us: int | None


def patience_us(instrument: Instrument, config: AnalyseConfig, clock: Clock) -> int:
    """How long a gauge may say nothing [µs]."""
    seconds = max(config.silence_s, config.silence_intervals * instrument.interval_s)
    return round(max(seconds, lasting(clock, config.transit_s)) * US)


def gauges(setup: Setup) -> list[Instrument]:
    """The gauges that serve the job now; a valve reports when it moves, so its silence means nothing."""
    serving = {one.instrument_id for one in setup.assignments if one.until_us is None}
    return [one for one in setup.instruments if one.role is Role.GAUGE and one.id in serving]


def first_due_us(setup: Setup, config: AnalyseConfig, clock: Clock) -> int | None:
    """When to look for the first time [µs]."""
    waits = [patience_us(one, config, clock) for one in gauges(setup)]
    return clock.now_us() + min(waits) if waits else None


def look(
    setup: Setup,
    view: View,
    silent: frozenset[int],
    arrivals: Mapping[int, int],
    config: AnalyseConfig,
    clock: Clock,
) -> Silence:
    """See which gauges of a running job have fallen silent."""
    now_us = clock.now_us()
    events = []
    found = set(silent)
    dues = []
    for gauge in gauges(setup):
        last_us = arrivals.get(gauge.id)
        if last_us is None or gauge.id in found:
            continue
        due_us = last_us + patience_us(gauge, config, clock)
        if due_us <= now_us:
            found.add(gauge.id)
            events.append(_silent(setup, view, gauge, last_us, now_us))
        else:
            dues.append(due_us)
    return Silence(tuple(events), frozenset(found), min(dues, default=None))


def _silent(setup: Setup, view: View, gauge: Instrument, last_us: int, now_us: int) -> NewEvent:
    label = setup.labels[gauge.id]
    phase = running_phase(view)
    hold = view.holds[-1] if view.holds and view.holds[-1].verdict is Verdict.RUNNING else None
    during = " A hold test is running." if hold is not None else ""
    return _event(
        setup,
        EventKind.SERIES_SILENT,
        gauge.id,
        last_us,
        f"Nothing was heard of gauge {label} for {(now_us - last_us) // (60 * US)} min.{during}",
        {
            "instrument_id": gauge.id,
            "instrument": label,
            "last_arrived_us": last_us,
            # Of the rule, not of the curve: after its verdict a hold phase may go on for hours, and nothing
            # hangs on it.
            "phase": PhaseKind.HOLD if hold is not None else None if phase is PhaseKind.HOLD else phase,
            "by_valve": hold is not None and hold.by_valve,
        },
    )


def back(setup: Setup, instrument_id: int, now_us: int) -> NewEvent:
    """The event that a silent instrument was heard of again."""
    label = setup.labels.get(instrument_id, f"instrument {instrument_id}")
    return _event(
        setup,
        EventKind.SERIES_BACK,
        instrument_id,
        now_us,
        f"Readings of gauge {label} come again.",
        {"instrument_id": instrument_id, "instrument": label},
    )


def _event(
    setup: Setup, kind: EventKind, instrument_id: int, happened_us: int, text: str, data: dict[str, object]
) -> NewEvent:
    return NewEvent(
        kind=kind,
        happened_us=happened_us,
        text=text,
        subject=f"series:{instrument_id}",
        site_id=setup.job.site_id,
        job_id=setup.job.id,
        data=data,
    )

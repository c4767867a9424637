"""When a job is over: its vacuum has been broken for a while, or nothing more comes of it.

The end lies in event time, so readings that come late or all at once end the job where they would have
ended it live, and what comes after belongs to another job."""

from __future__ import annotations

from analytics.core.track import View
from analytics.worker.config import AnalyseConfig
from model.clock import US
from model.event import EventKind
from model.judgement import Phase, PhaseKind
from store import standing, work
from store.database import Connection
from store.events import NewEvent
from store.setups import Setup
from store.work import Span

OPEN_TO_AIR = (PhaseKind.BROKEN, PhaseKind.IDLE)


def end_us(setup: Setup, view: View, head_us: int, config: AnalyseConfig) -> int | None:
    """When the job is over [µs], as far as it is judged; it may lie ahead.

    Returns
    -------
    int or None
        None while nothing speaks of an end.
    """
    broken_us = broken_end_us(setup, view, config)
    if broken_us is None and view.evacuation in ("finished", "unproven"):
        return head_us + round(setup.procedure.patience_s * US)
    return broken_us


def broken_end_us(setup: Setup, view: View, config: AnalyseConfig) -> int | None:
    """When the vacuum has been broken long enough [µs], None if it never was."""
    finished_us = min(
        (fact.time_us for fact in view.facts if fact.kind == EventKind.EVACUATION_FINISHED), default=None
    )
    for phase in view.phases:
        wait_s = _wait_s(setup, phase, finished_us, config)
        if wait_s is None:
            continue
        over_us = phase.start_us + round(wait_s * US)
        if phase.end_us is None or phase.end_us >= over_us:
            return over_us
    return None


def _wait_s(setup: Setup, phase: Phase, finished_us: int | None, config: AnalyseConfig) -> float | None:
    if finished_us is not None and phase.start_us >= finished_us and phase.kind in OPEN_TO_AIR:
        return config.close_finished_s
    if setup.job.walk_up and phase.kind is PhaseKind.BROKEN:
        return config.close_unproven_s
    return None


def close(conn: Connection, setup: Setup, view: View, at_us: int, head_us: int) -> NewEvent:
    """Close the job at a moment of event time and set its instruments free from then on."""
    job = setup.job
    standing.close(conn, job.id, at_us)
    if head_us >= at_us:
        # Readings of after the end were judged with the job: judge it without them, and offer them to
        # another one.
        serving = {one.instrument_id for one in setup.assignments if one.until_us is None}
        work.add(conn, [Span(number, at_us - 1, head_us) for number in sorted(serving)])
    outcome = "finished" if view.evacuation == "finished" else "unproven"
    return NewEvent(
        kind=EventKind.JOB_CLOSED,
        happened_us=at_us,
        text=f"{job.title}: closed; the evacuation is {outcome}.",
        subject=f"job:{job.id}",
        site_id=job.site_id,
        job_id=job.id,
        data={"evacuation": outcome},
    )


def correct(conn: Connection, setup: Setup, at_us: int, head_us: int) -> bool:
    """Move the end of a closed job, because late readings show that its vacuum was broken at another time.

    Returns
    -------
    bool
        Whether other readings belong to it now, so that it is to be judged again.
    """
    old_us = setup.job.closed_us
    assert old_us is not None
    numbers = standing.move_end(conn, setup.job.id, old_us, at_us)
    since_us, until_us = min(old_us, at_us) - 1, max(head_us, old_us, at_us)
    work.add(conn, [Span(number, since_us, until_us) for number in numbers])
    return bool(numbers)

"""Opening walk-up jobs for gauges that nobody assigned.

A gateway may serve several circuits, and nothing says which valve or thermometer belongs to which gauge. So
each circuit gauge gets a job of its own, and only where a gateway has a single one do its other instruments
join."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from model.equipment import Position, Role
from model.event import EventKind
from model.job import JobState
from store import jobs, procedures, walkups, work
from store.database import Connection
from store.equipment import tell
from store.events import NewEvent
from store.walkups import LOOK_BACK_US, Free, Neighbour
from store.work import Span


@dataclass(frozen=True, slots=True)
class Serving:
    """An instrument joins a job at a moment [µs]."""

    instrument_id: int
    since_us: int
    until_us: int | None
    deciding: bool


def open_jobs(conn: Connection, spans: Sequence[Span]) -> list[NewEvent]:
    """Open a job for each gauge whose touched span holds a low reading that belongs to none.

    The caller has claimed the gauges, so no other process opens a job for them.
    """
    found = walkups.free(conn, spans)
    if not found:
        return []
    procedure = procedures.default(conn)
    handled_us = {span.instrument_id: span.until_us for span in spans}
    events = []
    for free in found:
        job = jobs.add(
            conn,
            f"Walk-up at {free.site}, gauge {free.label}",
            free.site_id,
            procedure.id,
            free.time_us,
            state=JobState.RUNNING,
            walk_up=True,
        )
        taken = servings(free, walkups.neighbours(conn, free.gateway_id, free.time_us))
        for one in taken:
            walkups.assign(conn, job.id, one.instrument_id, one.since_us, one.until_us, deciding=one.deciding)
        # Another process may handle readings of these right now and know of no job yet: they are work again.
        # So are readings that came before these and lie after them.
        for one in taken:
            since_us, until_us = min(one.since_us, free.time_us), free.time_us
            if one.deciding:
                since_us = until_us = handled_us[one.instrument_id]
            last_us = walkups.last_reading(conn, one.instrument_id, until_us, one.until_us)
            if last_us is not None or not one.deciding:
                work.add(conn, [Span(one.instrument_id, since_us, last_us or until_us)])
        events.append(_opened(free, job.id))
    tell(conn)
    return events


def servings(free: Free, around: Sequence[Neighbour]) -> list[Serving]:
    """Which instruments a walk-up job takes, and for how long: up to the gauge's next job at the longest."""
    since_us = free.time_us - LOOK_BACK_US
    if free.after_us is not None:
        since_us = max(since_us, free.after_us)
    result = [Serving(free.instrument_id, since_us, free.before_us, deciding=True)]
    judging = [one for one in around if one.role is Role.GAUGE and one.position is Position.CIRCUIT]
    gauges = judging or [one for one in around if one.role is Role.GAUGE]
    if [one.id for one in gauges] != [free.instrument_id]:
        return result
    for one in around:
        if one.id != free.instrument_id and not one.busy:
            begin_us = since_us if one.free_since_us is None else max(since_us, one.free_since_us)
            ends_us = [at for at in (free.before_us, one.free_until_us) if at is not None]
            result.append(Serving(one.id, begin_us, min(ends_us, default=None), deciding=False))
    return result


def _opened(free: Free, job_id: int) -> NewEvent:
    return NewEvent(
        kind=EventKind.JOB_OPENED,
        happened_us=free.time_us,
        text=f"Gauge {free.label} at {free.site} fell below 50 kPa and belongs to no job: "
        "a walk-up job was opened. Give it its name, circuit and procedure.",
        subject=f"job:{job_id}",
        site_id=free.site_id,
        job_id=job_id,
        data={"walk_up": True, "instrument_id": free.instrument_id},
    )

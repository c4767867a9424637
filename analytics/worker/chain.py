"""Opening, moving, ending and withdrawing walk-up jobs in the database, each with all that follows from it.

Whoever does so holds the locks of the gateway, of its instruments and of all jobs concerned. They are only
tried for: if somebody else has one, nothing is done, and it stays for the next time.

A gateway may serve several circuits, and nothing says which valve or thermometer belongs to which gauge. So
each circuit gauge gets a job of its own, and only where a gateway has a single one do its other instruments
join."""

from __future__ import annotations

import logging
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial

import psycopg

from analytics.worker.cutting import NEW, Cut, Link, cut, stretches
from model.equipment import Position, Role
from model.event import EventKind
from model.job import Job, JobState
from store import anew as undoing
from store import jobs, procedures, standing, tracks, walkups, work
from store.database import Connection
from store.equipment import tell
from store.events import NewEvent
from store.setups import Setup
from store.walkups import Gauge, Neighbour
from store.work import Span

log = logging.getLogger(__name__)

LATE = "late readings"


class Busy(Exception):
    """Somebody else has a lock that is needed; nothing was done."""


@dataclass(frozen=True, slots=True)
class Serving:
    """An instrument joins a job in a span [µs]."""

    instrument_id: int
    since_us: int
    until_us: int | None
    deciding: bool


@dataclass(slots=True)
class Done:
    """What was done.

    Parameters
    ----------
    again : set of int
        Jobs that are to be judged again, because other readings belong to them now.
    """

    events: list[NewEvent] = field(default_factory=list)
    again: set[int] = field(default_factory=set)


def look(
    conn: Connection, spans: Sequence[Span], uncovered: Sequence[Span], now_us: int
) -> tuple[Done, set[int]]:
    """Cut the walk-up jobs anew that begin elsewhere by new readings.

    Parameters
    ----------
    spans : sequence of Span
        What was touched; the caller has claimed the instruments.
    uncovered : sequence of Span
        Those of them that do not belong to one job as a whole.

    Returns
    -------
    Done, set of int
        What was done, and the gauges that must wait because somebody else has a lock.
    """
    done = Done()
    waiting: set[int] = set()
    touched = {span.instrument_id: span for span in spans}
    for gauge_id in sorted(walkups.to_cut(conn, spans, uncovered)):
        span = touched[gauge_id]
        try:
            with conn.transaction():
                _lock_around(conn, [gauge_id])
                one = Done()
                _cut(conn, gauge_id, span.since_us, span.until_us, one, now_us)
        except Busy:
            waiting.add(gauge_id)
        except psycopg.OperationalError:
            raise
        except psycopg.Error:
            # One gauge must not keep the others waiting; its next readings try again.
            log.exception("the walk-up jobs of gauge %s could not be cut anew", gauge_id)
        else:
            done.events += one.events
            done.again |= one.again
    return done, waiting


def end(conn: Connection, setup: Setup, at_us: int | None, state: JobState, now_us: int) -> Done:
    """Close a job at a moment of event time, move its end there, or open it again, and let what its
    instruments send from then on belong to others.

    Parameters
    ----------
    at_us : int or None
        None: it is not over.
    state : JobState
        Of a job that is not over.

    Raises
    ------
    Busy
        If somebody else has a lock that is needed.
    """
    done = Done()
    job = setup.job
    old_us = job.closed_us
    ends_us = [walkups.FOREVER_US if at is None else at for at in (at_us, old_us)]
    with conn.transaction():
        gauges = _lock_around(conn, [one.id for one in setup.instruments])
        first = None if at_us is None else _split(conn, setup, at_us, done)
        if first is not None:
            assert at_us is not None
            _cut(conn, first.gauge_id, at_us, at_us, done, now_us, split=first)
            return done
        # For a moment a new end may lie behind the beginning after it.
        conn.execute("SET CONSTRAINTS assignment_one_at_a_time DEFERRED")
        standing.end(conn, job.id, old_us, at_us, state)
        walkups.reach(conn, job.id, old_us, at_us)
        mine = Span(job.id, setup.begins_us or min(ends_us), ends_us[0])
        for gauge_id in gauges:
            _cut(conn, gauge_id, min(ends_us), max(ends_us), done, now_us, anew=True, ended=mine)
        conn.execute("SET CONSTRAINTS assignment_one_at_a_time IMMEDIATE")
        tell(conn)
    return done


# Cutting ----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Split:
    """A job that people know by a later evacuation gives its first one to another job."""

    gauge_id: int
    first_id: int
    link: Link


def _split(conn: Connection, setup: Setup, at_us: int, done: Done) -> _Split | None:
    """Give what a walk-up job began with to a new one, if it was known by something later."""
    job = setup.job
    for number in [one.instrument_id for one in setup.assignments if one.deciding]:
        for stretch in stretches(walkups.services(conn, number)):
            link = next((one for one in stretch.links if one.job_id == job.id), None)
            if link is None or link.known_us < at_us:
                continue
            opened_us = walkups.first_low(conn, number, at_us, stretch.end_us)
            if opened_us is None or (link.end_us is not None and link.end_us <= opened_us):
                return None
            first_id = _add(conn, walkups.gauge(conn, number), job.opened_us)
            standing.end(conn, first_id, None, at_us, JobState.CLOSED)
            walkups.hand_over(conn, job.id, first_id)
            done.again |= {first_id, job.id}
            return _Split(number, first_id, replace(link, opened_us=max(link.known_us, at_us)))
    return None


def _cut(
    conn: Connection,
    gauge_id: int,
    from_us: int,
    until_us: int,
    done: Done,
    now_us: int,
    *,
    split: _Split | None = None,
    anew: bool = False,
    ended: Span | None = None,
) -> None:
    """Cut the walk-up jobs of a gauge anew, from a moment [µs] on; ``ended`` is the job behind it."""
    gauge = walkups.gauge(conn, gauge_id)
    for free in stretches(walkups.services(conn, gauge_id)):
        if free.end_us is not None and free.end_us <= from_us and not free.links:
            continue
        stretch = free
        if split is not None and split.first_id in {link.job_id for link in free.links}:
            links = sorted((*free.links, split.link), key=lambda link: link.opened_us)
            stretch = replace(free, links=tuple(links))
        lows = partial(walkups.first_low, conn, gauge_id)
        found = cut(stretch, from_us, until_us, lows, opens=gauge.opens, anew=anew)
        if found.changed or found.gone:
            before = {link.job_id: link for link in stretch.links}
            _carry_out(conn, gauge, found, before, done, now_us, split, ended)


def _carry_out(
    conn: Connection,
    gauge: Gauge,
    found: Cut,
    before: Mapping[int, Link],
    done: Done,
    now_us: int,
    split: _Split | None,
    ended: Span | None,
) -> None:
    known = {link.job_id for link in found.changed} - {NEW}
    gone = dict(found.gone)
    _lock_jobs(conn, {*known, *gone})
    had = walkups.release(conn, {*known, *gone})
    if split is not None:
        had[split.link.job_id] = had.get(split.first_id, {})
    placed: list[Link] = []
    for wanted in found.changed:
        old = before.get(wanted.job_id)
        moved = old is None or (old.opened_us, old.since_us) != (wanted.opened_us, wanted.since_us)
        link = wanted
        if link.job_id == NEW:
            link = replace(link, job_id=_add(conn, gauge, link.opened_us))
        elif moved:
            walkups.begin(conn, link.job_id, link.opened_us)
        placed.append(link)
        mine = had.get(link.job_id, {})
        taken = _serve(conn, gauge, link, set(mine))
        other = mine != {one.instrument_id: one.since_us for one in taken}
        if moved or other or (split is not None and link.job_id == split.first_id):
            done.again.add(link.job_id)
            _queue(conn, link, taken)
    spans = [
        Span(link.job_id, link.since_us, walkups.FOREVER_US if link.until_us is None else link.until_us)
        for link in placed
    ]
    spans += [] if ended is None else [ended]
    walkups.move_holds(conn, spans, {*(span.instrument_id for span in spans), *gone, *before})
    tracks.look_again(conn, [link.job_id for link in placed if link.job_id in done.again], LATE)
    for job_id, into_id in gone.items():
        done.again.add(job_id)
        job = jobs.by_id(conn, job_id)
        done.events += [*undoing.withdraw(conn, job, LATE, now_us), _withdrawn(job, into_id)]
        walkups.withdraw(conn, job_id, into_id, now_us)
    tell(conn)


def _add(conn: Connection, gauge: Gauge, opened_us: int) -> int:
    job = jobs.add(
        conn,
        f"Walk-up at {gauge.site}, gauge {gauge.label}",
        gauge.site_id,
        procedures.default(conn).id,
        opened_us,
        state=JobState.RUNNING,
        walk_up=True,
    )
    return job.id


def _serve(conn: Connection, gauge: Gauge, link: Link, had: set[int]) -> list[Serving]:
    """Assign the instruments."""
    taken = servings(gauge.id, link, walkups.neighbours(conn, gauge.gateway_id, link.opened_us, had), had)
    for one in taken:
        walkups.assign(
            conn, link.job_id, one.instrument_id, one.since_us, one.until_us, deciding=one.deciding
        )
    return taken


def servings(gauge_id: int, link: Link, around: Sequence[Neighbour], had: Iterable[int]) -> list[Serving]:
    """Which instruments a walk-up job takes, and for how long.

    Parameters
    ----------
    had : iterable of int
        What it has taken already: a second gauge that is registered later takes nothing away.
    """
    result = [Serving(gauge_id, link.since_us, link.until_us, deciding=True)]
    judging = [one for one in around if one.role is Role.GAUGE and one.position is Position.CIRCUIT]
    gauges = judging or [one for one in around if one.role is Role.GAUGE]
    alone = [one.id for one in gauges] == [gauge_id]
    for one in around:
        if one.id == gauge_id or one.busy or not (alone or one.id in set(had)):
            continue
        begin_us = link.since_us if one.free_since_us is None else max(link.since_us, one.free_since_us)
        ends_us = [at for at in (link.until_us, one.free_until_us) if at is not None]
        result.append(Serving(one.id, begin_us, min(ends_us, default=None), deciding=False))
    return result


def _queue(conn: Connection, link: Link, taken: Sequence[Serving]) -> None:
    """Let all readings of a job be judged, and what comes of its instruments around its opening."""
    spans = []
    for one in taken:
        last_us = walkups.last_reading(conn, one.instrument_id, one.since_us, one.until_us)
        # A valve's readings may be on their way into the database, unseen by this transaction.
        spans.append(Span(one.instrument_id, one.since_us, max(link.opened_us, last_us or link.opened_us)))
    work.add(conn, spans)


def _withdrawn(job: Job, into_id: int | None) -> NewEvent:
    """The job is closed, so that nothing asks to act on it any more."""
    where = "" if into_id is None else f"; they belong to job {into_id}"
    return NewEvent(
        kind=EventKind.JOB_CLOSED,
        happened_us=job.opened_us,
        text=f"{job.title}: as the readings now show, this was no evacuation of its own{where}.",
        subject=f"job:{job.id}",
        site_id=job.site_id,
        job_id=job.id,
        data={"merged_into": into_id, "because": LATE},
    )


# Locks ------------------------------------------------------------------------------------------


def _lock_around(conn: Connection, instrument_ids: Iterable[int]) -> list[int]:
    """Lock the gateways of instruments with all that belongs to them; returns their gauges."""
    found = walkups.around(conn, instrument_ids)
    if not walkups.lock(conn, {gateway for _, gateway, _ in found}, {number for number, _, _ in found}):
        raise Busy
    return [number for number, _, is_gauge in found if is_gauge]


def _lock_jobs(conn: Connection, job_ids: set[int]) -> None:
    if work.lock_jobs(conn, job_ids) != job_ids:
        raise Busy

"""Which instruments and jobs a transaction of the judgement has to itself, and what of their work is done."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace

from analytics.worker import chain, plan
from analytics.worker.plan import Task
from store import rollups, setups, timers, work
from store.database import Connection
from store.events import NewEvent
from store.work import Span, Touched

WAKE = timers.JOB_WAKE
SILENCE = timers.JOB_SILENCE
KINDS = (WAKE, SILENCE)


@dataclass(frozen=True, slots=True)
class Claim:
    """What this transaction has to itself."""

    touched: tuple[Touched, ...]
    tasks: tuple[Task, ...]
    events: tuple[NewEvent, ...]


def take(conn: Connection, limit: int, now_us: int, first: Collection[int]) -> Claim:
    """Claim touched instruments, those of ``first`` before others, and timers that went off, with their jobs.

    Locks are only tried for, so nobody waits for another; what could not be locked stays for the next time.
    """
    touched = work.claim(conn, limit, first)
    due = timers.due(conn, KINDS, now_us, limit)
    if not touched and not due:
        return Claim((), (), ())
    spans = [Span(item.instrument_id, item.since_us, item.until_us) for item in touched]
    services = setups.services(conn, spans) if spans else []
    loose = plan.uncovered(touched, services)
    cut, waiting = chain.look(conn, spans, loose, now_us)
    if cut.again:
        services = setups.services(conn, spans)
    tasks = plan.tasks_of(touched, services)
    for timer in due:
        task = tasks.get(int(timer.subject), Task(int(timer.subject)))
        tasks[task.job_id] = replace(task, woken=True) if timer.kind == WAKE else replace(task, silence=True)
    mine = work.lock_jobs(conn, tasks)
    # An instrument is done only with all its jobs: else its rows stay, and doing the others twice does
    # no harm.
    busy = waiting | {service.instrument_id for service in services if service.job_id not in mine}
    return Claim(
        tuple(item for item in touched if item.instrument_id not in busy),
        tuple(tasks[job_id] for job_id in sorted(mine)),
        tuple(cut.events),
    )


def give_back(conn: Connection, claim: Claim, left: Collection[int], now_us: int) -> set[int]:
    """Delete the work rows and timers that are dealt with; returns the instruments with work left.

    What did not fit in is work of its own again: were the rows to stay, the jobs that fitted would be
    judged from there again each time, and would leave no room for it for ever.
    """
    waiting = [task for task in claim.tasks if task.job_id in left and task.touched is not None]
    spans = [Span(number, *task.touched) for task in waiting if task.touched for number in task.heard]
    done = list(claim.touched)
    rollups.note(conn, [Span(item.instrument_id, item.since_us, item.until_us) for item in done])
    work.done(conn, done)
    work.add(conn, spans)
    taken = [task for task in claim.tasks if task.job_id not in left]
    timers.take(conn, WAKE, [str(task.job_id) for task in taken if task.woken], now_us)
    timers.take(conn, SILENCE, [str(task.job_id) for task in taken if task.silence], now_us)
    return {span.instrument_id for span in spans}

"""One transaction of the judgement: claim, read, fold, look, write.

Locks are only tried for, so nobody waits for another; what could not be locked stays for the next time. A
job whose judgement fails is counted and does not touch the others."""

from __future__ import annotations

import logging
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import groupby

import psycopg

from analytics.core.track import Sample, View, view
from analytics.worker import claiming, ends, plan, pulling, silence, states
from analytics.worker.claiming import SILENCE, WAKE, Claim
from analytics.worker.config import AnalyseConfig
from analytics.worker.ends import STATES, Ends
from analytics.worker.moments import lasting, settled_us
from analytics.worker.plan import Plan, Task
from analytics.worker.reconcile import AGAIN, LATE, TIME, Judged, reconcile
from analytics.worker.seen import digest_of_view
from analytics.worker.states import Advance, Entry, Known, Memory
from model.clock import US, Clock
from model.event import EventKind
from model.job import JobState
from model.reading import Quantity
from store import events, judgement, setups, standing, timers, tracks, work
from store.database import Connection
from store.events import NewEvent
from store.measures import Measures
from store.setups import Setup
from store.timers import Timer
from store.tracks import Progress
from store.work import Span

log = logging.getLogger(__name__)

REWRITE_S = 5.0
"""How often numbers that change with every reading (the last pressure of a running hold) are written [s]."""

QUANTITIES = {int(quantity): quantity for quantity in Quantity}


@dataclass(frozen=True, slots=True)
class Done:
    """What a transaction did."""

    instruments: int
    jobs: int
    samples: int


@dataclass(frozen=True, slots=True)
class Folded:
    """A plan carried out."""

    plan: Plan
    advance: Advance
    view: View | None
    """None while readings are left for another transaction."""

    @property
    def head_us(self) -> int:
        """Judged up to here [µs]: what comes after the end of the job is of no matter to it."""
        return self.plan.until_us if self.view is None else self.plan.goal_us


class Worker:
    """Judges whatever has work or a timer that went off; keeps states in memory between transactions."""

    def __init__(self, config: AnalyseConfig, clock: Clock) -> None:
        self.config = config
        self.clock = clock
        self.memory = Memory()
        self.measures = Measures()
        self._short_ones = 0
        """Transactions since the last one with a long plan."""

    def step(self, conn: Connection, limit: int) -> Done:
        """One transaction over up to ``limit`` instruments and as many timers.

        Raises
        ------
        psycopg.Error
            Nothing is done then; a smaller ``limit`` finds the job that is to blame.
        """
        entries: dict[int, Entry] = {}
        with conn.transaction():
            now_us = self.clock.now_us()
            # At most half of it in hurry: the others get on as well.
            claim = claiming.take(conn, limit, now_us, self.memory.first(limit // 2))
            if not claim.touched and not claim.tasks:
                return Done(0, 0, 0)
            full = len(claim.touched) >= limit
            plans, rest = self._plan(conn, claim.tasks, full=full)
            left = {task.job_id for task in rest}
            kept = claiming.give_back(conn, claim, left, now_us)
            folded, failed, samples = self._fold(conn, plans)
            told = list(claim.events)
            told += self._write_all(conn, folded, failed, entries, now_us)
            written = [one for one in folded if one.plan.setup.job.id in entries]
            self._estimate(conn, written, pulling.HURRIED if full else pulling.MOST)
            told += self._failures(conn, failed, now_us)
            events.record(conn, told, now_us)
        for job_id, entry in entries.items():
            self.memory.keep(job_id, entry)
        for one in folded:
            over = one.view is not None and one.view.over_limit
            self.memory.hurry(one.plan.setup.job.id, one.plan.instruments if over else frozenset())
        self._measure(claim, kept, len(plans), samples)
        return Done(len(claim.touched) - len(kept), len(plans), samples)

    def _measure(self, claim: Claim, kept: set[int], jobs: int, samples: int) -> None:
        """Count what is committed."""
        self.measures.count("judge_transactions")
        self.measures.count("judge_jobs", jobs)
        self.measures.count("judge_readings", samples)
        for item in claim.touched:
            if item.instrument_id not in kept:
                self.measures.observe("judge_delay_seconds", item.waited_s)

    def give_up(self, conn: Connection, error: Exception) -> None:
        """Count a failure of the oldest work alone, after a step over it failed as a whole."""
        with conn.transaction():
            now_us = self.clock.now_us()
            claim = claiming.take(conn, 1, now_us, ())
            plans, _ = self._plan(conn, claim.tasks, full=False)
            claiming.give_back(conn, claim, (), now_us)
            told = self._failures(conn, {one.setup.job.id: (one, error) for one in plans}, now_us)
            events.record(conn, [*claim.events, *told], now_us)

    # Planning -----------------------------------------------------------------------------------

    def _plan(self, conn: Connection, tasks: Sequence[Task], *, full: bool) -> tuple[list[Plan], list[Task]]:
        """Plans for this transaction, and the tasks that did not fit in; ``full``: others wait."""
        ids = [task.job_id for task in tasks]
        found = setups.load(conn, ids)
        saved = tracks.load(conn, ids)
        plans = []
        for task in tasks:
            setup = found[task.job_id]
            if not setup.parked:
                made = plan.make(task, setup, saved.get(task.job_id), self.memory, self.config)
                if made is not None:
                    plans.append(made)
        # Memory did not have these.
        stored = tracks.states(conn, {one.setup.job.id: one.since_us for one in plans if not one.known})
        plans = [one if one.known else _with_state(one, stored.get(one.setup.job.id)) for one in plans]
        # A reading of last year makes no thousand empty transactions: begin where there is something to read.
        long = [item for one in plans if one.long for item in one.wanted(one.goal_us)]
        first = setups.first_readings(conn, long, plan.SLICE)
        plans = [_sliced(one, first) if one.long else one for one in plans]
        fitting = plan.within_budget(plans, long_ones=not full or self._short_ones >= plan.SHARE)
        self._short_ones = 0 if any(one.long for one in fitting) else self._short_ones + 1
        chosen = {one.setup.job.id for one in fitting}
        return fitting, [one.task for one in plans if one.setup.job.id not in chosen]

    # Folding ------------------------------------------------------------------------------------

    def _fold(
        self, conn: Connection, plans: Sequence[Plan]
    ) -> tuple[list[Folded], dict[int, tuple[Plan, Exception]], int]:
        wanted = [item for one in plans for item in one.wanted()]
        rows = setups.readings(conn, wanted) if wanted else []
        samples = {
            job: [
                Sample(time, instrument, QUANTITIES[quantity], value)
                for _, time, instrument, quantity, value in group
            ]
            for job, group in groupby(rows, key=lambda row: row[0])
        }
        moment_us = settled_us(self.clock, self.config.transit_s)
        folded: list[Folded] = []
        failed: dict[int, tuple[Plan, Exception]] = {}
        for one in plans:
            job_id = one.setup.job.id
            try:
                advance = states.advance(one.known, one.settings, samples.get(job_id, ()), one.until_us)
                whole = one.complete or advance.newest.state.over_us is not None
                seen = view(advance.newest.state, one.settings, moment_us) if whole else None
            except Exception as error:
                log.exception("the judgement of job %s failed", job_id)
                failed[job_id] = (one, error)
            else:
                folded.append(Folded(one, advance, seen))
        return folded, failed, len(rows)

    # Writing ------------------------------------------------------------------------------------

    def _write_all(
        self,
        conn: Connection,
        folded: Sequence[Folded],
        failed: dict[int, tuple[Plan, Exception]],
        entries: dict[int, Entry],
        now_us: int,
    ) -> list[NewEvent]:
        """Write all at once; if that fails, one by one, so that only the one to blame fails."""
        try:
            with conn.transaction():
                told = self._write(conn, folded, entries, now_us)
        except psycopg.OperationalError:
            raise
        except Exception as error:
            entries.clear()
            if len(folded) == 1:
                log.exception("the result of job %s could not be written", folded[0].plan.setup.job.id)
                failed[folded[0].plan.setup.job.id] = (folded[0].plan, error)
                return []
            told = []
            for one in folded:
                mine: dict[int, Entry] = {}
                told += self._write_all(conn, [one], failed, mine, now_us)
                entries |= mine
        return told

    def _write(
        self, conn: Connection, folded: Sequence[Folded], entries: dict[int, Entry], now_us: int
    ) -> list[NewEvent]:
        told: list[NewEvent] = []
        judged: list[Judged] = []
        due: list[Timer] = []
        seen: dict[int, str] = {}
        tracks.rewind(
            conn,
            {
                one.plan.setup.job.id: _rewind_us(one.plan)
                for one in folded
                if one.plan.anew or one.plan.rewound
            },
        )
        judgement.mark_stale(
            conn,
            {
                one.plan.setup.job.id: one.plan.task.touched
                for one in folded
                if one.plan.rewound and one.plan.task.touched is not None
            },
        )
        settled = settled_us(self.clock, self.config.transit_s)
        complete = [(one.plan, one.view) for one in folded if one.view is not None]
        ended = ends.settle(conn, complete, settled, now_us)
        told += ended.events
        folded = [_with_setup(one, ended) for one in folded if one.plan.setup.job.id not in ended.again]
        for one in folded:
            job_id = one.plan.setup.job.id
            if one.view is None or job_id in ended.left:
                continue
            head_us = one.head_us if one.view.last_us is None else one.view.last_us
            digest = digest_of_view(one.view, head_us)
            if job_id in ended.moved or self._needs_writing(one.plan, digest):
                seen[job_id] = digest
                judged.append(
                    Judged(one.plan.setup, one.view, _because(one.plan), head_us, one.plan.task.woken)
                )
        outcome = reconcile(conn, judged, now_us)
        told += outcome.events
        standing.set_states(conn, _moved(judged))
        progress = []
        quiet = self._silences(conn, folded)
        for one in folded:
            job_id = one.plan.setup.job.id
            told += quiet[job_id].events
            wake_us = self._wake_us(one, ended, job_id in outcome.stale, now_us)
            unfinished = one.view is None or job_id in ended.left
            if wake_us is not None and (unfinished or _sooner(wake_us, one.plan)):
                due.append(Timer(WAKE, str(job_id), wake_us))
            if quiet[job_id].due_us is not None:
                due.append(Timer(SILENCE, str(job_id), quiet[job_id].due_us or 0))
            written = "" if job_id in ended.left else seen.get(job_id)
            because = _left_of_reason(one, written, stale=job_id in outcome.stale)
            made = _progress(one, written, wake_us, quiet[job_id].silent, because)
            progress.append(replace(made, goal_us=ended.goals.get(job_id, made.goal_us)))
            entries[job_id] = Entry(one.plan.digest, one.plan.epoch, one.advance.kept)
        tracks.save(conn, progress)
        tracks.add_checkpoints(
            conn,
            [
                point
                for one in folded
                for point in states.checkpoints(one.plan.setup.job.id, one.advance.checkpoints)
            ],
        )
        timers.put(conn, due)
        failures = [one.plan.setup.job.id for one in folded if one.plan.setup.failures]
        if failures:
            standing.clear_failures(conn, failures)
        return told

    def _estimate(self, conn: Connection, written: Sequence[Folded], most: int) -> None:
        """Estimates of pull-downs; what has been judged stands without them."""
        views = {one.plan.setup.job.id: one.view for one in written if one.view is not None}
        try:
            with conn.transaction():
                pulling.keep(conn, views, {one.plan.setup.job.id for one in written if one.plan.anew}, most)
        except psycopg.OperationalError:
            raise
        except Exception:
            log.exception("estimates of pull-downs could not be kept")

    def _needs_writing(self, one: Plan, digest: str) -> bool:
        return (
            one.saved is None
            or one.task.woken
            or one.anew
            or one.rewound  # late readings may leave the view as it was, and a cause out of date
            or one.saved.seen != digest
            or one.saved.written_s >= REWRITE_S
        )

    def _wake_us(self, one: Folded, ended: Ends, stale: bool, now_us: int) -> int | None:
        """When the job's timer must go off [µs]; an earlier one that is set already stays."""
        job_id = one.plan.setup.job.id
        if one.view is None or job_id in ended.left:
            return now_us  # something is left: go on at once
        transit_us = round(lasting(self.clock, self.config.transit_s) * US)
        times = [at + transit_us for at in (one.view.wake_us, ended.ahead.get(job_id)) if at is not None]
        if stale:
            times.append(now_us + transit_us)
        set_us = None if one.plan.saved is None or one.plan.task.woken else one.plan.saved.wake_us
        if set_us is not None and set_us > now_us:
            times.append(set_us)
        return min(times, default=None)

    def _silences(self, conn: Connection, folded: Sequence[Folded]) -> dict[int, silence.Silence]:
        looking = [one for one in folded if one.plan.task.silence and one.view is not None]
        numbers = [gauge.id for one in looking for gauge in silence.gauges(one.plan.setup)]
        arrivals = setups.last_arrivals(conn, numbers) if numbers else {}
        return {one.plan.setup.job.id: self._silence(one, arrivals) for one in folded}

    def _silence(self, one: Folded, arrivals: dict[int, int]) -> silence.Silence:
        setup, saved, task = one.plan.setup, one.plan.saved, one.plan.task
        silent = frozenset() if saved is None else saved.silent
        heard = silent & task.heard
        told = tuple(silence.back(setup, number, self.clock.now_us()) for number in sorted(heard))
        silent -= heard
        before = JobState.RUNNING if saved is not None and setup.job.state is JobState.RUNNING else None
        closed = setup.job.closed_us is not None
        running = one.view is not None and _state(setup, one.view) is JobState.RUNNING and not closed
        if not running and one.view is not None:
            return silence.Silence(told, silent, None)
        if one.view is not None and task.silence:
            found = silence.look(setup, one.view, silent, arrivals, self.config, self.clock)
            return replace(found, events=(*told, *found.events))
        due_us = None
        if heard or (running and before is None):
            due_us = silence.first_due_us(setup, self.config, self.clock)
        elif task.silence:
            due_us = self.clock.now_us()
        return silence.Silence(told, silent, due_us)

    def _failures(
        self, conn: Connection, failed: dict[int, tuple[Plan, Exception]], now_us: int
    ) -> list[NewEvent]:
        told = []
        for job_id, (one, error) in sorted(failed.items()):
            if standing.note_failure(conn, job_id, now_us):
                told.append(_parked(one.setup, error, now_us))
            else:
                self._again(conn, one, now_us)
        return told

    def _again(self, conn: Connection, one: Plan, now_us: int) -> None:
        if one.task.touched is not None:
            work.add(conn, [Span(number, *one.task.touched) for number in sorted(one.task.heard)])
        else:
            timers.put(conn, [Timer(WAKE, str(one.setup.job.id), now_us)])


def _with_state(one: Plan, stored: tuple[int, bytes] | None) -> Plan:
    if stored is None:
        begins_us = one.setup.begins_us
        assert begins_us is not None
        return replace(one, known=(states.start(one.settings, begins_us - 1),))
    return replace(one, known=(Known(stored[0], states.from_bytes(stored[1])),))


def _sliced(one: Plan, first: Mapping[int, tuple[int, int | None]]) -> Plan:
    first_us, slice_us = first.get(one.setup.job.id, (one.goal_us, None))
    return replace(one, first_us=first_us, slice_us=slice_us)


def _with_setup(one: Folded, ended: Ends) -> Folded:
    """As it is after its end was moved."""
    setup = ended.moved.get(one.plan.setup.job.id)
    return one if setup is None else replace(one, plan=replace(one.plan, setup=setup))


def _rewind_us(one: Plan) -> int:
    # Made anew, it may begin later than before: no older state is its own.
    return 0 if one.anew else one.since_us


def _because(one: Plan) -> str:
    if one.saved is not None and one.saved.because:
        return one.saved.because
    if one.anew or (one.saved is not None and one.saved.seen == tracks.AGAIN):
        return AGAIN
    left = one.saved is not None and one.saved.goal_us > one.saved.head_us
    return TIME if one.task.touched is None and not left else LATE


def _left_of_reason(one: Folded, seen: str | None, *, stale: bool) -> str:
    """The reason why the job is judged anew, until all that follows from it is written."""
    done = one.view is not None and bool(seen) and not stale
    return "" if one.plan.saved is None or done else one.plan.saved.because


def _state(setup: Setup, seen: View) -> JobState:
    return STATES.get(seen.evacuation, setup.job.state)


def _moved(judged: Sequence[Judged]) -> dict[int, JobState]:
    return {
        item.job_id: _state(item.setup, item.view)
        for item in judged
        if item.setup.job.state is not JobState.CLOSED
        and item.setup.job.state is not _state(item.setup, item.view)
    }


def _sooner(wake_us: int, one: Plan) -> bool:
    return one.saved is None or one.task.woken or one.saved.wake_us is None or wake_us != one.saved.wake_us


def _progress(
    one: Folded, seen: str | None, wake_us: int | None, silent: frozenset[int], because: str
) -> Progress:
    saved = one.plan.saved
    afresh = (
        saved is None
        or one.plan.anew
        or one.plan.rewound
        or silent != saved.silent
        or saved.state_us > one.advance.newest.time_us
    )
    persist = states.to_persist(one.advance.kept, saved, afresh=afresh)
    if one.view is None and (one.plan.anew or (saved is not None and saved.seen == tracks.AGAIN)):
        seen = tracks.AGAIN
    return Progress(
        job_id=one.plan.setup.job.id,
        settings=one.plan.digest,
        head_us=one.head_us,
        goal_us=one.plan.goal_us,
        epoch=one.plan.epoch,
        state=None if persist is None else (persist.time_us, states.to_bytes(persist.state)),
        seen=seen,
        wake_us=wake_us,
        silent=silent,
        because=because,
    )


def _parked(setup: Setup, error: Exception, now_us: int) -> NewEvent:
    return NewEvent(
        kind=EventKind.SERIES_PARKED,
        happened_us=now_us,
        text=f"{setup.job.title}: judging this job failed three times in a row, so it is judged no longer.",
        subject=f"job:{setup.job.id}",
        site_id=setup.job.site_id,
        job_id=setup.job.id,
        data={"error": f"{type(error).__name__}: {error}"},
    )

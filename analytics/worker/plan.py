"""Which readings each touched job is to be judged by, and how much of them in one transaction."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import msgspec

from analytics.core.track import Closing, TrackSettings
from analytics.worker.config import AnalyseConfig
from analytics.worker.states import Known, Memory, start
from model.clock import US
from model.equipment import Instrument, Position
from model.job import Assignment
from store.setups import Setup, Wanted
from store.tracks import Saved
from store.work import Span, Touched

WINDOW_US = 2 * 3600 * US
"""Most event time of one job in one transaction."""

LONG = 300
"""Plans of more readings than this are long: how many they really have is looked up."""

SLICE = 1500
"""Most readings of an instrument and quantity in one transaction, so that a long history does not keep the
others waiting: a quarter of a second (measured)."""

BUDGET = 6000
"""Most readings of all jobs together in one transaction, roughly."""

SHARE = 4
"""While others wait, a long plan gets on in one of so many transactions."""

RULES = 6
"""Number of the rules of judgement. Raise it when they change: all jobs that are touched begin anew."""


@dataclass(frozen=True, slots=True)
class Task:
    """A job that must be looked at.

    Parameters
    ----------
    touched : (int, int) or None
        First and last event time of new readings [µs], None if only time has passed.
    heard : frozenset of int
        Instruments that sent something.
    woken, silence : bool
        Its timers have gone off.
    """

    job_id: int
    touched: tuple[int, int] | None = None
    heard: frozenset[int] = frozenset()
    woken: bool = False
    silence: bool = False


@dataclass(frozen=True, slots=True)
class Plan:
    """How to judge a job in this transaction.

    Parameters
    ----------
    anew : bool
        From its first reading, because its settings changed or it was asked for.
    rewound : bool
        Readings came that are older than what was judged already.
    since_us : int
        The state to go on from must be from before this [µs].
    goal_us : int
        Everything up to here is to be judged [µs].
    """

    task: Task
    setup: Setup
    settings: TrackSettings
    digest: str
    saved: Saved | None
    anew: bool
    rewound: bool
    since_us: int
    goal_us: int
    known: tuple[Known, ...]
    first_us: int | None = None
    """Nothing is to be read before this [µs]; None: not looked up."""
    slice_us: int | None = None
    """So many readings as fit into one transaction end here [µs]; None: all of them fit."""

    @property
    def epoch(self) -> int:
        """The epoch that this judgement belongs to."""
        before = 0 if self.saved is None else self.saved.epoch
        return before + (self.rewound or self.anew)

    @property
    def instruments(self) -> frozenset[int]:
        """Numbers of the job's instruments."""
        return frozenset(one.id for one in self.setup.instruments)

    @property
    def from_us(self) -> int:
        return self.known[-1].time_us + 1

    @property
    def until_us(self) -> int:
        """How far this transaction comes [µs]."""
        ends = [self.goal_us, self._begins_us + WINDOW_US]
        if self.slice_us is not None:
            ends.append(self.slice_us)
        return max(min(ends), self.from_us - 1)

    @property
    def _begins_us(self) -> int:
        return self.from_us if self.first_us is None else max(self.first_us, self.from_us)

    @property
    def complete(self) -> bool:
        return self.until_us >= self.goal_us

    @property
    def cost(self) -> float:
        """About how many readings it has, where every instrument keeps its interval."""
        time_s = (self.until_us - self._begins_us + US) / US
        kept = sum(1 + time_s / one.interval_s for one in self.setup.instruments)
        return kept if self.slice_us is None else max(kept, SLICE)

    @property
    def long(self) -> bool:
        """Whether it is of a history rather than of what just came."""
        return not self.complete or self.goal_us - self._begins_us > LONG * US

    def wanted(self, until_us: int | None = None) -> list[Wanted]:
        """The readings to fetch, in this transaction or up to a moment [µs]."""
        until_us = self.until_us if until_us is None else until_us
        return wanted_of(self.setup.job.id, self.setup.reach, self.from_us, until_us)


def wanted_of(job_id: int, served: Iterable[Assignment], since_us: int, until_us: int) -> list[Wanted]:
    """The readings of assignments between two moments, both ends in it [µs]."""
    result = []
    for one in served:
        first = max(one.since_us, since_us)
        last = until_us if one.until_us is None else min(one.until_us - 1, until_us)
        if first <= last:
            span = Span(one.instrument_id, first, last)
            result.append(Wanted(job_id, span, one.side is not Position.PUMP))
    return result


def tasks_of(touched: Sequence[Touched], services: Sequence[Assignment]) -> dict[int, Task]:
    """Which jobs new readings concern."""
    by_instrument = {item.instrument_id: item for item in touched}
    result: dict[int, Task] = {}
    for service in services:
        item = by_instrument[service.instrument_id]
        since = max(item.since_us, service.since_us)
        until = item.until_us if service.until_us is None else min(item.until_us, service.until_us - 1)
        before = result.get(service.job_id, Task(service.job_id))
        if before.touched is not None:
            since, until = min(since, before.touched[0]), max(until, before.touched[1])
        heard = before.heard | {service.instrument_id}
        result[service.job_id] = Task(service.job_id, (since, until), heard)
    return result


def uncovered(touched: Iterable[Touched], services: Sequence[Assignment]) -> list[Span]:
    """Touched spans that no single assignment covers: there may be readings that belong to no job."""
    covered = {item.instrument_id: item for item in services}
    result = []
    for item in touched:
        service = covered.get(item.instrument_id)
        if (
            service is None
            or service.since_us > item.since_us
            or (service.until_us is not None and service.until_us <= item.until_us)
        ):
            result.append(Span(item.instrument_id, item.since_us, item.until_us))
    return result


def make(task: Task, setup: Setup, saved: Saved | None, memory: Memory, config: AnalyseConfig) -> Plan | None:
    """Plan the judgement of a job; ``known`` is empty if its state must be fetched from the database.

    Returns
    -------
    Plan or None
        None if the job has never had a reading.
    """
    settings = settings_of(setup, config)
    digest = digest_of(settings, setup)
    begins_us = setup.begins_us
    if begins_us is None or (saved is None and task.touched is None):
        return None
    anew = saved is not None and saved.settings != digest
    goals = [] if saved is None else [saved.head_us, saved.goal_us]
    since_us = begins_us if saved is None or anew else saved.head_us + 1
    if task.touched is not None:
        goals.append(task.touched[1])
        since_us = min(since_us, task.touched[0])
    known: tuple[Known, ...] = ()
    if saved is None or anew:
        known = (start(settings, begins_us - 1),)
    else:
        known = memory.before(setup.job.id, digest, saved.epoch, since_us)
        if known and known[-1].time_us < saved.state_us < since_us:
            known = ()  # another process has come much further
    return Plan(
        task=task,
        setup=setup,
        settings=settings,
        digest=digest,
        saved=saved,
        anew=anew,
        rewound=saved is not None and not anew and since_us <= saved.head_us,
        since_us=since_us,
        goal_us=max(goals),
        known=known,
    )


def within_budget(plans: Iterable[Plan], *, long_ones: bool = True) -> list[Plan]:
    """As many as fit in one transaction, one at least, the cheapest first: those are the live ones.

    Parameters
    ----------
    long_ones : bool
        False: none of those, if there is any other.
    """
    result: list[Plan] = []
    spent = 0.0
    for plan in sorted(plans, key=lambda plan: (plan.long, plan.cost, plan.setup.job.id)):
        spent += plan.cost
        if result and (spent > BUDGET or (plan.long and not long_ones)):
            break
        result.append(plan)
    return result


def settings_of(setup: Setup, config: AnalyseConfig) -> TrackSettings:
    """What the core is told of the job."""
    deciding = sorted((one.since_us, one.instrument_id) for one in setup.assignments if one.deciding)
    return TrackSettings(
        procedure=setup.procedure,
        instruments=setup.instruments,
        # A gauge that took another's place decides from then on; the core knows one of them.
        deciding_id=deciding[-1][1] if deciding else None,
        volume_m3=setup.volume_m3,
        refrigerant=setup.refrigerant,
        closing=_closing(setup, config),
        rig=setup.rig,
        suspects=setup.suspects,
    )


def _closing(setup: Setup, config: AnalyseConfig) -> Closing | None:
    """None for a job that a person closed, or opened again."""
    job = setup.job
    if job.kept_open or (job.closed_us is not None and not setup.closed_by_rule):
        return None
    given_us = max((one.since_us for one in setup.assignments if one.since_fixed), default=None)
    if job.walk_up:
        return Closing(config.close_finished_s, config.close_unproven_s, job.opened_us, given_us)
    return Closing(config.close_finished_s, not_before_us=given_us)


_JUDGED = tuple(name for name in Instrument.__dataclass_fields__ if name not in ("pump_m3_s", "ultimate_pa"))


def digest_of(settings: TrackSettings, setup: Setup) -> str:
    """A short text that differs when the judgement would."""
    whole: Mapping[str, object] = {
        "rules": RULES,
        "procedure": settings.procedure,
        # A pump's rating judges nothing: another one makes no judgement anew.
        "instruments": [{name: getattr(one, name) for name in _JUDGED} for one in settings.instruments],
        "deciding": settings.deciding_id,
        "volume": settings.volume_m3,
        "refrigerant": settings.refrigerant,
        "closing": settings.closing,
        "since": [(one.instrument_id, one.since_us) for one in setup.assignments],
    }
    if settings.suspects:
        whole = {**whole, "suspects": settings.suspects}
    seats = {one.id: one.position for one in settings.instruments}
    moved = [one for one in setup.assignments if one.side is not seats[one.instrument_id]]
    if moved:
        whole = {**whole, "moved": [(one.instrument_id, one.since_us, one.until_us) for one in moved]}
    return hashlib.blake2b(msgspec.json.encode(whole), digest_size=12).hexdigest()

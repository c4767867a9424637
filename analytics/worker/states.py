"""States of the recogniser: folding readings in, remembering where to come back to.

The newest states of each job are kept in memory; the database has one that lags by some seconds and
checkpoints every ten minutes of event time. A state in memory is void when another process rewound the job:
the epoch tells."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import chain, groupby, islice

import msgspec

from analytics.core.track import Sample, TrackSettings, TrackState, begin, fold, load
from model.clock import US
from store.tracks import Checkpoint, Saved

CHECKPOINT_US = 600 * US
"""Distance of checkpoints."""

LAG_US = 5 * US
"""Packs of one moment reach us in any order within this: a state that much older is kept beside the
newest."""

PERSIST_US = 15 * US
"""How far the persisted state may lag behind."""

MOST_JOBS = 8000
"""Jobs whose states are kept in memory: as many as one core keeps judged. All have their turn one after
another, so that with one more than fit here the next is always the one that was just forgotten."""


@dataclass(frozen=True, slots=True)
class Known:
    """A state and the event time up to which it knows every reading [µs]."""

    time_us: int
    state: TrackState


@dataclass(frozen=True, slots=True)
class Entry:
    """What memory has of a job: states from old to new, valid for these settings and this epoch."""

    settings: str
    epoch: int
    states: tuple[Known, ...]


@dataclass(frozen=True, slots=True)
class Advance:
    """What folding gave: the newest state and the ones to keep."""

    newest: Known
    kept: tuple[Known, ...]
    checkpoints: tuple[Known, ...]


class Memory:
    """The newest states of the jobs that this process judged last, and whose next readings must not wait."""

    def __init__(self) -> None:
        self._entries: OrderedDict[int, Entry] = OrderedDict()
        self._hurried: dict[int, frozenset[int]] = {}

    def before(self, job_id: int, settings: str, epoch: int, since_us: int) -> tuple[Known, ...]:
        """States from before a moment, from old to new; none if they are void."""
        entry = self._entries.get(job_id)
        if entry is None or entry.settings != settings or entry.epoch != epoch:
            return ()
        return tuple(known for known in entry.states if known.time_us < since_us)

    def keep(self, job_id: int, entry: Entry) -> None:
        """Remember; call it only once the transaction is committed, for the epoch is in it."""
        self._entries[job_id] = entry
        self._entries.move_to_end(job_id)
        while len(self._entries) > MOST_JOBS:
            self._entries.popitem(last=False)

    def hurry(self, job_id: int, instruments: frozenset[int]) -> None:
        """Let readings of these be judged before those of others; empty: no longer."""
        self._hurried.pop(job_id, None)
        if instruments:
            self._hurried[job_id] = instruments

    def first(self, most: int) -> list[int]:
        """Instruments to judge before others; where they are too many, those whose turn was longest ago."""
        return list(islice(chain.from_iterable(self._hurried.values()), most))


def start(settings: TrackSettings, before_us: int) -> Known:
    """The state that knows nothing."""
    return Known(before_us, begin(settings))


def advance(
    earlier: Sequence[Known], settings: TrackSettings, samples: Sequence[Sample], until_us: int
) -> Advance:
    """Fold samples, sorted and all newer than the last of ``earlier``, and know everything up to
    ``until_us``."""
    known = earlier[-1]
    checkpoints: list[Known] = []
    states = list(earlier)
    for number, group in groupby(samples, key=lambda sample: sample.time_us // CHECKPOINT_US):
        boundary = number * CHECKPOINT_US - 1
        if known.time_us < boundary and known.time_us // CHECKPOINT_US < number:
            known = Known(boundary, known.state)
            checkpoints.append(known)
            states.append(known)
        batch = list(group)
        # A long batch leaves a state behind from a little before its end.
        head = [sample for sample in batch if sample.time_us <= until_us - LAG_US]
        for part in (head, batch[len(head) :]):
            if part:
                known = Known(part[-1].time_us, fold(known.state, settings, part))
                states.append(known)
    newest = Known(until_us, known.state)
    return Advance(newest, _keep([*states, newest]), tuple(checkpoints))


def _keep(states: Sequence[Known]) -> tuple[Known, ...]:
    """Of states from old to new: the newest, the one before it, and the newest that is old enough."""
    newest = states[-1]
    lagging = [known for known in states if known.time_us <= newest.time_us - LAG_US]
    between = [known for known in states if newest.time_us - LAG_US < known.time_us < newest.time_us]
    # The first of those between is the next to be old enough.
    return (*lagging[-1:], *between[:1], *between[1:][-1:], newest)


def to_persist(kept: Sequence[Known], saved: Saved | None, *, afresh: bool) -> Known | None:
    """The state to write to the database, if the one there lags too much or is void."""
    newest = kept[-1]
    if saved is not None and not afresh and newest.time_us - saved.state_us < PERSIST_US:
        return None
    lagging = [known for known in kept if known.time_us <= newest.time_us - LAG_US]
    return lagging[-1] if lagging else newest


def to_bytes(state: TrackState) -> bytes:
    """A state as the database keeps it: the JSON of `dump`, made ten times as fast from the state itself."""
    return msgspec.json.encode(state)


def from_bytes(data: bytes) -> TrackState:
    """The inverse of `to_bytes`."""
    return load(msgspec.json.decode(data))


def checkpoints(job_id: int, known: Sequence[Known]) -> list[Checkpoint]:
    """States as checkpoints of a job."""
    return [Checkpoint(job_id, item.time_us, to_bytes(item.state)) for item in known]

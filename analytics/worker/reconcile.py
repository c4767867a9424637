"""Bringing the tables in line with a view: phases, hold tests with revisions, facts, and the events that
tell of them.

An event is recorded once for each fact (job, kind, what it is about). Late readings may take a fact back;
what was told of a verdict is then told again, as a revision."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import msgspec

from analytics.core.advice import advise
from analytics.core.track import View
from analytics.worker import causes
from model.clock import US
from model.event import EventKind
from model.judgement import Cause, Fact, HoldTest, Phase, PhaseKind, Urgency, Verdict
from store import judgement
from store.database import Connection
from store.events import NewEvent
from store.judgement import Revision, StoredHold
from store.setups import Setup

MOVED_US = 600 * US
"""A hold, pull-down or break whose start turns out to lie this near to the one known is the same one,
moved."""

VERDICT_KINDS: Mapping[str, Verdict] = {
    EventKind.HOLD_PASSED: Verdict.PASSED,
    EventKind.HOLD_FAILED: Verdict.FAILED,
    EventKind.HOLD_INCONCLUSIVE: Verdict.INCONCLUSIVE,
}
ABOUT: Mapping[str, str] = {
    EventKind.JOB_OPENED: "opened",
    EventKind.JOB_CLOSED: "closed",
    EventKind.PULL_DOWN_STARTED: "pull-down",
    EventKind.TARGET_REACHED: "target",
    EventKind.VACUUM_BROKEN: "break",
    EventKind.PUMP_STOPPED: "pump",
    EventKind.PUMP_STOP_OVER: "pump",
    EventKind.EVACUATION_FINISHED: "evacuation",
    EventKind.EVACUATION_UNPROVEN: "evacuation",
    EventKind.VALVE_REPORTED: "valve",
}
"""What the subject of an event is called; that of a hold is ``hold:`` and its number, whatever its start."""

NEWS_AGAIN = frozenset({*VERDICT_KINDS, EventKind.JOB_CLOSED})
"""What is told again when it is true again."""

FIRST = "first verdict"
LATE = "late readings"
TIME = "time passed"
AGAIN = "judged again"
MORE = "more readings"


@dataclass(frozen=True, slots=True)
class Judged:
    """A job and the view of it.

    Parameters
    ----------
    because : str
        Why a verdict would differ from the one before: `LATE`, `TIME` or `AGAIN`.
    head_us : int
        Readings have come up to here [µs].
    estimate : bool
        Whether causes that are out of date are estimated now, or wait until no more readings come.
    """

    setup: Setup
    view: View
    because: str
    head_us: int
    estimate: bool

    @property
    def job_id(self) -> int:
        return self.setup.job.id


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of it.

    Parameters
    ----------
    stale : frozenset of int
        Jobs with causes that are still to be estimated anew.
    """

    events: tuple[NewEvent, ...]
    stale: frozenset[int]


def reconcile(conn: Connection, judged: Sequence[Judged], now_us: int) -> Outcome:
    """Write what changed; the events are left to the caller, who records them last."""
    ids = [item.job_id for item in judged]
    phases = judgement.phases(conn, ids)
    holds = judgement.holds(conn, ids)
    facts = judgement.facts(conn, ids)
    told_us = judgement.told(conn, ids)
    events: list[NewEvent] = []
    stale: set[int] = set()
    gone: list[tuple[int, Phase]] = []
    changed: list[tuple[int, Phase]] = []
    for item in judged:
        job = item.job_id
        old, new = phases.get(job, []), item.view.phases
        keys = {(phase.start_us, phase.kind) for phase in new}
        gone += [(job, phase) for phase in old if (phase.start_us, phase.kind) not in keys]
        changed += [(job, phase) for phase in new if phase not in old]
        current, told = _holds(conn, item, holds.get(job, []), now_us)
        if any(stored.stale and not stored.withdrawn for stored in current.values()):
            stale.add(job)
        events += told
        events += _facts(conn, item, facts.get(job, []), told_us, current, now_us)
    judgement.write_phases(conn, gone, changed)
    return Outcome(tuple(events), frozenset(stale))


# Holds ------------------------------------------------------------------------------------------


def _holds(
    conn: Connection, item: Judged, stored: Sequence[StoredHold], now_us: int
) -> tuple[dict[int, StoredHold], list[NewEvent]]:
    """Holds as they are now, by their start, and the revisions told."""
    matches = _match(stored, item.view.holds)
    matched = {old.id for old in matches.values()}
    writes: list[StoredHold] = []
    revisions: list[Revision] = []
    events: list[NewEvent] = []
    current: dict[int, StoredHold] = {}
    for hold in item.view.holds:
        old = matches.get(hold.start_us)
        before = old
        if old is None:
            before = old = judgement.add_hold(conn, item.job_id, hold)
        new = _updated(conn, item, old, hold)
        revision = _revision(item, old, new, now_us)
        if revision is not None:
            new = replace(new, revision=revision.revision)
            revisions.append(revision)
            if old.revision > 0:
                events.append(_revised(item, new, revision.because))
        elif old.revision > 0 and new.hold.verdict.final and new.hold.advice != old.hold.advice:
            events.append(_advised(item, new))
        if new != before:
            writes.append(new)
        current[hold.start_us] = new
    for old in stored:
        if old.id not in matched and not old.withdrawn:
            writes.append(replace(old, withdrawn=True))
            if old.revision > 0 and old.hold.verdict.final:
                events.append(_withdrawn(item, old))
    judgement.write_holds(conn, writes, now_us)
    judgement.add_revisions(conn, revisions)
    return current, events


def _match(stored: Sequence[StoredHold], holds: Sequence[HoldTest]) -> dict[int, StoredHold]:
    """Which stored hold is which, by start; else one that moved a little."""
    by_start = {old.hold.start_us: old for old in stored}
    matches = {hold.start_us: by_start[hold.start_us] for hold in holds if hold.start_us in by_start}
    taken = {old.id for old in matches.values()}
    left = [old for old in stored if old.id not in taken and not old.withdrawn]
    for hold in holds:
        if hold.start_us not in matches:
            near = [old for old in left if abs(old.hold.start_us - hold.start_us) <= MOVED_US]
            if near:
                matches[hold.start_us] = near[0]
                left.remove(near[0])
    return matches


def _updated(conn: Connection, item: Judged, old: StoredHold, hold: HoldTest) -> StoredHold:
    """The stored hold with the new verdict, and with its cause if there is a verdict to explain."""
    if not hold.verdict.final:
        return replace(old, hold=replace(hold, advice=advise(hold)), stale=False, withdrawn=False)
    known = old.hold.diagnosis
    until_us = causes.evidence_until_us(hold, item.view.phases, item.head_us)
    renew = (
        not old.hold.verdict.final
        or known is None
        or (hold.verdict, hold.start_us, hold.decided_us)
        != (old.hold.verdict, old.hold.start_us, old.hold.decided_us)
        or known.until_us != until_us
        or (old.stale and item.estimate)
    )
    diagnosis = causes.estimate(conn, item.setup, hold, until_us) if renew else known
    explained = causes.explained(hold, diagnosis)
    return replace(old, hold=explained, stale=old.stale and not renew, withdrawn=False)


def _revision(item: Judged, old: StoredHold, new: StoredHold, now_us: int) -> Revision | None:
    verdict = new.hold.verdict
    if old.revision == 0:
        because = FIRST
        if not verdict.final:
            return None
    else:
        because = item.because
        if not old.withdrawn and verdict == old.hold.verdict:
            if (cause_of(new.hold), urgency_of(new.hold)) == (cause_of(old.hold), urgency_of(old.hold)):
                return None
            if _seen_longer(old.hold, new.hold):
                because = MORE
    return Revision(old.id, old.revision + 1, new.hold, because, now_us)


def _seen_longer(old: HoldTest, new: HoldTest) -> bool:
    """Whether the same verdict's cause was estimated from a longer stretch."""
    before = None if old.diagnosis is None else old.diagnosis.until_us
    now = None if new.diagnosis is None else new.diagnosis.until_us
    return old.decided_us == new.decided_us and before is not None and now is not None and before < now


def cause_of(hold: HoldTest) -> Cause | None:
    """The estimated cause, if any."""
    return None if hold.diagnosis is None else hold.diagnosis.cause


def urgency_of(hold: HoldTest) -> Urgency | None:
    """How soon somebody is needed, if anybody knows."""
    return None if hold.advice is None else hold.advice.urgency


def _hold_data(stored: StoredHold) -> dict[str, object]:
    hold = stored.hold
    data: dict[str, object] = {
        "hold_test_id": stored.id,
        "start_us": hold.start_us,
        "verdict": hold.verdict,
        "reason": hold.reason,
        "revision": stored.revision,
        "by_valve": hold.by_valve,
    }
    if hold.diagnosis is not None:
        data |= {"cause": hold.diagnosis.cause, "probabilities": hold.diagnosis.probabilities}
    if hold.advice is not None:
        data |= {"urgency": hold.advice.urgency, "advice": [hold.advice.line, *hold.advice.steps]}
    return data


def _revised(item: Judged, stored: StoredHold, because: str) -> NewEvent:
    hold = stored.hold
    happened = hold.start_us if hold.decided_us is None else hold.decided_us
    text = f"{hold.text} {causes.named(hold.diagnosis)}" if because == MORE and hold.diagnosis else hold.text
    return _event(
        item,
        EventKind.HOLD_REVISED,
        happened,
        text,
        f"hold:{stored.id}",
        {**_hold_data(stored), "because": because},
    )


def _advised(item: Judged, stored: StoredHold) -> NewEvent:
    """Verdict, cause and urgency stay, and what is said to be done does not: the alert is to say it, too."""
    happened = stored.hold.start_us if stored.hold.decided_us is None else stored.hold.decided_us
    text = "What is advised about the hold was estimated anew."
    return _event(item, EventKind.HOLD_ADVISED, happened, text, f"hold:{stored.id}", _hold_data(stored))


def _withdrawn(item: Judged, old: StoredHold) -> NewEvent:
    data: dict[str, object] = {
        "hold_test_id": old.id,
        "start_us": old.hold.start_us,
        "verdict": None,
        "because": item.because,
    }
    text = "There was no such hold test, as the readings now show; what was said of it is withdrawn."
    return _event(item, EventKind.HOLD_REVISED, old.hold.start_us, text, f"hold:{old.id}", data)


# Facts ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class FactChanges:
    """How the known facts differ from those of a view."""

    appeared: tuple[Fact, ...]
    back: tuple[Fact, ...]
    changed: tuple[Fact, ...]
    vanished: tuple[Fact, ...]
    moved: tuple[tuple[Fact, Fact], ...]


def compare_facts(known: Sequence[tuple[Fact, bool]], facts: Sequence[Fact]) -> FactChanges:
    """Which facts are new, back again, told with better data, taken back, or moved a little."""
    old = {(fact.kind, fact.subject_us): (fact, live) for fact, live in known}
    new = {(fact.kind, fact.subject_us): fact for fact in facts}
    vanished = [fact for key, (fact, live) in old.items() if live and key not in new]
    appeared: list[Fact] = []
    moved: list[tuple[Fact, Fact]] = []
    for key, fact in new.items():
        if key in old:
            continue
        near = [
            gone
            for gone in vanished
            if gone.kind == fact.kind and abs(gone.subject_us - fact.subject_us) <= MOVED_US
        ]
        if near:
            moved.append((near[0], fact))
            vanished.remove(near[0])
        else:
            appeared.append(fact)
    return FactChanges(
        appeared=tuple(appeared),
        back=tuple(fact for key, fact in new.items() if key in old and not old[key][1]),
        changed=tuple(
            fact for key, fact in new.items() if key in old and old[key][1] and old[key][0] != fact
        ),
        vanished=tuple(vanished),
        moved=tuple(moved),
    )


def _facts(
    conn: Connection,
    item: Judged,
    known: Sequence[tuple[Fact, bool]],
    told_us: Mapping[tuple[int, str, int], int],
    holds: Mapping[int, StoredHold],
    now_us: int,
) -> list[NewEvent]:
    facts = [
        replace(fact, data=msgspec.to_builtins(fact.data))
        for fact in (*_life(item.setup, item.view), *item.view.facts)
    ]
    changes = compare_facts(known, facts)
    job = item.job_id
    # What was told, and how far it has moved since in all.
    told = [(new, told_us.get((job, old.kind, old.subject_us), old.subject_us)) for old, new in changes.moved]
    far = [new for new, at_us in told if abs(new.subject_us - at_us) > MOVED_US]
    judgement.write_facts(
        conn,
        [(job, fact) for fact in (*changes.appeared, *changes.back, *changes.changed)],
        [(job, fact) for fact in changes.vanished],
        [(job, old, new) for old, new in changes.moved],
        now_us,
    )
    judgement.note_told(
        conn, [(job, new, at_us) for new, at_us in told if 0 < abs(new.subject_us - at_us) <= MOVED_US]
    )
    # A verdict that is back after another one is news; that a pull-down is back is not.
    news = [*changes.appeared, *far, *(fact for fact in changes.back if fact.kind in NEWS_AGAIN)]
    return [_told(item, fact, holds) for fact in sorted(news, key=_order)]


def _order(fact: Fact) -> tuple[bool, int, int]:
    return (fact.kind != EventKind.JOB_OPENED, fact.time_us, fact.subject_us)


def _life(setup: Setup, view: View) -> list[Fact]:
    """What the rule made of the job itself: that it opened it, and closed it."""
    job = setup.job
    facts = []
    gauge_id = next((one.instrument_id for one in setup.assignments if one.deciding), None)
    if job.walk_up and gauge_id is not None:
        text = (
            f"Gauge {setup.labels[gauge_id]} fell below 50 kPa and belongs to no job: a walk-up job was "
            "opened. Give it its name, circuit and procedure."
        )
        data: dict[str, object] = {"walk_up": True, "instrument_id": gauge_id}
        facts.append(Fact(EventKind.JOB_OPENED, job.opened_us, job.opened_us, text, data))
    if job.closed_us is not None and setup.closed_by_rule:
        outcome = "finished" if view.evacuation == "finished" else "unproven"
        text = f"{job.title}: closed; the evacuation is {outcome}."
        data = {"evacuation": outcome}
        facts.append(Fact(EventKind.JOB_CLOSED, job.closed_us, job.closed_us, text, data))
    return facts


def _told(item: Judged, fact: Fact, holds: Mapping[int, StoredHold]) -> NewEvent:
    kind = EventKind(fact.kind)
    stored = holds.get(fact.subject_us) if kind not in ABOUT else None
    data: dict[str, object] = dict(fact.data)
    text, subject = fact.text, f"{ABOUT.get(kind, 'at')}:{fact.subject_us}"
    if stored is not None:
        data |= _hold_data(stored)
        subject = f"hold:{stored.id}"
        if kind in VERDICT_KINDS:
            text = stored.hold.text
    if kind is EventKind.EVACUATION_UNPROVEN:
        data |= _how_unproven(item.view)
    return _event(item, kind, fact.time_us, text, subject, data)


def _how_unproven(view: View) -> dict[str, object]:
    last = view.holds[-1].verdict if view.holds else None
    reached = any(fact.kind == EventKind.TARGET_REACHED for fact in view.facts)
    return {"target_reached": reached, "last_verdict": last}


def _event(
    item: Judged, kind: EventKind, happened_us: int, text: str, subject: str, data: dict[str, object]
) -> NewEvent:
    return NewEvent(
        kind=kind,
        happened_us=happened_us,
        text=text,
        subject=subject,
        site_id=item.setup.job.site_id,
        job_id=item.job_id,
        data=data,
    )


def running_phase(view: View) -> PhaseKind | None:
    """The phase that goes on, if any."""
    return view.phases[-1].kind if view.phases and view.phases[-1].end_us is None else None

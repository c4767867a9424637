"""The life of an alert, as pure functions over `model.alert.TRANSITIONS`.

Each takes the alert as it is and gives a `Change`, or None where nothing changes. What an event has done once
it does not do again: an alert remembers the latest event that changed it, and events come in order of ids.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from model.alert import Act, Alert, AlertState, Priority, after


@dataclass(frozen=True, slots=True)
class Told:
    """What a rule says to raise. Times [µs]."""

    key: str
    kind: str
    priority: Priority
    text: str
    action: str
    site_id: int | None
    job_id: int | None
    happened_us: int
    event_id: int
    anew: bool = False
    """Who has acknowledged the alert did so for what is no longer so: they are told as if it were new."""


@dataclass(frozen=True, slots=True)
class Change:
    """An alert as it is after an act, and the line for its history."""

    alert: Alert
    what: str
    note: str = ""
    worth_telling: bool = True
    """Whether people are notified, beyond what pages show."""


def tell(alert: Alert | None, told: Told, now_us: int) -> Change | None:
    """Raise, raise again, change or merely repeat.

    Parameters
    ----------
    alert : Alert or None
        The live alert of that key. None, or one that is over, makes a new one (with id 0).
    told : Told
        What holds now.
    now_us : int
        The clock [µs].
    """
    if alert is None or alert.state is AlertState.NORMAL:
        return Change(_new(told, now_us), "raised")
    if told.event_id <= alert.event_id:
        return None
    told_again = replace(
        alert,
        kind=told.kind,
        priority=told.priority,
        text=told.text,
        action=told.action,
        happened_us=told.happened_us,
        event_id=told.event_id,
        updated_us=now_us,
        count=alert.count + 1,
    )
    if not alert.state.active:
        state = after(alert.state, Act.RAISE)
        return Change(replace(told_again, state=state, raised_us=now_us, cleared_us=None), "raised-again")
    if told.priority.rank < alert.priority.rank:
        return Change(_unacknowledged(told_again), "changed", f"More urgent than before: {told.text}")
    if told.anew:
        return Change(_unacknowledged(told_again), "changed", told.text)
    if (told.kind, told.priority) != (alert.kind, alert.priority):
        return Change(told_again, "changed", told.text)
    return Change(told_again, "repeated", worth_telling=False)


def advise(alert: Alert, action: str, event_id: int, now_us: int) -> Change | None:
    """What to do about it was estimated anew; it is as urgent as before."""
    if event_id <= alert.event_id or not alert.state.active or action == alert.action:
        return None
    changed = replace(alert, action=action, event_id=event_id, updated_us=now_us)
    return Change(changed, "advised", worth_telling=False)


def clear(alert: Alert, reason: str, event_id: int, now_us: int) -> Change | None:
    """What it told holds no longer; ``reason`` is a sentence and is kept."""
    if event_id <= alert.event_id or not alert.state.active:
        return None
    cleared = replace(
        alert,
        state=after(alert.state, Act.CLEAR),
        text=f"{alert.text} Cleared: {reason}",
        event_id=event_id,
        updated_us=now_us,
        cleared_us=now_us,
    )
    return Change(cleared, "cleared", reason)


def acknowledge(alert: Alert, person: str, note: str, now_us: int) -> Change | None:
    """A person takes it. Of two who do, the first has it; the second's note is kept."""
    state = after(alert.state, Act.ACKNOWLEDGE)
    if state is alert.state:
        return add_note(alert, note, now_us)
    taken = replace(
        alert,
        state=state,
        updated_us=now_us,
        acknowledged_us=now_us,
        acknowledged_by=person,
        note=note or alert.note,
    )
    return Change(taken, "acknowledged", note, worth_telling=False)


def add_note(alert: Alert, note: str, now_us: int) -> Change | None:
    """A person writes something down; it changes no state."""
    if not note:
        return None
    return Change(replace(alert, note=note, updated_us=now_us), "note", note, worth_telling=False)


def _new(told: Told, now_us: int) -> Alert:
    return Alert(
        id=0,
        key=told.key,
        kind=told.kind,
        priority=told.priority,
        state=AlertState.ACTIVE_UNACKNOWLEDGED,
        text=told.text,
        action=told.action,
        site_id=told.site_id,
        job_id=told.job_id,
        raised_us=now_us,
        updated_us=now_us,
        cleared_us=None,
        acknowledged_us=None,
        acknowledged_by=None,
        note="",
        count=1,
        happened_us=told.happened_us,
        event_id=told.event_id,
    )


def _unacknowledged(alert: Alert) -> Alert:
    return replace(alert, state=after(alert.state, Act.WORSEN), acknowledged_us=None, acknowledged_by=None)

"""The life of an alert, as pure functions over `model.alert.TRANSITIONS`.

Each takes the alert as it is and gives a `Change`, or None where nothing changes. What an event has done once
it does not do again: an alert remembers the latest event that changed it, and events come in order of ids.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from model.alert import Act, Alert, AlertState, Held, How, Priority, after


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
    instrument: str | None = None


@dataclass(frozen=True, slots=True)
class Change:
    """An alert as it is after an act, and the line for its history."""

    alert: Alert
    what: str
    note: str = ""
    worth_telling: bool = True
    """Whether it is news, beyond what pages show; who is told of it, and when, `desk.core.pipeline` says."""


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
        raised = replace(
            _news(told_again),
            state=after(alert.state, Act.RAISE),
            raised_us=now_us,
            cleared_us=None,
            turns=alert.turns + 1,
        )
        return Change(raised, "raised-again")
    if told.priority.rank < alert.priority.rank:
        worse = _unacknowledged(_news(told_again), Act.WORSEN)
        return Change(worse, "changed", f"More urgent than before: {told.text}")
    if told.anew:
        return Change(_unacknowledged(_news(told_again), Act.WORSEN), "changed", told.text)
    if (told.kind, told.priority) != (alert.kind, alert.priority):
        return Change(_news(told_again), "changed", told.text)
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


def hold(alert: Alert, held: Held | None, now_us: int) -> Change | None:
    """Hold it back, hold it back otherwise, or let it be told again (None).

    What is still active when shelving ends is told anew, and must be acknowledged anew: somebody put off
    looking. When the design or a repair ends what held it, who had acknowledged it has it still.
    """
    was = alert.held
    if held == was:
        return None
    freed = was is not None and (held is None or held.how is not was.how)
    now = replace(alert, held=held, updated_us=now_us)
    if freed and was is not None and was.how is How.SHELVED and alert.state.active:
        now = _unacknowledged(now, Act.RETURN)
    is_news = freed and now.state is AlertState.ACTIVE_UNACKNOWLEDGED
    if is_news:
        now = _news(now)
    if held is not None:
        return Change(now, held.how.value, held.because, worth_telling=False)
    return Change(now, "returned", FREED[was.how] if was is not None else "", worth_telling=is_news)


FREED = {
    How.OUT_OF_SERVICE: "Back in service.",
    How.SUPPRESSED: "No longer suppressed.",
    How.SHELVED: "No longer shelved.",
}


def _news(alert: Alert) -> Alert:
    return replace(alert, edition=alert.edition + 1)


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
        instrument=told.instrument,
    )


def _unacknowledged(alert: Alert, act: Act) -> Alert:
    return replace(alert, state=after(alert.state, act), acknowledged_us=None, acknowledged_by=None)

"""The life of an alert: each transition by name, and all of them against a plain model."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from desk.core import life
from desk.core.life import Change, Told
from model.alert import TRANSITIONS, Act, Alert, AlertState, Priority, after

UNACKNOWLEDGED = AlertState.ACTIVE_UNACKNOWLEDGED
ACKNOWLEDGED = AlertState.ACTIVE_ACKNOWLEDGED
CLEARED = AlertState.CLEARED_UNACKNOWLEDGED
NORMAL = AlertState.NORMAL


def told(event_id: int = 1, priority: Priority = Priority.MEDIUM, kind: str = "hold-inconclusive") -> Told:
    return Told(
        key="job:1/hold:a",
        kind=kind,
        priority=priority,
        text=f"Fact {event_id}.",
        action="Do something.",
        site_id=1,
        job_id=1,
        happened_us=event_id,
        event_id=event_id,
    )


def known(change: Change | None) -> Alert:
    """The alert after a change that must have been one, as the store would give it back."""
    assert change is not None
    return replace(change.alert, id=1)


def in_state(state: AlertState) -> Alert:
    alert = known(life.tell(None, told(), 100))
    if state in (ACKNOWLEDGED, NORMAL):
        alert = known(life.acknowledge(alert, "Ada", "", 110))
    if state in (CLEARED, NORMAL):
        alert = known(life.clear(alert, "it went away.", 2, 120))
    assert alert.state is state
    return alert


def test_first_telling_raises_active_unacknowledged() -> None:
    change = life.tell(None, told(), 100)
    assert change is not None
    assert (change.what, change.worth_telling) == ("raised", True)
    alert = change.alert
    assert (alert.state, alert.raised_us, alert.happened_us, alert.count) == (UNACKNOWLEDGED, 100, 1, 1)


@pytest.mark.parametrize("state", [UNACKNOWLEDGED, ACKNOWLEDGED])
def test_repetition_counts_and_keeps_the_state_and_notifies_nobody(state: AlertState) -> None:
    before = in_state(state)
    change = life.tell(before, told(5), 200)
    assert change is not None
    assert (change.what, change.worth_telling) == ("repeated", False)
    assert (change.alert.state, change.alert.count, change.alert.raised_us) == (state, 2, before.raised_us)
    assert change.alert.text == "Fact 5."


@pytest.mark.parametrize("state", [UNACKNOWLEDGED, ACKNOWLEDGED, CLEARED])
def test_same_event_twice_changes_nothing(state: AlertState) -> None:
    alert = in_state(state)
    assert life.tell(alert, told(alert.event_id), 200) is None
    assert life.clear(alert, "again.", alert.event_id, 200) is None


@pytest.mark.parametrize("state", [UNACKNOWLEDGED, ACKNOWLEDGED])
def test_more_urgent_fact_must_be_acknowledged_anew(state: AlertState) -> None:
    change = life.tell(in_state(state), told(5, Priority.URGENT, "hold-failed"), 200)
    assert change is not None
    assert (change.what, change.worth_telling) == ("changed", True)
    alert = change.alert
    assert (alert.state, alert.kind, alert.priority) == (UNACKNOWLEDGED, "hold-failed", Priority.URGENT)
    assert (alert.acknowledged_us, alert.acknowledged_by) == (None, None)


def test_less_urgent_fact_is_told_and_stays_acknowledged() -> None:
    change = life.tell(in_state(ACKNOWLEDGED), told(5, Priority.LOW, "other"), 200)
    assert change is not None
    assert (change.what, change.worth_telling) == ("changed", True)
    assert (change.alert.state, change.alert.priority) == (ACKNOWLEDGED, Priority.LOW)


def test_clearing_an_unacknowledged_alert_keeps_it_in_sight() -> None:
    change = life.clear(in_state(UNACKNOWLEDGED), "late readings proved it tight.", 2, 200)
    assert change is not None
    assert (change.what, change.worth_telling) == ("cleared", True)
    assert (change.alert.state, change.alert.cleared_us) == (CLEARED, 200)
    assert change.alert.text == "Fact 1. Cleared: late readings proved it tight."


def test_clearing_an_acknowledged_alert_ends_it() -> None:
    assert known(life.clear(in_state(ACKNOWLEDGED), "done.", 2, 200)).state is NORMAL


@pytest.mark.parametrize("state", [CLEARED, NORMAL])
def test_clearing_what_is_cleared_changes_nothing(state: AlertState) -> None:
    assert life.clear(in_state(state), "again.", 9, 200) is None


def test_cleared_alert_told_again_is_active_again() -> None:
    change = life.tell(in_state(CLEARED), told(5), 200)
    assert change is not None
    assert (change.what, change.worth_telling) == ("raised-again", True)
    alert = change.alert
    assert (alert.state, alert.raised_us, alert.cleared_us, alert.count) == (UNACKNOWLEDGED, 200, None, 2)
    assert "Cleared" not in alert.text


def test_alert_that_is_over_told_again_is_a_new_one() -> None:
    change = life.tell(in_state(NORMAL), told(5), 200)
    assert change is not None
    assert (change.what, change.alert.id, change.alert.count) == ("raised", 0, 1)


def test_acknowledging_an_active_alert() -> None:
    alert = known(life.acknowledge(in_state(UNACKNOWLEDGED), "Ada", "On my way.", 200))
    assert (alert.state, alert.acknowledged_by, alert.acknowledged_us) == (ACKNOWLEDGED, "Ada", 200)
    assert alert.note == "On my way."


def test_acknowledging_a_cleared_alert_ends_it() -> None:
    assert known(life.acknowledge(in_state(CLEARED), "Ada", "", 200)).state is NORMAL


@pytest.mark.parametrize("state", [ACKNOWLEDGED, NORMAL])
def test_second_acknowledgement_keeps_the_first_person_and_the_second_note(state: AlertState) -> None:
    alert = in_state(state)
    assert life.acknowledge(alert, "Ben", "", 200) is None
    noted = known(life.acknowledge(alert, "Ben", "Me too.", 200))
    assert (noted.acknowledged_by, noted.note, noted.state) == ("Ada", "Me too.", state)


@pytest.mark.parametrize("state", list(AlertState))
def test_note_changes_no_state(state: AlertState) -> None:
    noted = known(life.add_note(in_state(state), "Door code at the gate.", 200))
    assert (noted.state, noted.note) == (state, "Door code at the gate.")
    assert life.add_note(noted, "", 201) is None


def test_table_of_transitions_is_that_of_the_standard() -> None:
    # ISA-18.2 / IEC 62682 alarm state diagram (from memory of its picture): unacknowledged alarm,
    # acknowledged alarm, returned to normal unacknowledged, normal. WORSEN is our own.
    active = {state for state in AlertState if state.active}
    assert active == {UNACKNOWLEDGED, ACKNOWLEDGED}
    assert after(UNACKNOWLEDGED, Act.CLEAR) is CLEARED
    assert after(UNACKNOWLEDGED, Act.ACKNOWLEDGE) is ACKNOWLEDGED
    assert after(ACKNOWLEDGED, Act.CLEAR) is NORMAL
    assert after(CLEARED, Act.ACKNOWLEDGE) is NORMAL
    assert after(CLEARED, Act.RAISE) is UNACKNOWLEDGED
    assert not [state for state, _ in TRANSITIONS if state is NORMAL]


class AlertLife(RuleBasedStateMachine):
    """Against the plainest model there is: two flags, a priority and a counter."""

    def __init__(self) -> None:
        super().__init__()
        self.alert: Alert | None = None
        self.event_id = 0
        self.now = 0
        # The model
        self.there = False
        self.active = False
        self.acknowledged = False
        self.priority = Priority.LOW
        self.count = 0
        self.born = 0

    def took(self, change: Change | None) -> Change | None:
        if change is not None:
            self.born += change.alert.id == 0
            self.alert = replace(change.alert, id=self.born)
        return change

    def over(self) -> bool:
        return not self.there or (not self.active and self.acknowledged)

    @rule(priority=st.sampled_from(Priority))
    def tell(self, priority: Priority) -> None:
        self.event_id += 1
        self.now += 1
        change = self.took(life.tell(self.alert, told(self.event_id, priority), self.now))
        assert change is not None
        fresh = self.over()
        was_active = self.active and not fresh
        news = not was_active or priority is not self.priority
        assert change.worth_telling == news
        if fresh or not was_active or priority.rank < self.priority.rank:
            self.acknowledged = False
        self.count = 1 if fresh else self.count + 1
        self.there, self.active, self.priority = True, True, priority

    @rule()
    def tell_the_same_event_again(self) -> None:
        if self.alert is not None and not self.over():
            assert life.tell(self.alert, told(self.alert.event_id, Priority.URGENT), self.now + 1) is None

    @rule()
    def clear(self) -> None:
        if self.alert is None:
            return
        self.event_id += 1
        self.now += 1
        change = self.took(life.clear(self.alert, "over.", self.event_id, self.now))
        assert (change is not None) == self.active
        self.active = False

    @rule(note=st.sampled_from(["", "Noted."]))
    def acknowledge(self, note: str) -> None:
        if self.alert is None:
            return
        self.now += 1
        change = self.took(life.acknowledge(self.alert, "Ada", note, self.now))
        assert (change is not None) == (not self.acknowledged or bool(note))
        self.acknowledged = True

    @invariant()
    def agrees_with_the_model(self) -> None:
        if self.alert is None:
            assert not self.there
            return
        assert self.alert.state.active == self.active
        assert self.alert.state.acknowledged == self.acknowledged
        assert self.alert.priority is self.priority
        assert self.alert.count == self.count
        assert (self.alert.cleared_us is None) == self.active
        assert (self.alert.acknowledged_us is not None) == self.acknowledged


TestAlertLife = AlertLife.TestCase


@pytest.mark.parametrize("state", [UNACKNOWLEDGED, ACKNOWLEDGED])
def test_another_advice_changes_what_to_do_and_notifies_nobody(state: AlertState) -> None:
    alert = in_state(state)
    change = life.advise(alert, "Do something else.", 5, 200)
    assert change is not None
    assert change.alert == replace(alert, action="Do something else.", event_id=5, updated_us=200)
    assert not change.worth_telling
    assert life.advise(change.alert, "Do something else.", 6, 300) is None


@pytest.mark.parametrize("state", [CLEARED, NORMAL])
def test_another_advice_raises_nothing_that_is_over(state: AlertState) -> None:
    assert life.advise(in_state(state), "Do something else.", 5, 200) is None

"""Alerts: what asks somebody to act. States after ISA-18.2 and OPC UA Part 9."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum


class Priority(StrEnum):
    """How soon somebody must act; what asks for no action is an event, not an alert."""

    URGENT = "urgent"
    HIGH = "high"
    MEDIUM = "medium"
    LOW = "low"

    @property
    def rank(self) -> int:
        """0 for the most urgent."""
        return list(Priority).index(self)


class AlertState(StrEnum):
    """Active or cleared × acknowledged or not; the ways between them are `TRANSITIONS`."""

    ACTIVE_UNACKNOWLEDGED = "active-unacknowledged"
    ACTIVE_ACKNOWLEDGED = "active-acknowledged"
    CLEARED_UNACKNOWLEDGED = "cleared-unacknowledged"
    NORMAL = "normal"
    """Over: cleared and acknowledged. The same thing told again makes a new alert."""

    @property
    def active(self) -> bool:
        """Whether what it tells still holds."""
        return self in (AlertState.ACTIVE_UNACKNOWLEDGED, AlertState.ACTIVE_ACKNOWLEDGED)

    @property
    def acknowledged(self) -> bool:
        """Whether somebody has taken it."""
        return self in (AlertState.ACTIVE_ACKNOWLEDGED, AlertState.NORMAL)


class Act(StrEnum):
    """What moves an alert from state to state."""

    RAISE = "raise"
    WORSEN = "worsen"
    """It became more urgent: who acknowledged the lesser one must look again."""
    CLEAR = "clear"
    ACKNOWLEDGE = "acknowledge"


TRANSITIONS: Mapping[tuple[AlertState, Act], AlertState] = {
    (AlertState.ACTIVE_UNACKNOWLEDGED, Act.CLEAR): AlertState.CLEARED_UNACKNOWLEDGED,
    (AlertState.ACTIVE_UNACKNOWLEDGED, Act.ACKNOWLEDGE): AlertState.ACTIVE_ACKNOWLEDGED,
    (AlertState.ACTIVE_ACKNOWLEDGED, Act.CLEAR): AlertState.NORMAL,
    (AlertState.ACTIVE_ACKNOWLEDGED, Act.WORSEN): AlertState.ACTIVE_UNACKNOWLEDGED,
    (AlertState.CLEARED_UNACKNOWLEDGED, Act.RAISE): AlertState.ACTIVE_UNACKNOWLEDGED,
    (AlertState.CLEARED_UNACKNOWLEDGED, Act.ACKNOWLEDGE): AlertState.NORMAL,
}
"""Where an act leads; what is not listed leaves the state as it is. A first raise begins at
active-unacknowledged, and nothing leaves normal."""


def after(state: AlertState, act: Act) -> AlertState:
    """The state after an act."""
    return TRANSITIONS.get((state, act), state)


@dataclass(frozen=True, slots=True)
class Alert:
    """One alert, as a dispatcher sees it. Times [µs]."""

    id: int
    key: str
    """Identity by what it is about, so that a repeated fact updates instead of adding."""
    kind: str
    priority: Priority
    state: AlertState
    text: str
    action: str
    """What somebody should do."""
    site_id: int | None
    job_id: int | None
    raised_us: int
    """When we said so."""
    updated_us: int
    cleared_us: int | None
    acknowledged_us: int | None
    acknowledged_by: str | None
    """Name of the person."""
    note: str
    """The latest note of a person."""
    count: int
    """How many times it was told."""
    happened_us: int
    """Event time of the fact behind it, which late readings may put hours before ``raised_us``."""
    event_id: int
    """The latest event that changed it."""


@dataclass(frozen=True, slots=True)
class AlertEntry:
    """One line of an alert's history."""

    at_us: int
    what: str
    """raised, raised-again, changed, repeated, cleared, acknowledged or note."""
    state: AlertState
    person: str | None
    event_id: int | None
    note: str

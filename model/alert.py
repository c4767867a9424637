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
    RETURN = "return"
    """Its shelving is over and it still holds: who acknowledged it before must look again."""


TRANSITIONS: Mapping[tuple[AlertState, Act], AlertState] = {
    (AlertState.ACTIVE_UNACKNOWLEDGED, Act.CLEAR): AlertState.CLEARED_UNACKNOWLEDGED,
    (AlertState.ACTIVE_UNACKNOWLEDGED, Act.ACKNOWLEDGE): AlertState.ACTIVE_ACKNOWLEDGED,
    (AlertState.ACTIVE_ACKNOWLEDGED, Act.CLEAR): AlertState.NORMAL,
    (AlertState.ACTIVE_ACKNOWLEDGED, Act.WORSEN): AlertState.ACTIVE_UNACKNOWLEDGED,
    (AlertState.ACTIVE_ACKNOWLEDGED, Act.RETURN): AlertState.ACTIVE_UNACKNOWLEDGED,
    (AlertState.CLEARED_UNACKNOWLEDGED, Act.RAISE): AlertState.ACTIVE_UNACKNOWLEDGED,
    (AlertState.CLEARED_UNACKNOWLEDGED, Act.ACKNOWLEDGE): AlertState.NORMAL,
}
"""Where an act leads; what is not listed leaves the state as it is. A first raise begins at
active-unacknowledged, and nothing leaves normal."""


def after(state: AlertState, act: Act) -> AlertState:
    """The state after an act."""
    return TRANSITIONS.get((state, act), state)


class How(StrEnum):
    """How an alert is held back: a state beside `AlertState`, as in ISA-18.2 and OPC UA Part 9."""

    OUT_OF_SERVICE = "out-of-service"
    """What it is about was taken out of service by a person, until it is put back."""
    SUPPRESSED = "suppressed"
    """By design, as long as a state of the site or of a gateway lasts."""
    SHELVED = "shelved"
    """By a person, with a time limit."""


@dataclass(frozen=True, slots=True)
class Held:
    """Why nobody is told of an alert that is active. It is shown and kept all the same."""

    how: How
    because: str
    """For people: a sentence without its full stop."""
    until_us: int | None = None
    """It ends by itself then at the latest [µs]."""


NEVER_HELD = frozenset({"pump-stopped-open", "opening-unsafe"})
"""Kinds that are told whatever else is so: air and oil are being drawn into the circuit, minutes count, and
whoever is at the site may not know. They can be acknowledged, not put aside."""


class Answer(StrEnum):
    """What somebody says when asked whether an alert was right."""

    YES = "yes"
    NO = "no"
    CANNOT_SAY = "cannot-say"


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
    instrument: str | None = None
    """``gateway/name`` of the one instrument that it is about."""
    held: Held | None = None
    edition: int = 1
    """How many times it had something new to tell; see `desk.core.pipeline`."""
    turns: int = 1
    """How many times it was raised since it began."""


@dataclass(frozen=True, slots=True)
class AlertEntry:
    """One line of an alert's history."""

    at_us: int
    what: str
    """raised, raised-again, changed, advised, repeated, cleared, acknowledged, note; shelved, unshelved,
    suppressed, out-of-service or returned."""
    state: AlertState
    person: str | None
    event_id: int | None
    note: str

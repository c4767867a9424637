"""Alerts: what asks somebody to act. States after ISA-18.2 and OPC UA Part 9."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Priority(StrEnum):
    """How soon somebody must act; what asks for no action is an event, not an alert."""

    URGENT = "urgent"
    HIGH = "high"
    MEDIUM = "medium"
    LOW = "low"


class AlertState(StrEnum):
    """Active or cleared × acknowledged or not.

    Transitions: raise → active-unacknowledged; acknowledge: active-unacknowledged → active-acknowledged,
    cleared-unacknowledged → normal; clear: active-unacknowledged → cleared-unacknowledged,
    active-acknowledged → normal; raise again: cleared-unacknowledged → active-unacknowledged.
    """

    ACTIVE_UNACKNOWLEDGED = "active-unacknowledged"
    ACTIVE_ACKNOWLEDGED = "active-acknowledged"
    CLEARED_UNACKNOWLEDGED = "cleared-unacknowledged"
    NORMAL = "normal"


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
    updated_us: int
    cleared_us: int | None
    acknowledged_us: int | None
    acknowledged_by: str | None
    note: str
    count: int

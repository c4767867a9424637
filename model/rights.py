"""Who may do what: one table, and nothing else decides it."""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum


class Role(StrEnum):
    """What a person is in the company."""

    TECHNICIAN = "technician"
    DISPATCHER = "dispatcher"
    MANAGER = "manager"
    ADMINISTRATOR = "administrator"


class Right(StrEnum):
    """Something that not everybody may do."""

    LOOK = "look"
    """See jobs, readings, judgements, alerts and equipment."""
    ACKNOWLEDGE = "acknowledge"
    """Take an alert; write a note beside it."""
    ORDER = "order"
    """Close a valve from afar."""
    JOBS = "jobs"
    """Open, name, change and merge jobs; say which instrument serves which job."""
    EQUIPMENT = "equipment"
    """Sites, circuits, crews, instruments."""
    PROCEDURES = "procedures"
    """Make and change procedures."""
    GATEWAYS = "gateways"
    """Give, change and take away gateways' credentials."""
    QUARANTINE = "quarantine"
    """See refused messages as they came."""
    PEOPLE = "people"
    """Invite, change and disable people; end their sessions; make tokens for machines."""
    METRICS = "metrics"
    """Read the service's own measurements."""


_TECHNICIAN = frozenset({Right.LOOK, Right.ACKNOWLEDGE, Right.ORDER, Right.JOBS})
_DISPATCHER = _TECHNICIAN | {Right.EQUIPMENT, Right.QUARANTINE}
_MANAGER = _DISPATCHER | {Right.PROCEDURES, Right.GATEWAYS}

RIGHTS: Mapping[Role, frozenset[Right]] = {
    Role.TECHNICIAN: _TECHNICIAN,
    Role.DISPATCHER: _DISPATCHER,
    Role.MANAGER: _MANAGER,
    Role.ADMINISTRATOR: frozenset(Right),
}

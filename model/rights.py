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
    """Something that not everybody may do; `MEANING` says what."""

    OWN = "own"
    LOOK = "look"
    ACKNOWLEDGE = "acknowledge"
    ORDER = "order"
    JOBS = "jobs"
    EQUIPMENT = "equipment"
    PROCEDURES = "procedures"
    GATEWAYS = "gateways"
    QUARANTINE = "quarantine"
    METRICS = "metrics"
    PEOPLE = "people"
    OPENING = "opening"
    TELLING = "telling"


MEANING: Mapping[Right, str] = {
    Right.OWN: "change your own password, sessions and choices",
    Right.LOOK: "see jobs, readings, judgements, alerts and equipment",
    Right.ACKNOWLEDGE: "take alerts and write notes beside them",
    Right.ORDER: "close a valve from afar, and open it at a site where you are named",
    Right.JOBS: "open, name, change and merge jobs, write notes, say which instrument serves which and "
    "where, and which gauge is suspect",
    Right.EQUIPMENT: "set up sites, circuits, crews and instruments",
    Right.PROCEDURES: "make and change procedures",
    Right.GATEWAYS: "give, change and take away the credentials of gateways",
    Right.QUARANTINE: "see refused messages as they came",
    Right.METRICS: "read the service's own measurements",
    Right.PEOPLE: "invite, change and disable people, end their sessions and make tokens",
    Right.OPENING: "turn opening from afar on at a site and name who may",
    Right.TELLING: "choose over which channels Dispatch is told, and when the mornings come",
}
"""What each right lets somebody do; reads after "to"."""

_TECHNICIAN = frozenset({Right.OWN, Right.LOOK, Right.ACKNOWLEDGE, Right.ORDER, Right.JOBS})
_DISPATCHER = _TECHNICIAN | {Right.EQUIPMENT, Right.QUARANTINE}
_MANAGER = _DISPATCHER | {Right.PROCEDURES, Right.GATEWAYS, Right.TELLING}

RIGHTS: Mapping[Role, frozenset[Right]] = {
    Role.TECHNICIAN: _TECHNICIAN,
    Role.DISPATCHER: _DISPATCHER,
    Role.MANAGER: _MANAGER,
    Role.ADMINISTRATOR: frozenset(Right),
}

SCOPES: frozenset[Right] = frozenset(Right) - {Right.OWN, Right.PEOPLE, Right.OPENING, Right.TELLING}
"""What a machine's token may be given. A machine has no password or session of its own, and a token that
could make tokens or reset passwords could give itself every right. That valves may be opened from afar is
decided by a person who has read the risks. An address to which this server sends is entered by one, too."""

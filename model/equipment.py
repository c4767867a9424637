"""Sites, circuits, crews, gateways and instruments, as registered."""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum

from model.errors import BadInput

NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,38}[a-z0-9]")
"""Names of gateways and instruments: they stand in MQTT topics, so nothing else is safe there."""


def check_name(name: str, what: str) -> str:
    """Return ``name`` if a gateway or an instrument may be called so, else raise `BadInput`."""
    if not NAME.fullmatch(name):
        raise BadInput(
            f"{name!r} cannot name a {what}: use 2 to 40 small letters, digits and hyphens, "
            "beginning and ending with a letter or digit.",
            field="name",
        )
    return name


class Role(StrEnum):
    """What an instrument is."""

    GAUGE = "gauge"
    VALVE = "valve"
    PUMP = "pump"
    THERMOMETER = "thermometer"


class Position(StrEnum):
    """On which side of the isolation valve an instrument sits."""

    CIRCUIT = "circuit"
    PUMP = "pump"


@dataclass(frozen=True, slots=True)
class Site:
    """A place where work is done."""

    id: int
    name: str
    time_zone: str
    place: str


@dataclass(frozen=True, slots=True)
class Circuit:
    """A refrigeration circuit; ``volume_m3`` as entered by a crew, ±30 % at best."""

    id: int
    site_id: int
    name: str
    volume_m3: float | None
    refrigerant: str | None
    oil: str | None


@dataclass(frozen=True, slots=True)
class Crew:
    """People who work together."""

    id: int
    name: str


@dataclass(frozen=True, slots=True)
class Gateway:
    """A device that sends the readings of instruments at a site."""

    id: int
    name: str
    site_id: int
    revoked: bool


@dataclass(frozen=True, slots=True)
class Instrument:
    """A gauge, valve, pump or thermometer.

    Parameters
    ----------
    unit : str
        Unit in which its pressures may come beside Pa, hPa and kPa.
    range_low_pa, range_high_pa : float or None
        Range of a gauge [Pa].
    accuracy : float
        Share of the reading, for example 0.1.
    interval_s : float
        Registered reporting interval [s].
    """

    id: int
    gateway_id: int
    name: str
    role: Role
    position: Position
    principle: str
    unit: str
    range_low_pa: float | None
    range_high_pa: float | None
    accuracy: float
    interval_s: float
    serial: str

"""Sites, circuits, crews, gateways and instruments, as registered."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from enum import StrEnum
from zoneinfo import ZoneInfo

from model.errors import BadFields, BadInput
from model.rig import pump_errors
from model.texts import LONGEST_NAME, LONGEST_WORDS, check_text
from physics.units import pressure_unit

NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,38}[a-z0-9]")
"""Names of gateways and instruments: they stand in MQTT topics, so nothing else is safe there."""
OURS = "holdfast"
"""What the logins of our own processes at a broker begin with; a gateway's name is its login there."""

ZERO_OFFSET_PA = 0.267
"""2 micron: a zero offset that a gauge may have beside its accuracy (trade page)."""


def is_ours(gateway: str) -> bool:
    """Whether a broker would take the login of a gateway of that name for one of our own processes."""
    return gateway == OURS or gateway.startswith(f"{OURS}-")


def check_name(name: str, what: str) -> str:
    """Return ``name`` if a gateway or an instrument may be called so, else raise `BadInput`."""
    if what == "gateway" and is_ours(name):
        raise BadInput(
            f"A gateway's name is not {OURS} and does not begin with {OURS}-: our own processes log in so.",
            field="name",
        )
    if not NAME.fullmatch(name):
        raise BadInput(
            f"{name!r} cannot name {'an' if what[0] in 'aeiou' else 'a'} {what}: use 2 to 40 small letters, "
            "digits and hyphens, beginning and ending with a letter or digit.",
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
    pump_m3_s, ultimate_pa : float or None
        Rated pumping speed [m³/s] and ultimate pressure [Pa] of a pump.
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
    pump_m3_s: float | None = None
    ultimate_pa: float | None = None


LARGEST_VOLUME_M3 = 10_000.0
HIGHEST_RANGE_PA = 1.5e6
"""What is above is refused as a reading too (the outside contract)."""
LONGEST_INTERVAL_S = 86_400.0


def check_site(name: str, time_zone: str, place: str) -> tuple[str, str, str]:
    """Name, time zone and place if a site may have them, else raise `BadFields`."""
    errors: dict[str, str] = {}
    name = _text(errors, name, "name", needed="A site needs a name.")
    place = _text(errors, place, "place", longest=LONGEST_WORDS)
    time_zone = time_zone.strip()
    try:
        ZoneInfo(time_zone)
    except (ValueError, OSError, KeyError):
        errors["time_zone"] = f"{time_zone!r} is no time zone; use a name such as Europe/Berlin."
    _raise(errors)
    return name, time_zone, place


def check_circuit(
    name: str, volume_m3: float | None, refrigerant: str | None, oil: str | None
) -> tuple[str, float | None, str | None, str | None]:
    """What a circuit may have, else raise `BadFields`."""
    errors: dict[str, str] = {}
    name = _text(errors, name, "name", needed="A circuit needs a name.")
    words = [_text(errors, text or "", field) for text, field in ((refrigerant, "refrigerant"), (oil, "oil"))]
    if volume_m3 is not None and not 0 < volume_m3 < LARGEST_VOLUME_M3:
        errors["volume"] = "The volume must lie above zero and below 10,000 m³."
    _raise(errors)
    return name, volume_m3, words[0] or None, words[1] or None


def check_crew(name: str) -> str:
    """The name if a crew may have it, else raise `BadFields`."""
    errors: dict[str, str] = {}
    name = _text(errors, name, "name", needed="A crew needs a name.")
    _raise(errors)
    return name


@dataclass(frozen=True, slots=True)
class Properties:
    """What of an instrument can be changed; see `Instrument`."""

    role: Role
    position: Position = Position.CIRCUIT
    principle: str = ""
    unit: str = "Pa"
    range_low_pa: float | None = None
    range_high_pa: float | None = None
    accuracy: float = 0.1
    interval_s: float = 10.0
    serial: str = ""
    pump_m3_s: float | None = None
    ultimate_pa: float | None = None

    def checked(self) -> Properties:
        """These, with texts trimmed and the unit's usual symbol; raises `BadFields`."""
        errors: dict[str, str] = {}
        principle = _text(errors, self.principle, "principle")
        serial = _text(errors, self.serial, "serial")
        unit = self.unit
        try:
            unit = pressure_unit(self.unit)
        except ValueError as error:
            errors["unit"] = f"{error}."
        if not 0 < self.interval_s <= LONGEST_INTERVAL_S:
            errors["interval"] = "The reporting interval must lie above zero and be a day at most."
        if not 0 <= self.accuracy < 1:
            errors["accuracy"] = "The accuracy is a share of the reading, such as 10 % or 0.1."
        low, high = self.range_low_pa, self.range_high_pa
        for field, value in (("range_low", low), ("range_high", high)):
            if value is not None and not (
                math.isfinite(value) and -HIGHEST_RANGE_PA < value <= HIGHEST_RANGE_PA
            ):
                errors[field] = "A range lies between vacuum and 1.5 MPa, absolute."
        if (
            low is not None
            and high is not None
            and low >= high
            and not errors.keys() & {"range_low", "range_high"}
        ):
            errors["range_low"] = "The range must begin below its end."
        errors |= self._pump_errors()
        _raise(errors)
        return replace(self, principle=principle, unit=unit, serial=serial)

    def _pump_errors(self) -> dict[str, str]:
        if self.role is Role.PUMP:
            return pump_errors(self.pump_m3_s, self.ultimate_pa, "speed")
        rated = {"speed": self.pump_m3_s, "ultimate": self.ultimate_pa}
        return {
            field: f"Only a pump has this; the role is {self.role}."
            for field, value in rated.items()
            if value is not None
        }


JUDGED = {
    "role": "role",
    "position": "side",
    "range_low_pa": "range",
    "range_high_pa": "range",
    "accuracy": "accuracy",
    "interval_s": "interval",
}
"""What of an instrument the judgement looks at, and its word: a change judges its jobs again."""


def _text(
    errors: dict[str, str], value: str, field: str, *, needed: str = "", longest: int = LONGEST_NAME
) -> str:
    try:
        value = check_text(value, field, longest=longest)
    except BadInput as error:
        errors[field] = str(error)
        return ""
    if needed and not value:
        errors[field] = needed
    return value


def _raise(errors: dict[str, str]) -> None:
    if errors:
        raise BadFields(errors)

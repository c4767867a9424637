"""Quantities at the edge: figures in the units that were asked for, times with their offset."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated

from fastapi import Depends, Query, Request
from pydantic import AwareDatetime, BaseModel, Field

from api.asked import Asked
from api.figures import Figures
from api.reader import figures_of
from api.sentences import TextFigure, tell
from model.clock import to_datetime
from model.errors import BadInput
from model.quantities import FLOW_M3_S, LENGTH_M
from physics.units import (
    CUBIC_FOOT_M3,
    LITRE_M3,
    PRESSURE_UNITS,
    from_pascal,
    pressure_unit,
    to_celsius,
    to_fahrenheit,
    to_pascal,
)

TEMPERATURES = {"k": "K", "°c": "°C", "c": "°C", "cel": "°C", "°f": "°F", "f": "°F"}
"""Units of temperature by what may be written for them."""

VOLUMES = {"m³": "m³", "m3": "m³", "l": "L", "ft³": "ft³", "ft3": "ft³"}
"""Units of volume by what may be written for them."""

FLOWS = {"m³": "m³/s", "L": "L/s", "ft³": "cfm"}
LENGTHS = {"m³": ("m", "m"), "L": ("mm", "m"), "ft³": ("in", "ft")}
"""Units of pumping speeds, and of a hose's bore and length, for readers of each unit of volume."""

CUBIC_METRES = {"m³": 1.0, "L": LITRE_M3, "ft³": CUBIC_FOOT_M3}


class Pressure(Asked):
    """An absolute pressure."""

    value: float = Field(description="Absolute pressure in `unit`.", examples=[500.0])
    unit: str = Field(description=f"One of {', '.join(PRESSURE_UNITS)}.", examples=["micron"])

    def pascal(self, field: str) -> float:
        """In pascal; raises `BadInput` for an unknown unit."""
        try:
            return to_pascal(self.value, pressure_unit(self.unit))
        except ValueError as error:
            raise BadInput(f"{error}.", field=f"{field}.unit") from error


class Temperature(BaseModel):
    """A temperature."""

    value: float
    unit: str = Field(description="K, °C or °F.", examples=["K"])


class Volume(Asked):
    """A volume."""

    value: float = Field(examples=[12.0])
    unit: str = Field(description="m³ (or m3), L or ft³ (or ft3).", examples=["L"])

    def cubic_metres(self, field: str) -> float:
        """In m³; raises `BadInput` for an unknown unit."""
        return self.value * CUBIC_METRES[_unit(self.unit, VOLUMES, f"{field}.unit")]


class Flow(Asked):
    """A pumping speed."""

    value: float = Field(examples=[6.0])
    unit: str = Field(
        description="m³/s, m³/h, L/s, L/min or cfm; m3 may stand for m³. In answers it goes with the unit of "
        f"volume: {', '.join(FLOWS.values())}.",
        examples=["cfm"],
    )

    def cubic_metres_per_s(self, field: str) -> float:
        """In m³/s; raises `BadInput` for an unknown unit."""
        return self.value * _factor(self.unit, FLOW_M3_S, "m³/s, m³/h, L/s, L/min, cfm", f"{field}.unit")


class Length(Asked):
    """A length."""

    value: float = Field(examples=[10.0])
    unit: str = Field(
        description="m, cm, mm, in or ft. In answers it goes with the unit of volume: m; mm or m; in or ft.",
        examples=["mm"],
    )

    def metres(self, field: str) -> float:
        """In m; raises `BadInput` for an unknown unit."""
        return self.value * _factor(self.unit, LENGTH_M, "m, cm, mm, in, ft", f"{field}.unit")


class PumpRating(Asked):
    """What a pump is rated to do."""

    speed: Flow
    ultimate: Pressure | None = Field(None, description="Its ultimate pressure, if it is given.")


class Hose(Asked):
    """The hose between pump and circuit."""

    bore: Length
    length: Length


@dataclass(frozen=True, slots=True)
class Quantities:
    """Turns what is stored into the units that were asked for, and the figures of sentences with it.

    Parameters
    ----------
    pressure_unit : str
        A key of `PRESSURE_UNITS`.
    temperature_unit, volume_unit : str
        A value of `TEMPERATURES`, `VOLUMES`.
    figures : Figures or None
        How the reader wants figures in sentences; None: as stored, in micron and Pa.
    """

    pressure_unit: str = "Pa"
    temperature_unit: str = "K"
    volume_unit: str = "m³"
    figures: Figures | None = None

    def value(self, pressure_pa: float) -> float:
        """The number of a pressure alone."""
        return (
            pressure_pa
            if self.pressure_unit == "Pa"
            else _clean(from_pascal(pressure_pa, self.pressure_unit))
        )

    def __call__(self, pressure_pa: float) -> Pressure:
        return Pressure(value=self.value(pressure_pa), unit=self.pressure_unit)

    def or_none(self, pressure_pa: float | None) -> Pressure | None:
        """None stays None."""
        return None if pressure_pa is None else self(pressure_pa)

    def degrees(self, kelvin: float) -> float:
        """The number of a temperature alone."""
        if self.temperature_unit == "K":
            return kelvin
        return _clean(to_fahrenheit(kelvin) if self.temperature_unit == "°F" else to_celsius(kelvin))

    def temperature(self, kelvin: float | None) -> Temperature | None:
        """None stays None."""
        return None if kelvin is None else Temperature(value=self.degrees(kelvin), unit=self.temperature_unit)

    def volume(self, cubic_metres: float) -> Volume:
        """A volume."""
        stored = self.volume_unit == "m³"
        value = cubic_metres if stored else _clean(cubic_metres / CUBIC_METRES[self.volume_unit])
        return Volume(value=value, unit=self.volume_unit)

    def flow(self, m3_s: float) -> Flow:
        """A pumping speed."""
        unit = FLOWS[self.volume_unit]
        stored = unit == "m³/s"
        return Flow(value=m3_s if stored else _clean(m3_s / FLOW_M3_S[unit.casefold()]), unit=unit)

    def flow_text(self, m3_s: float) -> str:
        """The same in a sentence, to two digits."""
        if self.figures is not None:
            return self.figures.flow_about(m3_s)
        return f"{1e3 * m3_s:.2g} l/s"

    def pump(self, speed_m3_s: float | None, ultimate_pa: float | None) -> PumpRating | None:
        """A pump's rating; None where there is none."""
        if speed_m3_s is None:
            return None
        return PumpRating(speed=self.flow(speed_m3_s), ultimate=self.or_none(ultimate_pa))

    def hose(self, bore_m: float | None, length_m: float | None) -> Hose | None:
        """A hose; None where there is none."""
        if bore_m is None or length_m is None:
            return None
        narrow, long = LENGTHS[self.volume_unit]
        return Hose(bore=_length(bore_m, narrow), length=_length(length_m, long))

    def sentence(
        self, text: str, told: Sequence[TextFigure] | None = None, time_zone: str | None = None
    ) -> str:
        """A stored sentence with its figures in these units, and its moments at a site's time."""
        return text if self.figures is None else tell(text, self.figures, told, time_zone)


STORED = Quantities()
"""As stored."""


def _clean(value: float) -> float:
    """To twelve digits: what conversion adds behind them is no reading."""
    return float(f"{value:.12g}")


def _length(metres: float, unit: str) -> Length:
    return Length(value=metres if unit == "m" else _clean(metres / LENGTH_M[unit]), unit=unit)


def _factor(text: str, known: Mapping[str, float], choice: str, field: str) -> float:
    found = known.get(text.strip().casefold())
    if found is None:
        raise BadInput(f"{text[:40]!r} is not a known unit here; use {choice}.", field=field)
    return found


def _unit(text: str, known: Mapping[str, str], field: str) -> str:
    found = known.get(text.strip().casefold())
    if found is None:
        choice = ", ".join(dict.fromkeys(known.values()))
        raise BadInput(f"{text[:40]!r} is not a known unit here; use {choice}.", field=field)
    return found


def _asked(name: str, described: str) -> object:
    return Query(
        alias=name,
        description=f"{described} Default: what the person who asks has chosen, else SI; "
        "for machine tokens always SI.",
    )


def _quantities(
    request: Request,
    pressure: Annotated[
        str | None,
        _asked(
            "pressure_unit",
            f"Unit of all pressures in the answer: one of {', '.join(PRESSURE_UNITS)}. "
            "A micron is the conventional micrometre of mercury.",
        ),
    ] = None,
    temperature: Annotated[
        str | None,
        _asked("temperature_unit", "Unit of all temperatures in the answer: K, °C (or C), °F (or F)."),
    ] = None,
    volume: Annotated[
        str | None, _asked("volume_unit", "Unit of all volumes in the answer: m³ (or m3), L, ft³ (or ft3).")
    ] = None,
) -> Quantities:
    figures = figures_of(request)
    chosen = figures.chosen
    if chosen.chosen:
        own = Quantities(chosen.pressure_unit, chosen.temperature_unit, chosen.volume_unit, figures)
    else:
        own = STORED
    if pressure is None and temperature is None and volume is None:
        return own
    try:
        pressure = None if pressure is None else pressure_unit(pressure)
    except ValueError as error:
        raise BadInput(f"{error}.", field="pressure_unit") from error
    temperature = None if temperature is None else _unit(temperature, TEMPERATURES, "temperature_unit")
    volume = None if volume is None else _unit(volume, VOLUMES, "volume_unit")
    return Quantities(
        pressure or own.pressure_unit,
        temperature or own.temperature_unit,
        volume or own.volume_unit,
        figures.asked_for(pressure, temperature),
    )


InUnit = Annotated[Quantities, Depends(_quantities)]
Moment = AwareDatetime


def moment(us: int | None) -> datetime | None:
    """Microseconds since the epoch as a time with its offset."""
    return None if us is None else to_datetime(us)

"""Quantities at the edge: pressures in the unit that was asked for, times with their offset."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated

from fastapi import Depends, Query
from pydantic import AwareDatetime, BaseModel, Field

from model.clock import to_datetime
from model.errors import BadInput
from physics.units import PRESSURE_UNITS, from_pascal, pressure_unit, to_pascal


class Pressure(BaseModel):
    """An absolute pressure."""

    value: float = Field(description="Absolute pressure in `unit`.", examples=[500.0])
    unit: str = Field(description=f"One of {', '.join(PRESSURE_UNITS)}.", examples=["micron"])

    def pascal(self, field: str) -> float:
        """In pascal; raises `BadInput` for an unknown unit."""
        try:
            return to_pascal(self.value, pressure_unit(self.unit))
        except ValueError as error:
            raise BadInput(f"{error}.", field=f"{field}.unit") from error


class Pressures:
    """Turns pascals into the unit of ``?pressure_unit=``."""

    def __init__(self, unit: str) -> None:
        self.unit = unit

    def value(self, pressure_pa: float) -> float:
        """The number alone."""
        if self.unit == "Pa":
            return pressure_pa
        # Twelve digits: what conversion adds behind them is no reading.
        return float(f"{from_pascal(pressure_pa, self.unit):.12g}")

    def __call__(self, pressure_pa: float) -> Pressure:
        return Pressure(value=self.value(pressure_pa), unit=self.unit)

    def or_none(self, pressure_pa: float | None) -> Pressure | None:
        """None stays None."""
        return None if pressure_pa is None else self(pressure_pa)


def _pressures(
    pressure_unit_: Annotated[
        str,
        Query(
            alias="pressure_unit",
            description=f"Unit of all pressures in the answer: one of {', '.join(PRESSURE_UNITS)}. "
            "A micron is the conventional micrometre of mercury.",
            examples=["micron"],
        ),
    ] = "Pa",
) -> Pressures:
    try:
        return Pressures(pressure_unit(pressure_unit_))
    except ValueError as error:
        raise BadInput(f"{error}.", field="pressure_unit") from error


InUnit = Annotated[Pressures, Depends(_pressures)]
Moment = AwareDatetime


def moment(us: int | None) -> datetime | None:
    """Microseconds since the epoch as a time with its offset."""
    return None if us is None else to_datetime(us)

"""Quantities at the edge: pressures in the unit that was asked for, times with their offset."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Annotated

from fastapi import Depends, Query, Request
from pydantic import AwareDatetime, BaseModel, Field

from api.figures import Figures
from api.reader import figures_of
from api.sentences import TextFigure, tell
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
    """Turns pascals into the unit that was asked for, and the figures of sentences with them.

    Parameters
    ----------
    unit : str
        A key of `PRESSURE_UNITS`.
    figures : Figures or None
        How the reader wants figures in sentences; None: as stored, in micron and Pa.
    """

    def __init__(self, unit: str, figures: Figures | None = None) -> None:
        self.unit = unit
        self.figures = figures

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

    def sentence(self, text: str, told: Sequence[TextFigure] | None = None) -> str:
        """A stored sentence with its figures in this unit."""
        return text if self.figures is None else tell(text, self.figures, told)


STORED = Pressures("Pa")
"""As stored."""


def _pressures(
    request: Request,
    pressure_unit_: Annotated[
        str | None,
        Query(
            alias="pressure_unit",
            description=f"Unit of all pressures in the answer: one of {', '.join(PRESSURE_UNITS)}. "
            "A micron is the conventional micrometre of mercury. Default: what the person who asks has "
            "chosen, else Pa; for machine tokens always Pa.",
            examples=["micron"],
        ),
    ] = None,
) -> Pressures:
    figures = figures_of(request)
    if pressure_unit_ is None:
        chosen = figures.chosen
        return Pressures(chosen.pressure_unit, figures) if chosen.chosen else STORED
    try:
        unit = pressure_unit(pressure_unit_)
    except ValueError as error:
        raise BadInput(f"{error}.", field="pressure_unit") from error
    return Pressures(unit, figures.in_unit(unit))


InUnit = Annotated[Pressures, Depends(_pressures)]
Moment = AwareDatetime


def moment(us: int | None) -> datetime | None:
    """Microseconds since the epoch as a time with its offset."""
    return None if us is None else to_datetime(us)

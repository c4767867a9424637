"""Readings of an instrument over a span of time."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import BaseModel, Field

from api.context import Ctx
from api.permissions import LOOK
from api.problems import errors_of
from api.quantities import InUnit, Moment, Quantities
from model.errors import BadInput, NotFound
from model.reading import Quantity
from store.lists import INSTRUMENTS
from store.series import Span, read

router = APIRouter(tags=["readings"])

TEMPERATURES = (Quantity.TEMPERATURE, Quantity.AMBIENT)
NAMES = {quantity.name.lower().replace("_", "-"): quantity for quantity in Quantity}
LONGEST_QUIET_S = 60.0
"""Readings further apart than this and five intervals have a gap between them (as in the rule)."""


class Gap(BaseModel):
    """Neighbouring readings that lie too far apart to be joined by a line."""

    since: datetime
    until: datetime


class ReadingsView(BaseModel):
    """Readings in order of time, in columns."""

    instrument_id: int
    quantity: str
    unit: str = Field(description="Of `value`; 1 for shares, codes and yes/no.")
    total: int = Field(description="How many readings the span has.")
    thinned: bool = Field(description="Whether some were left out; the lowest and highest never are.")
    time: list[datetime]
    value: list[float] = Field(description="Of two values for one time, the smaller.")
    gaps: list[Gap]


@router.get("/readings", dependencies=[LOOK], responses=errors_of(401, 404, 422, 503))
def readings(
    ctx: Ctx,
    unit: InUnit,
    instrument: Annotated[int, Query(description="Number of the instrument.")],
    quantity: Annotated[str, Query(description=f"One of {', '.join(NAMES)}.")] = "pressure",
    place: Annotated[str, Query(description="Which of several thermometers; usually empty.")] = "",
    since: Annotated[Moment | None, Query(description="Default: a day before `until`.")] = None,
    until: Annotated[Moment | None, Query(description="Not included. Default: now.")] = None,
    points: Annotated[int, Query(ge=4, le=20_000, description="At most about so many readings.")] = 1000,
) -> ReadingsView:
    """Readings of one channel; where there are too many, the lowest and highest of equal stretches."""
    if quantity not in NAMES:
        raise BadInput(f"{quantity!r} is no quantity; use one of {', '.join(NAMES)}.", field="quantity")
    end = until or ctx.now() + timedelta(microseconds=1)
    begin = since or end - timedelta(days=1)
    if begin >= end:
        raise BadInput("The span must begin before it ends.", field="since")
    what = NAMES[quantity]
    with ctx.database() as conn:
        row = INSTRUMENTS.one(conn, {"gateway": None, "site": None}, instrument)
        if row is None:
            raise NotFound(f"There is no instrument {instrument}.", field="instrument")
        gap_s = max(5 * row["interval_s"], LONGEST_QUIET_S)
        series = read(conn, Span(instrument, what, begin, end, place), points, gap_s)
    unit_of, written = _writer(what, unit)
    return ReadingsView(
        instrument_id=instrument,
        quantity=quantity,
        unit=unit_of,
        total=series.total,
        thinned=series.total > len(series.times),
        time=list(series.times),
        value=[written(value) for value in series.values],
        gaps=[Gap(since=a, until=b) for a, b in series.gaps],
    )


def _writer(what: Quantity, unit: Quantities) -> tuple[str, Callable[[float], float]]:
    """The unit of a channel, and what makes stored values into it."""
    if what is Quantity.PRESSURE:
        return unit.pressure_unit, unit.value
    if what in TEMPERATURES:
        return unit.temperature_unit, unit.degrees
    return "V" if what is Quantity.BATTERY_VOLTS else "1", float

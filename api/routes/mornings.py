"""The holds of a night, and when they are told in the morning."""

from __future__ import annotations

from datetime import date

from fastapi import APIRouter
from pydantic import BaseModel, Field

from api import mornings as shown
from api.asked import Asked
from api.context import Context, Ctx
from api.mornings import Morning
from api.permissions import LOOK, MayTell
from api.problems import errors_of
from api.quantities import InUnit, Quantities
from api.routes.places import by_of
from api.sentences import TextFigure
from desk.core import night, wall_time
from store import mornings
from store.database import Connection
from store.mornings import MorningTime
from store.people import Person

router = APIRouter(tags=["mornings"])


class MorningTimeView(BaseModel):
    """When the mornings come."""

    at: str = Field(description="`HH:MM` in `time_zone`.")
    time_zone: str = Field(description="The company's: as chosen, else the one that most sites are in.")
    chosen: bool = Field(description="False: nobody chose a time zone.")


class MorningTimeChange(Asked):
    """When they shall come."""

    at: str = Field(description="`HH:MM`. An hour that clocks skip is the moment of the skip; of one that "
                    "comes twice it is the first.")  # fmt: skip
    time_zone: str = Field("", description="IANA name; empty: the one that most sites are in.")


@router.get("/mornings", dependencies=[LOOK], responses=errors_of(401, 503))
def read_newest_morning(ctx: Ctx, unit: InUnit) -> Morning:
    """What became of the night before the newest morning that has come."""
    return _morning(ctx, None, unit)


@router.get("/mornings/{day}", dependencies=[LOOK], responses=errors_of(401, 422, 503))
def read_morning(ctx: Ctx, day: date, unit: InUnit) -> Morning:
    """What became of the night before the morning of that day, as it is known now."""
    return _morning(ctx, day, unit)


@router.get("/morning-time", dependencies=[LOOK], responses=errors_of(401, 503))
def read_morning_time(ctx: Ctx) -> MorningTimeView:
    """When the mornings come."""
    with ctx.database() as conn:
        return _view(mornings.when(conn))


@router.put("/morning-time", responses=errors_of(401, 403, 422, 503))
def set_morning_time(ctx: Ctx, person: MayTell, change: MorningTimeChange) -> MorningTimeView:
    """Choose when the mornings come, for everybody who is told them."""
    with ctx.database() as conn:
        return _view(set_time(conn, ctx, person, change.at, change.time_zone))


def set_time(conn: Connection, ctx: Context, person: Person, at: str, time_zone: str) -> MorningTime:
    """Choose the time and set the timer anew; raises `BadInput` with the field."""
    wall = wall_time.parse(at, "at")
    chosen = mornings.choose(conn, wall, time_zone.strip() or None, by_of(ctx, person))
    mornings.set_timer(conn, night.next_us(ctx.clock.now_us(), chosen.at, chosen.zone))
    return chosen


def _view(chosen: MorningTime) -> MorningTimeView:
    return MorningTimeView(
        at=f"{chosen.at:%H:%M}", time_zone=chosen.zone, chosen=chosen.chosen_zone is not None
    )


def _morning(ctx: Context, day: date | None, unit: Quantities) -> Morning:
    def say(text: str, told: list[TextFigure] | None, time_zone: str) -> str:
        return unit.sentence(text, told, time_zone)

    with ctx.database() as conn:
        return shown.morning(conn, day, ctx.clock.now_us(), say)

"""Opening valves from afar: off at every site until an administrator turns it on there."""

from __future__ import annotations

from fastapi import APIRouter
from pydantic import BaseModel, Field

from api.asked import Asked
from api.context import Ctx
from api.permissions import LOOK, MayTurnOnOpening
from api.problems import errors_of
from api.routes.places import Number, Reference, by_of
from store import openings
from store.openings import Opening

router = APIRouter(tags=["places"])


class OpenerView(BaseModel):
    """Somebody who may open a valve at the site."""

    id: int
    name: str


class OpeningView(BaseModel):
    """What holds at a site."""

    site_id: int
    allowed: bool = Field(description="Valves there may be opened from afar when no interlock hinders it.")
    openers: list[OpenerView] = Field(description="Who may; nobody else.")


class OpeningChange(Asked):
    """What shall hold at a site."""

    allowed: bool
    openers: list[Reference] = Field(description="Numbers of the people who may. Those left out may not.")


@router.get("/sites/{number}/opening", dependencies=[LOOK], responses=errors_of(401, 404, 503))
def read_opening(ctx: Ctx, number: Number) -> OpeningView:
    """Whether valves at a site may be opened from afar, and by whom."""
    with ctx.database() as conn:
        return _view(openings.of_site(conn, number))


@router.put("/sites/{number}/opening", responses=errors_of(401, 403, 404, 422, 503))
def change_opening(ctx: Ctx, person: MayTurnOnOpening, number: Number, change: OpeningChange) -> OpeningView:
    """Turn opening from afar on or off at a site, and name who may.

    Read the risks on the site's page (`/setup/sites/{number}/opening`): a valve that is opened to a pump
    that stands draws air and oil into the circuit, and nobody is there to see it.
    """
    with ctx.database() as conn:
        return _view(
            openings.change(conn, number, by_of(ctx, person), allowed=change.allowed, openers=change.openers)
        )


def _view(opening: Opening) -> OpeningView:
    return OpeningView(
        site_id=opening.site_id,
        allowed=opening.allowed,
        openers=[OpenerView(id=number, name=name) for number, name in opening.openers],
    )

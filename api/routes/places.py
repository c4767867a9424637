"""Sites, circuits and crews."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter
from pydantic import BaseModel, Field

from api.context import Ctx
from api.paging import Page, Paged
from api.permissions import LOOK, MayEquip
from api.problems import errors_of
from store import equipment
from store.lists import CIRCUITS, CREWS, SITES

router = APIRouter(tags=["places"])


class NewSite(BaseModel):
    """A site to register."""

    name: str = Field(examples=["Harbour cold store"])
    time_zone: str = Field(description="Name in the IANA time zone database.", examples=["Europe/Berlin"])
    place: str = Field("", description="Where it is, in words.")


class SiteView(NewSite):
    """A place where work is done."""

    id: int


class NewCircuit(BaseModel):
    """A circuit to register."""

    site_id: int
    name: str
    volume_m3: float | None = Field(None, description="Internal volume [m³], as entered: ±30 % at best.")
    refrigerant: str | None = Field(None, examples=["R-448A"])
    oil: str | None = Field(None, examples=["POE 32"])


class CircuitView(NewCircuit):
    """A refrigeration circuit."""

    id: int


class NewCrew(BaseModel):
    """A crew to register."""

    name: str


class CrewView(NewCrew):
    """People who work together."""

    id: int


@router.get("/sites", dependencies=[LOOK], responses=errors_of(401, 422, 503))
def list_sites(ctx: Ctx, paging: Paged) -> Page[SiteView]:
    """Sites by number."""
    with ctx.database() as conn:
        return paging.page(conn, SITES, {}, _site)


@router.post("/sites", status_code=201, responses=errors_of(401, 403, 409, 422, 503))
def add_site(ctx: Ctx, person: MayEquip, new: NewSite) -> SiteView:
    """Register a site."""
    with ctx.database() as conn:
        site = equipment.add_site(conn, new.name, new.time_zone, new.place)
    return SiteView(id=site.id, name=site.name, time_zone=site.time_zone, place=site.place)


@router.get("/circuits", dependencies=[LOOK], responses=errors_of(401, 422, 503))
def list_circuits(ctx: Ctx, paging: Paged, site: int | None = None) -> Page[CircuitView]:
    """Circuits by number, of one site or all."""
    with ctx.database() as conn:
        return paging.page(conn, CIRCUITS, {"site": site}, _circuit)


@router.post("/circuits", status_code=201, responses=errors_of(401, 403, 404, 409, 422, 503))
def add_circuit(ctx: Ctx, person: MayEquip, new: NewCircuit) -> CircuitView:
    """Register a circuit at a site."""
    with ctx.database() as conn:
        made = equipment.add_circuit(conn, new.site_id, new.name, new.volume_m3, new.refrigerant, new.oil)
    return CircuitView(id=made.id, **new.model_dump())


@router.get("/crews", dependencies=[LOOK], responses=errors_of(401, 422, 503))
def list_crews(ctx: Ctx, paging: Paged) -> Page[CrewView]:
    """Crews by number."""
    with ctx.database() as conn:
        return paging.page(conn, CREWS, {}, lambda row: CrewView(**row))


@router.post("/crews", status_code=201, responses=errors_of(401, 403, 409, 422, 503))
def add_crew(ctx: Ctx, person: MayEquip, new: NewCrew) -> CrewView:
    """Register a crew."""
    with ctx.database() as conn:
        crew = equipment.add_crew(conn, new.name)
    return CrewView(id=crew.id, name=crew.name)


def _site(row: dict[str, Any]) -> SiteView:
    return SiteView(**row)


def _circuit(row: dict[str, Any]) -> CircuitView:
    return CircuitView(**row)

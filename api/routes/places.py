"""Sites, circuits and crews."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Path
from pydantic import Field

from api.asked import Asked
from api.context import Context, Ctx
from api.paging import Page, Paged, Sought
from api.permissions import LOOK, MayEquip
from api.problems import errors_of
from api.quantities import InUnit, Quantities, Volume
from model.errors import NotFound
from physics.refrigerants import listed
from store import changing, deleting, equipment
from store.audit import By
from store.database import Connection
from store.lists import CIRCUITS, CREWS, SITES, Listing
from store.people import Person

router = APIRouter(tags=["places"])

LARGEST_ID = 2**31 - 1
Number = Annotated[int, Path(ge=1, le=LARGEST_ID, description="Its number.")]
Reference = Annotated[int, Field(ge=1, le=LARGEST_ID)]


class NewSite(Asked):
    """A site to register."""

    name: str = Field(examples=["Harbour cold store"])
    time_zone: str = Field(description="Name in the IANA time zone database.", examples=["Europe/Berlin"])
    place: str = Field("", description="Where it is, in words.")


class SiteView(NewSite, extra="ignore"):
    """A place where work is done."""

    id: int


class SiteChange(Asked):
    """What to change of a site; what is left out stays."""

    name: str = ""
    time_zone: str = ""
    place: str = ""


class NewCircuit(Asked):
    """A circuit to register."""

    site_id: Reference
    name: str
    volume: Volume | None = Field(None, description="Internal volume, as entered: ±30 % at best.")
    refrigerant: str | None = Field(None, examples=["R-448A"])
    oil: str | None = Field(None, examples=["POE 32"])


class CircuitView(NewCircuit, extra="ignore"):
    """A refrigeration circuit."""

    id: int
    refrigerant_listed: bool | None = Field(
        description="Whether the refrigerant is in our table; one that is not "
        "is taken for possibly flammable, and no loss can be named. Null: none was given."
    )


class CircuitChange(Asked):
    """What to change of a circuit; what is left out stays, null takes a figure away."""

    name: str = ""
    volume: Volume | None = Field(None, description="A change judges the circuit's jobs again.")
    refrigerant: str | None = Field(None, description="A change judges the circuit's jobs again.")
    oil: str | None = None


class NewCrew(Asked):
    """A crew to register."""

    name: str


class CrewView(NewCrew, extra="ignore"):
    """People who work together."""

    id: int


def by_of(ctx: Context, person: Person) -> By:
    """Who acts in a request, for the audit."""
    return By(ctx.now(), person.id)


def found(conn: Connection, listing: Listing, what: str, number: int, **filters: object) -> dict[str, Any]:
    """One row of a list; raises `NotFound`."""
    row = listing.one(conn, filters, number)
    if row is None:
        raise NotFound(f"There is no {what} {number}.")
    return row


@router.get("/sites", dependencies=[LOOK], responses=errors_of(401, 422, 503))
def list_sites(ctx: Ctx, paging: Paged, q: Sought = None) -> Page[SiteView]:
    """Sites by number."""
    with ctx.database() as conn:
        return paging.page(conn, SITES, {"q": q}, _site)


@router.post("/sites", status_code=201, responses=errors_of(401, 403, 409, 422, 503))
def add_site(ctx: Ctx, person: MayEquip, new: NewSite) -> SiteView:
    """Register a site."""
    with ctx.database() as conn:
        site = equipment.add_site(conn, new.name, new.time_zone, new.place, by=by_of(ctx, person))
        return _site(found(conn, SITES, "site", site.id))


@router.get("/sites/{number}", dependencies=[LOOK], responses=errors_of(401, 404, 503))
def read_site(ctx: Ctx, number: Number) -> SiteView:
    """One site."""
    with ctx.database() as conn:
        return _site(found(conn, SITES, "site", number))


@router.patch("/sites/{number}", responses=errors_of(401, 403, 404, 409, 422, 503))
def change_site(ctx: Ctx, person: MayEquip, number: Number, change: SiteChange) -> SiteView:
    """Change name, time zone or place."""
    with ctx.database() as conn:
        changing.change_site(conn, number, by_of(ctx, person), **change.model_dump(exclude_unset=True))
        return _site(found(conn, SITES, "site", number))


@router.delete("/sites/{number}", status_code=204, responses=errors_of(401, 403, 404, 409, 503))
def delete_site(ctx: Ctx, person: MayEquip, number: Number) -> None:
    """Delete a site to which nothing belongs; else the answer says what does."""
    with ctx.database() as conn:
        deleting.delete(conn, "site", number, by_of(ctx, person))


@router.get("/circuits", dependencies=[LOOK], responses=errors_of(401, 422, 503))
def list_circuits(
    ctx: Ctx, paging: Paged, unit: InUnit, site: int | None = None, q: Sought = None
) -> Page[CircuitView]:
    """Circuits by number, of one site or all."""
    with ctx.database() as conn:
        return paging.page(conn, CIRCUITS, {"site": site, "q": q}, lambda row: _circuit(row, unit))


@router.post("/circuits", status_code=201, responses=errors_of(401, 403, 404, 409, 422, 503))
def add_circuit(ctx: Ctx, person: MayEquip, unit: InUnit, new: NewCircuit) -> CircuitView:
    """Register a circuit at a site."""
    volume_m3 = None if new.volume is None else new.volume.cubic_metres("volume")
    with ctx.database() as conn:
        made = equipment.add_circuit(
            conn, new.site_id, new.name, volume_m3, new.refrigerant, new.oil, by=by_of(ctx, person)
        )
        return _circuit(found(conn, CIRCUITS, "circuit", made.id, site=None), unit)


@router.get("/circuits/{number}", dependencies=[LOOK], responses=errors_of(401, 404, 503))
def read_circuit(ctx: Ctx, unit: InUnit, number: Number) -> CircuitView:
    """One circuit."""
    with ctx.database() as conn:
        return _circuit(found(conn, CIRCUITS, "circuit", number, site=None), unit)


@router.patch("/circuits/{number}", responses=errors_of(401, 403, 404, 409, 422, 503))
def change_circuit(
    ctx: Ctx, person: MayEquip, unit: InUnit, number: Number, change: CircuitChange
) -> CircuitView:
    """Change a circuit. Another volume or refrigerant judges its jobs again."""
    changes = change.model_dump(exclude_unset=True)
    if "volume" in changes:
        del changes["volume"]
        changes["volume_m3"] = None if change.volume is None else change.volume.cubic_metres("volume")
    with ctx.database() as conn:
        changing.change_circuit(conn, number, by_of(ctx, person), **changes)
        return _circuit(found(conn, CIRCUITS, "circuit", number, site=None), unit)


@router.delete("/circuits/{number}", status_code=204, responses=errors_of(401, 403, 404, 409, 503))
def delete_circuit(ctx: Ctx, person: MayEquip, number: Number) -> None:
    """Delete a circuit that no job is about; else the answer says what uses it."""
    with ctx.database() as conn:
        deleting.delete(conn, "circuit", number, by_of(ctx, person))


@router.get("/crews", dependencies=[LOOK], responses=errors_of(401, 422, 503))
def list_crews(ctx: Ctx, paging: Paged, q: Sought = None) -> Page[CrewView]:
    """Crews by number."""
    with ctx.database() as conn:
        return paging.page(conn, CREWS, {"q": q}, lambda row: CrewView(**row))


@router.post("/crews", status_code=201, responses=errors_of(401, 403, 409, 422, 503))
def add_crew(ctx: Ctx, person: MayEquip, new: NewCrew) -> CrewView:
    """Register a crew."""
    with ctx.database() as conn:
        crew = equipment.add_crew(conn, new.name, by=by_of(ctx, person))
    return CrewView(id=crew.id, name=crew.name)


@router.patch("/crews/{number}", responses=errors_of(401, 403, 404, 409, 422, 503))
def change_crew(ctx: Ctx, person: MayEquip, number: Number, change: NewCrew) -> CrewView:
    """Give a crew another name."""
    with ctx.database() as conn:
        crew = changing.change_crew(conn, number, by_of(ctx, person), change.name)
    return CrewView(id=crew.id, name=crew.name)


@router.delete("/crews/{number}", status_code=204, responses=errors_of(401, 403, 404, 409, 503))
def delete_crew(ctx: Ctx, person: MayEquip, number: Number) -> None:
    """Delete a crew that has no job; else the answer says what it has."""
    with ctx.database() as conn:
        deleting.delete(conn, "crew", number, by_of(ctx, person))


def _site(row: dict[str, Any]) -> SiteView:
    return SiteView(**row)


def _circuit(row: dict[str, Any], unit: Quantities) -> CircuitView:
    known = listed(row["refrigerant"]) is not None if row["refrigerant"] else None
    volume = None if row["volume_m3"] is None else unit.volume(row["volume_m3"])
    return CircuitView(**{**row, "volume": volume}, refrigerant_listed=known)

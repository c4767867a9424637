"""Procedures, with the smallest leak that each can show."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Query
from pydantic import BaseModel, Field

from api.asked import Asked
from api.context import Ctx
from api.paging import Page, Paged, Sought
from api.permissions import LOOK, MaySetProcedures
from api.problems import errors_of
from api.quantities import InUnit, Pressure, Quantities
from api.routes.places import Number, by_of, found
from model.errors import BadFields, BadInput
from model.procedure import Procedure
from physics.leaks import smallest_leak_shown
from store import procedures
from store.lists import PROCEDURES

router = APIRouter(tags=["procedures"])

Volume = Annotated[float | None, Query(gt=0, le=10_000, description="Volume of the circuit in mind [m³].")]


class _Times(BaseModel):
    dwell_s: float = Field(description="How long the target must be held [s].")
    hold_s: float = Field(description="Length of the hold, settling included [s].")
    settle_s: float = Field(description="Settling time after the valve has closed [s].")
    persistence_s: float = Field(60.0, description="How long the pressure must be over the limit [s].")
    filter_s: float = Field(60.0, description="Length of the trailing median [s].")
    breaks: int = Field(0, description="Breaks with dry nitrogen before the last pull.")
    patience_s: float = Field(86_400.0, description="How long missing readings are awaited [s].")
    origin: str = Field(description="Where the numbers come from.")


class NewProcedure(Asked, _Times):
    """A procedure to add; one of a known name becomes its next version."""

    name: str
    target: Pressure = Field(description="Absolute pressure to be reached.")
    limit: Pressure | None = Field(None, description="Permitted absolute pressure at the end of the hold.")
    rise: Pressure | None = Field(None, description="Permitted rise above the start value.")


class ProcedureView(NewProcedure, extra="ignore"):
    """The numbers of the rule. Contract, local code and the equipment maker come first."""

    id: int
    version: int
    is_default: bool = Field(description="What jobs get that a reading opened.")
    smallest_leak_pa_m3_per_s: float | None = Field(
        description="Smallest steady leak that a hold beginning at the target would fail, V (limit − start)/"
        "(length − settling) [Pa m³/s]; null without `volume_m3`."
    )


@router.get("/procedures", dependencies=[LOOK], responses=errors_of(401, 422, 503))
def list_procedures(
    ctx: Ctx,
    paging: Paged,
    unit: InUnit,
    volume_m3: Volume = None,
    every_version: Annotated[bool, Query(description="Older versions too.")] = False,
    q: Sought = None,
) -> Page[ProcedureView]:
    """Procedures by number; with a volume, each says what it could show."""
    with ctx.database() as conn:
        return paging.page(
            conn,
            PROCEDURES,
            {"every_version": every_version, "q": q},
            lambda row: _view(row, unit, volume_m3),
        )


@router.post("/procedures", status_code=201, responses=errors_of(401, 403, 422, 503))
def add_procedure(ctx: Ctx, person: MaySetProcedures, unit: InUnit, new: NewProcedure) -> ProcedureView:
    """Add a procedure, or a new version of one. What jobs were given is never changed."""
    figures = {
        "target_pa": new.target.pascal("target"),
        "limit_pa": None if new.limit is None else new.limit.pascal("limit"),
        "rise_pa": None if new.rise is None else new.rise.pascal("rise"),
        **{name: getattr(new, name) for name in _Times.model_fields},
    }
    try:
        wanted = Procedure(name=new.name, **figures).checked()
    except BadFields as error:
        fields = {name.removesuffix("_pa"): text for name, text in error.errors.items()}
        raise BadFields(fields) from error
    except BadInput as error:
        raise BadInput(str(error), field=(error.field or "limit").removesuffix("_pa")) from error
    with ctx.database() as conn:
        made = procedures.add(conn, wanted, by=by_of(ctx, person))
        row = PROCEDURES.one(conn, {"every_version": True}, made.id)
    assert row is not None
    return _view(row, unit, None)


@router.get("/procedures/{number}", dependencies=[LOOK], responses=errors_of(401, 404, 422, 503))
def read_procedure(ctx: Ctx, number: Number, unit: InUnit, volume_m3: Volume = None) -> ProcedureView:
    """One version of a procedure."""
    with ctx.database() as conn:
        return _view(found(conn, PROCEDURES, "procedure", number, every_version=True), unit, volume_m3)


@router.post("/procedures/{number}/default", responses=errors_of(401, 403, 404, 422, 503))
def choose_default(ctx: Ctx, person: MaySetProcedures, unit: InUnit, number: Number) -> ProcedureView:
    """Let jobs that a reading opens get this version from now on, and later versions of the same name."""
    with ctx.database() as conn:
        procedures.choose_default(conn, number, by_of(ctx, person))
        row = found(conn, PROCEDURES, "procedure", number, every_version=True)
    return _view(row, unit, None)


@router.delete("/procedures/{number}", status_code=204, responses=errors_of(401, 403, 404, 409, 422, 503))
def delete_procedure(ctx: Ctx, person: MaySetProcedures, number: Number) -> None:
    """Delete a version that no job was given; else the answer says what uses it."""
    with ctx.database() as conn:
        procedures.delete(conn, number, by_of(ctx, person))


def _view(row: dict[str, Any], unit: Quantities, volume_m3: float | None) -> ProcedureView:
    return ProcedureView(
        **row,
        target=unit(row["target_pa"]),
        limit=unit.or_none(row["limit_pa"]),
        rise=unit.or_none(row["rise_pa"]),
        smallest_leak_pa_m3_per_s=_smallest(row, volume_m3),
    )


def _smallest(row: dict[str, Any], volume_m3: float | None) -> float | None:
    target: float = row["target_pa"]
    limits = [row["limit_pa"], None if row["rise_pa"] is None else target + row["rise_pa"]]
    limit = min(value for value in limits if value is not None)
    if volume_m3 is None or limit <= target:
        return None
    return smallest_leak_shown(volume_m3, target, limit, row["hold_s"], row["settle_s"])

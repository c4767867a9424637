"""Gateways and instruments."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from fastapi import APIRouter
from pydantic import BaseModel, Field

from api.context import Ctx
from api.paging import Page, Paged
from api.permissions import LOOK, MayEquip, MayKeepGateways
from api.problems import errors_of
from api.quantities import InUnit, Pressure, Pressures
from model.equipment import Position, Role
from store import equipment
from store.lists import GATEWAYS, INSTRUMENTS

router = APIRouter(tags=["equipment"])


class NewGateway(BaseModel):
    """A gateway to register."""

    name: str = Field(description="2 to 40 small letters, digits and hyphens.", examples=["van-7"])
    site_id: int


class GatewayView(NewGateway):
    """A device that sends the readings of instruments at a site."""

    id: int
    created_at: datetime
    revoked_at: datetime | None
    online: bool | None = Field(description="What its presence says; null if it never said anything.")
    presence_at: datetime | None
    software: str | None
    boot: str | None


class GatewayMade(NewGateway):
    """A gateway with its broker password, which is shown this once."""

    id: int
    secret: str = Field(description="Password for the broker. Only a hash is kept; note it now.")


class NewInstrument(BaseModel):
    """An instrument to register."""

    gateway_id: int
    name: str = Field(description="2 to 40 small letters, digits and hyphens.", examples=["g1"])
    role: Role
    position: Position = Field(Position.CIRCUIT, description="Side of the isolation valve on which it sits.")
    principle: str = Field("", examples=["thermistor"])
    unit: str = Field("Pa", description="Unit of its pressures beside Pa, hPa and kPa.")
    range_low_pa: float | None = Field(None, description="Bottom of its range [Pa].")
    range_high_pa: float | None = Field(None, description="Top of its range [Pa].")
    accuracy: float = Field(0.1, description="Share of the reading.")
    interval_s: float = Field(10.0, description="Reporting interval [s].")
    serial: str = ""


class InstrumentView(NewInstrument):
    """A gauge, valve, pump or thermometer, with the last that was heard of it."""

    id: int
    gateway: str
    site_id: int
    job_id: int | None = Field(description="The job that it serves now.")
    pressure: Pressure | None = Field(description="Its last pressure by event time.")
    pressure_at: datetime | None
    battery_share: float | None
    last_arrived_at: datetime | None


@router.get("/gateways", dependencies=[LOOK], responses=errors_of(401, 422, 503))
def list_gateways(ctx: Ctx, paging: Paged, site: int | None = None) -> Page[GatewayView]:
    """Gateways by number, of one site or all."""
    with ctx.database() as conn:
        return paging.page(conn, GATEWAYS, {"site": site}, lambda row: GatewayView(**row))


@router.post("/gateways", status_code=201, responses=errors_of(401, 403, 404, 409, 422, 503))
def add_gateway(ctx: Ctx, person: MayKeepGateways, new: NewGateway) -> GatewayMade:
    """Register a gateway. The answer holds its broker password, which is shown this once."""
    with ctx.database() as conn:
        gateway, secret = equipment.add_gateway(conn, new.name, new.site_id, ctx.now())
    return GatewayMade(id=gateway.id, name=gateway.name, site_id=gateway.site_id, secret=secret)


@router.get("/instruments", dependencies=[LOOK], responses=errors_of(401, 422, 503))
def list_instruments(
    ctx: Ctx, paging: Paged, unit: InUnit, gateway: int | None = None, site: int | None = None
) -> Page[InstrumentView]:
    """Instruments by number, of one gateway or site, or all."""
    with ctx.database() as conn:
        return paging.page(
            conn, INSTRUMENTS, {"gateway": gateway, "site": site}, lambda row: _instrument(row, unit)
        )


@router.post("/instruments", status_code=201, responses=errors_of(401, 403, 404, 409, 422, 503))
def add_instrument(ctx: Ctx, person: MayEquip, new: NewInstrument) -> InstrumentView:
    """Register an instrument of a gateway."""
    with ctx.database() as conn:
        made = equipment.add_instrument(conn, **new.model_dump())
        row = INSTRUMENTS.one(conn, {"gateway": None, "site": None}, made.id)
    assert row is not None
    return _instrument(row, Pressures("Pa"))


def _instrument(row: dict[str, Any], unit: Pressures) -> InstrumentView:
    return InstrumentView(**row, pressure=unit.or_none(row["pressure_pa"]))

"""Gateways and instruments."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from typing import Any

from fastapi import APIRouter, Request
from pydantic import BaseModel, Field

from api.asked import Asked
from api.context import Context, Ctx
from api.paging import Page, Paged, Sought
from api.permissions import LOOK, MayEquip, MayKeepGateways, MayRunJobs
from api.problems import errors_of
from api.quantities import InUnit, Pressure, PumpRating, Quantities
from api.routes.places import LARGEST_ID, Number, by_of, found
from model import skew
from model.access import Credentials, may_publish, may_read, nats_user
from model.equipment import Gateway, Position, Role
from model.meeting import USUAL_PORT, Meeting
from store import changing, deleting, equipment, suspects
from store.lists import GATEWAYS, INSTRUMENTS

router = APIRouter(tags=["equipment"])

ANY_INSTRUMENT = {"gateway": None, "site": None}


class NewGateway(Asked):
    """A gateway to register."""

    name: str = Field(description="2 to 40 small letters, digits and hyphens.", examples=["van-7"])
    site_id: int = Field(ge=1, le=LARGEST_ID)


class GatewayChange(Asked):
    """What to change of a gateway. Its name stands in topics and stays."""

    site_id: int = Field(ge=1, le=LARGEST_ID, description="The site that it belongs to from now on.")


class GatewayView(NewGateway, extra="ignore"):
    """A device that sends the readings of instruments at a site."""

    id: int
    created_at: datetime
    revoked_at: datetime | None
    online: bool | None = Field(description="What its presence says; null if it never said anything.")
    presence_at: datetime | None
    software: str | None
    boot: str | None
    clock_ahead_s: float | None = Field(
        description="How far its clock is ahead of ours, at least [s], from `sent` of its packs; "
        "negative: behind, at most; null: not known."
    )
    clock_trouble: str | None = Field(
        description="Where that is more than 10 s: one sentence, with what it means for the judgement."
    )


class GatewayMade(NewGateway, extra="ignore"):
    """A gateway with its broker password, which is shown this once, and the configuration of its broker."""

    id: int
    password: str = Field(description="Password for the broker. Only hashes are kept; note it now.")
    nats_user: dict[str, Any] = Field(description="A user for the `authorization` block of nats-server.")
    mosquitto_password_line: str = Field(description="A line for Mosquitto's `password_file`.")
    mosquitto_access_lines: str = Field(description="Lines for Mosquitto's `acl_file`.")
    example: str = Field(description="A command that sends a first reading.")


class NewInstrument(Asked):
    """An instrument to register."""

    gateway_id: int = Field(ge=1, le=LARGEST_ID)
    name: str = Field(description="2 to 40 small letters, digits and hyphens.", examples=["g1"])
    role: Role
    position: Position = Field(Position.CIRCUIT, description="Side of the isolation valve on which it sits.")
    principle: str = Field("", examples=["thermistor"])
    unit: str = Field("Pa", description="Unit of its pressures beside Pa, hPa and kPa.")
    range_low: Pressure | None = Field(None, description="Bottom of its range.")
    range_high: Pressure | None = Field(None, description="Top of its range.")
    accuracy: float = Field(0.1, description="Share of the reading.")
    interval_s: float = Field(10.0, description="Reporting interval [s].")
    serial: str = ""
    pump: PumpRating | None = Field(None, description="Of a pump: its rating.")


class InstrumentChange(Asked):
    """What to change of an instrument; what is left out stays, null takes a figure away.

    Another role, position, range, accuracy or interval judges the jobs that it served again; another rating
    has running pull-downs estimated anew.
    """

    role: Role = Role.GAUGE
    position: Position = Position.CIRCUIT
    principle: str = ""
    unit: str = "Pa"
    range_low: Pressure | None = None
    range_high: Pressure | None = None
    accuracy: float = 0.1
    interval_s: float = 10.0
    serial: str = ""
    pump: PumpRating | None = None


class SuspectView(BaseModel):
    """A person's mark on a gauge that is oily, wet or drifting."""

    since: datetime
    reason: str
    by: str | None = Field(description="Who marked it; null: the command line.")


class NewSuspect(Asked):
    """A mark to set."""

    reason: str = Field(description="Why, in words; it stands in the verdicts of holds.")


class InstrumentView(NewInstrument, extra="ignore"):
    """A gauge, valve, pump or thermometer, with the last that was heard of it."""

    id: int
    gateway: str
    site_id: int
    job_id: int | None = Field(description="The job that it serves now.")
    pressure: Pressure | None = Field(description="Its last pressure by event time.")
    pressure_at: datetime | None
    battery_share: float | None
    last_arrived_at: datetime | None
    retired_at: datetime | None = Field(None, description="Out of service since; null: in service.")
    suspect: SuspectView | None = Field(None, description="Of a gauge that somebody marked; null: trusted.")


class InstrumentChanged(InstrumentView):
    """An instrument after a change."""

    judged_again: list[int] = Field(description="Jobs that are judged again because of the change.")


@router.get("/gateways", dependencies=[LOOK], responses=errors_of(401, 422, 503))
def list_gateways(ctx: Ctx, paging: Paged, site: int | None = None, q: Sought = None) -> Page[GatewayView]:
    """Gateways by number, of one site or all."""
    with ctx.database() as conn:
        return paging.page(conn, GATEWAYS, {"site": site, "q": q}, _gateway)


@router.post("/gateways", status_code=201, responses=errors_of(401, 403, 404, 409, 422, 503))
def add_gateway(request: Request, ctx: Ctx, person: MayKeepGateways, new: NewGateway) -> GatewayMade:
    """Register a gateway. The answer holds its broker password, which is shown this once."""
    with ctx.database() as conn:
        gateway, login = equipment.register_gateway(
            conn, new.name, new.site_id, ctx.now(), by=by_of(ctx, person)
        )
    return _made(request, ctx, gateway, login)


@router.get("/gateways/{number}", dependencies=[LOOK], responses=errors_of(401, 404, 503))
def read_gateway(ctx: Ctx, number: Number) -> GatewayView:
    """One gateway."""
    with ctx.database() as conn:
        return _gateway(found(conn, GATEWAYS, "gateway", number, site=None))


@router.patch("/gateways/{number}", responses=errors_of(401, 403, 404, 422, 503))
def move_gateway(ctx: Ctx, person: MayKeepGateways, number: Number, change: GatewayChange) -> GatewayView:
    """Let a gateway belong to another site; its jobs stay where they are."""
    with ctx.database() as conn:
        changing.move_gateway(conn, number, by_of(ctx, person), change.site_id)
        return _gateway(found(conn, GATEWAYS, "gateway", number, site=None))


@router.post("/gateways/{number}/rotate", responses=errors_of(401, 403, 404, 409, 503))
def rotate_gateway(request: Request, ctx: Ctx, person: MayKeepGateways, number: Number) -> GatewayMade:
    """Give a gateway a new password, shown this once; the old one is refused within seconds."""
    with ctx.database() as conn:
        gateway, login = changing.rotate_gateway(conn, number, by_of(ctx, person))
    return _made(request, ctx, gateway, login)


@router.post("/gateways/{number}/revoke", responses=errors_of(401, 403, 404, 503))
def revoke_gateway(ctx: Ctx, person: MayKeepGateways, number: Number) -> GatewayView:
    """Cut a gateway's connection and refuse it within seconds; its readings stay."""
    with ctx.database() as conn:
        row = found(conn, GATEWAYS, "gateway", number, site=None)
        equipment.revoke_gateway(conn, row["name"], ctx.clock.now_us(), by=by_of(ctx, person))
        return _gateway(found(conn, GATEWAYS, "gateway", number, site=None))


@router.post("/gateways/{number}/reinstate", responses=errors_of(401, 403, 404, 409, 503))
def reinstate_gateway(request: Request, ctx: Ctx, person: MayKeepGateways, number: Number) -> GatewayMade:
    """Let a revoked gateway publish again, with a new password; the old one stays dead."""
    with ctx.database() as conn:
        gateway, login = changing.reinstate_gateway(conn, number, by_of(ctx, person))
    return _made(request, ctx, gateway, login)


@router.delete("/gateways/{number}", status_code=204, responses=errors_of(401, 403, 404, 409, 503))
def delete_gateway(ctx: Ctx, person: MayKeepGateways, number: Number) -> None:
    """Delete a gateway without instruments; else the answer says what it has."""
    with ctx.database() as conn:
        deleting.delete(conn, "gateway", number, by_of(ctx, person))


@router.get("/instruments", dependencies=[LOOK], responses=errors_of(401, 422, 503))
def list_instruments(
    ctx: Ctx,
    paging: Paged,
    unit: InUnit,
    gateway: int | None = None,
    site: int | None = None,
    q: Sought = None,
) -> Page[InstrumentView]:
    """Instruments by number, of one gateway or site, or all."""
    with ctx.database() as conn:
        return paging.page(
            conn, INSTRUMENTS, {"gateway": gateway, "site": site, "q": q}, lambda row: _instrument(row, unit)
        )


@router.post("/instruments", status_code=201, responses=errors_of(401, 403, 404, 409, 422, 503))
def add_instrument(ctx: Ctx, person: MayEquip, unit: InUnit, new: NewInstrument) -> InstrumentView:
    """Register an instrument of a gateway."""
    with ctx.database() as conn:
        made = equipment.add_instrument(conn, **_stored(new), by=by_of(ctx, person))
        return _instrument(found(conn, INSTRUMENTS, "instrument", made.id, **ANY_INSTRUMENT), unit)


@router.get("/instruments/{number}", dependencies=[LOOK], responses=errors_of(401, 404, 422, 503))
def read_instrument(ctx: Ctx, number: Number, unit: InUnit) -> InstrumentView:
    """One instrument."""
    with ctx.database() as conn:
        return _instrument(found(conn, INSTRUMENTS, "instrument", number, **ANY_INSTRUMENT), unit)


@router.patch("/instruments/{number}", responses=errors_of(401, 403, 404, 422, 503))
def change_instrument(
    ctx: Ctx, person: MayEquip, unit: InUnit, number: Number, change: InstrumentChange
) -> InstrumentChanged:
    """Change an instrument. What the judgement looks at judges the jobs that it served again, openly."""
    with ctx.database() as conn:
        before = equipment.instrument_from_row(changing.row_of(conn, "instrument", number))
        wanted = replace(changing.properties_of(before), **_stored(change, exclude_unset=True))
        _, again = changing.change_instrument(conn, number, by_of(ctx, person), wanted)
        row = found(conn, INSTRUMENTS, "instrument", number, **ANY_INSTRUMENT)
    return InstrumentChanged(**_instrument(row, unit).model_dump(), judged_again=again)


@router.post("/instruments/{number}/retire", responses=errors_of(401, 403, 404, 409, 503))
def retire_instrument(ctx: Ctx, person: MayEquip, unit: InUnit, number: Number) -> InstrumentView:
    """Take an instrument out of service: it opens no walk-up job and can serve none; its readings stay."""
    with ctx.database() as conn:
        changing.retire_instrument(conn, number, by_of(ctx, person))
        return _instrument(found(conn, INSTRUMENTS, "instrument", number, **ANY_INSTRUMENT), unit)


@router.post("/instruments/{number}/restore", responses=errors_of(401, 403, 404, 409, 503))
def restore_instrument(ctx: Ctx, person: MayEquip, unit: InUnit, number: Number) -> InstrumentView:
    """Put an instrument into service again."""
    with ctx.database() as conn:
        changing.restore_instrument(conn, number, by_of(ctx, person))
        return _instrument(found(conn, INSTRUMENTS, "instrument", number, **ANY_INSTRUMENT), unit)


@router.post("/instruments/{number}/suspect", responses=errors_of(401, 403, 404, 409, 422, 503))
def mark_suspect(
    ctx: Ctx, person: MayRunJobs, unit: InUnit, number: Number, new: NewSuspect
) -> InstrumentChanged:
    """Mark a gauge as suspect from now on: oily, wet, drifting.

    A hold that it decides meanwhile is inconclusive unless it fails; no hold is begun by it unattended, and a
    valve is opened by it only by a person who stands at the site.
    """
    with ctx.database() as conn:
        again = suspects.mark(conn, number, by_of(ctx, person), new.reason)
        row = found(conn, INSTRUMENTS, "instrument", number, **ANY_INSTRUMENT)
    return InstrumentChanged(**_instrument(row, unit).model_dump(), judged_again=again)


@router.post("/instruments/{number}/trust", responses=errors_of(401, 403, 404, 409, 422, 503))
def trust_gauge(ctx: Ctx, person: MayRunJobs, unit: InUnit, number: Number) -> InstrumentChanged:
    """Trust a gauge again from now on; for the time that it was marked it stays so."""
    with ctx.database() as conn:
        again = suspects.trust(conn, number, by_of(ctx, person))
        row = found(conn, INSTRUMENTS, "instrument", number, **ANY_INSTRUMENT)
    return InstrumentChanged(**_instrument(row, unit).model_dump(), judged_again=again)


@router.delete("/instruments/{number}", status_code=204, responses=errors_of(401, 403, 404, 409, 503))
def delete_instrument(ctx: Ctx, person: MayEquip, number: Number) -> None:
    """Delete an instrument that never sent anything and served no job; else the answer says so."""
    with ctx.database() as conn:
        deleting.delete(conn, "instrument", number, by_of(ctx, person))


def meeting(request: Request, ctx: Context) -> Meeting:
    """Where gateways find the broker: as it is set; else at the host that the reader used for these pages,
    unless the broker lies elsewhere."""
    if ctx.config.meeting is not None:
        return ctx.config.meeting
    probe = ctx.config.mqtt
    here = request.url.hostname or "localhost"
    if probe is None:
        return Meeting(here, USUAL_PORT["mqtt"])
    own = probe.host in ("127.0.0.1", "::1", "localhost")
    return Meeting(here if own else probe.host, probe.port, secure=probe.tls() is not None)


def _gateway(row: dict[str, Any]) -> GatewayView:
    ahead_s = row["clock_ahead_s"]
    return GatewayView(**row, clock_trouble=skew.in_words(ahead_s) if skew.off(ahead_s) else None)


def _made(request: Request, ctx: Context, gateway: Gateway, login: Credentials) -> GatewayMade:
    name = gateway.name
    return GatewayMade(
        id=gateway.id,
        name=name,
        site_id=gateway.site_id,
        password=login.secret,
        nats_user=nats_user(name, login.secret_bcrypt, may_publish(name), may_read(name)),
        mosquitto_password_line=login.mosquitto_password_line,
        mosquitto_access_lines=login.mosquitto_access_lines,
        example=login.example(meeting(request, ctx)),
    )


def _instrument(row: dict[str, Any], unit: Quantities) -> InstrumentView:
    return InstrumentView(
        **row,
        range_low=unit.or_none(row["range_low_pa"]),
        range_high=unit.or_none(row["range_high_pa"]),
        pressure=unit.or_none(row["pressure_pa"]),
        pump=unit.pump(row["pump_m3_s"], row["ultimate_pa"]),
        suspect=None
        if row["suspect_since"] is None
        else SuspectView(since=row["suspect_since"], reason=row["suspect_reason"], by=row["suspect_by"]),
    )


def _stored(asked: NewInstrument | InstrumentChange, *, exclude_unset: bool = False) -> dict[str, Any]:
    """What was asked for as it is stored, pressures in pascal; raises `BadInput` for an unknown unit."""
    values = asked.model_dump(exclude_unset=exclude_unset)
    for name in ("range_low", "range_high"):
        if name in values:
            del values[name]
            given: Pressure | None = getattr(asked, name)
            values[f"{name}_pa"] = None if given is None else given.pascal(name)
    if "pump" in values:
        del values["pump"]
        pump = asked.pump
        values["pump_m3_s"] = None if pump is None else pump.speed.cubic_metres_per_s("pump.speed")
        ultimate = None if pump is None else pump.ultimate
        values["ultimate_pa"] = None if ultimate is None else ultimate.pascal("pump.ultimate")
    return values

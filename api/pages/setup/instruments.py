"""Instruments: what they are, changing them, taking them out of service."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

from fastapi import APIRouter, Request
from starlette.responses import Response

from api import words
from api.context import Context, Ctx
from api.pages import render
from api.pages.after import see
from api.pages.setup.forms import Field, Form, Typed, choices_of, errors_of
from api.pages.setup.search import listed
from api.permissions import MayEquip
from api.reader import figures_of, texts_of
from api.routes.places import Number, by_of, found
from model.equipment import Position, Role
from model.errors import BadInput, Conflict, NotFound
from model.records import read_properties, write_properties
from model.texts import Texts
from store import audit, calibrations, changing, deleting, equipment, rejudging, suspects
from store.lists import INSTRUMENTS

router = APIRouter()

MOST_SHOWN = 2000
PROPERTIES = (
    Field("role", "What it is", choices=choices_of(Role, words.ROLES)),
    Field(
        "position",
        "Side of the isolation valve",
        "a gauge on the pump's side never gives a verdict",
        choices=choices_of(Position, words.POSITIONS),
    ),
    Field("range_low", "Range from", "with its unit: 1 micron, 0.1 Pa"),
    Field("range_high", "Range to", "with its unit; at or above it is over-range"),
    Field("accuracy", "Accuracy", "share of the reading, such as 10 %"),
    Field("interval", "Reporting interval", "such as 10 s"),
    Field("unit", "Unit of its readings", "that it may send beside Pa, hPa and kPa"),
    Field("principle", "Principle", "such as thermistor"),
    Field("serial", "Serial number"),
    Field("speed", "Pumping speed", "of a pump, its rating: 6 cfm, 10 m3/h, 170 l/min"),
    Field("ultimate", "Ultimate pressure", "of a pump, if it is given: 15 micron, 2 Pa"),
)
CALIBRATION = (
    Field("calibrated_on", "Calibrated on", "such as 2026-03-14", required=True),
    Field("due_on", "Due again on", "such as 2027-03-14"),
    Field("certificate", "Certificate", "its number, or who made it"),
)
DOUBT = (Field("reason", "Why", "oil or water in it, it drifts, it disagrees with another", required=True),)
USUAL = {"role": "gauge", "position": "circuit", "accuracy": "10 %", "interval": "10 s", "unit": "Pa"}


@router.get("/setup/instruments")
def instruments(request: Request, ctx: Ctx, person: MayEquip) -> Response:
    """All instruments, by gateway."""
    with ctx.database() as conn:
        rows, search = listed(request, conn, INSTRUMENTS, {"gateway": None, "site": None}, MOST_SHOWN)
    rows.sort(key=lambda row: (row["retired_at"] is not None, row["gateway"], row["name"]))
    return render(request, "setup/instruments.html", rows=rows, search=search)


def _instrument(
    request: Request,
    ctx: Context,
    number: int,
    status: int = 200,
    *,
    edit: Form | None = None,
    calibrate: Form | None = None,
    stray: str = "",
    again: int | None = None,
    doubt: Form | None = None,
) -> Response:
    figures = figures_of(request)
    with ctx.database() as conn:
        row = found(conn, INSTRUMENTS, "instrument", number, gateway=None, site=None)
        jobs = rejudging.of_instrument(conn, number)
        history = audit.history(conn, f"instrument:{number}")
        calibrated = calibrations.of(conn, [number]).get(number, [])
        marks = suspects.history(conn, number)
    texts = write_properties(
        changing.properties_of(equipment.instrument_from_row(row)),
        figures.units.pressure,
        figures.conventions.decimal,
    )
    edit = edit or Form(PROPERTIES, texts, f"/setup/instruments/{number}", "Save")
    return render(
        request,
        "setup/instrument.html",
        status,
        instrument=row,
        jobs=jobs,
        history=history,
        edit=edit,
        calibrate=calibrate or _calibration(number, {}),
        calibrated=calibrated,
        today=ctx.now().date(),
        marks=marks,
        doubt=doubt or _doubt(number, {}, {}),
        stray=stray,
        again=again,
    )


def _doubt(number: int, typed: Mapping[str, str], errors: Mapping[str, str]) -> Form:
    """The form that marks a gauge as suspect."""
    address = f"/setup/instruments/{number}/suspect"
    return Form(DOUBT, typed, address, "Mark it as suspect", errors, prefix="d")


@router.get("/setup/instruments/{number}")
def instrument(
    request: Request, ctx: Ctx, person: MayEquip, number: Number, again: int | None = None
) -> Response:
    """One instrument."""
    return _instrument(request, ctx, number, again=again)


@router.post("/setup/instruments/{number}")
def change_instrument(request: Request, ctx: Ctx, person: MayEquip, number: Number, typed: Typed) -> Response:
    """Change an instrument; jobs that it served may be judged again."""
    try:
        with ctx.database() as conn:
            before = equipment.instrument_from_row(changing.row_of(conn, "instrument", number))
            wanted = read_properties(texts_of(request, typed), changing.properties_of(before))
            _, again = changing.change_instrument(conn, number, by_of(ctx, person), wanted)
    except NotFound:
        raise
    except BadInput as error:
        form = Form(PROPERTIES, typed, f"/setup/instruments/{number}", "Save", errors_of(error))
        return _instrument(request, ctx, number, 422, edit=form)
    return see(f"/setup/instruments/{number}" + (f"?again={len(again)}" if again else ""))


@router.post("/setup/instruments/{number}/calibrations")
def calibrate_instrument(
    request: Request, ctx: Ctx, person: MayEquip, number: Number, typed: Typed
) -> Response:
    """Write a calibration down."""
    texts = Texts(typed)
    try:
        on, due = _day(texts.raw("calibrated_on"), "calibrated_on"), texts.raw("due_on")
        if on is None:
            raise BadInput("Say when it was calibrated.", field="calibrated_on")
        with ctx.database() as conn:
            due_on = _day(due, "due_on")
            calibrations.add(conn, number, on, due_on, texts.raw("certificate"), by_of(ctx, person))
    except NotFound:
        raise
    except BadInput as error:
        form = _calibration(number, typed, errors_of(error))
        return _instrument(request, ctx, number, 422, calibrate=form)
    return see(f"/setup/instruments/{number}", "added")


def _calibration(number: int, values: Mapping[str, str], errors: Mapping[str, str] | None = None) -> Form:
    address = f"/setup/instruments/{number}/calibrations"
    return Form(CALIBRATION, values, address, "Write a calibration down", errors or {}, prefix="c")


def _day(text: str, field: str) -> date | None:
    """A date as ISO 8601 writes it."""
    if not text.strip():
        return None
    try:
        return date.fromisoformat(text.strip())
    except ValueError:
        raise BadInput("A date is written like 2026-03-14.", field=field) from None


@router.post("/setup/instruments/{number}/service")
def service(request: Request, ctx: Ctx, person: MayEquip, number: Number, typed: Typed) -> Response:
    """Take an instrument out of service, or put it back."""
    act = changing.restore_instrument if "restore" in typed else changing.retire_instrument
    try:
        with ctx.database() as conn:
            act(conn, number, by_of(ctx, person))
    except NotFound:
        raise
    except BadInput as error:
        return _instrument(request, ctx, number, 409, stray=str(error))
    return see(f"/setup/instruments/{number}")


@router.post("/setup/instruments/{number}/suspect")
def suspect(request: Request, ctx: Ctx, person: MayEquip, number: Number, typed: Typed) -> Response:
    """Mark a gauge as suspect, or trust it again."""
    try:
        with ctx.database() as conn:
            if "trust" in typed:
                again = suspects.trust(conn, number, by_of(ctx, person))
            else:
                again = suspects.mark(conn, number, by_of(ctx, person), typed.get("reason", ""))
    except NotFound:
        raise
    except Conflict as error:
        return _instrument(request, ctx, number, error.status, stray=str(error))
    except BadInput as error:
        return _instrument(request, ctx, number, error.status, doubt=_doubt(number, typed, errors_of(error)))
    return see(f"/setup/instruments/{number}" + (f"?again={len(again)}" if again else ""))


@router.post("/setup/instruments/{number}/delete")
def delete_instrument(request: Request, ctx: Ctx, person: MayEquip, number: Number) -> Response:
    """Delete an instrument that never sent anything."""
    try:
        with ctx.database() as conn:
            gateway = changing.row_of(conn, "instrument", number)["gateway_id"]
            deleting.delete(conn, "instrument", number, by_of(ctx, person))
    except NotFound:
        raise
    except BadInput as error:
        return _instrument(request, ctx, number, 409, stray=str(error))
    return see(f"/setup/gateways/{gateway}", "deleted")

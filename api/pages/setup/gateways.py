"""Gateways: registering, passwords, revoking; and the instruments of each."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Request
from starlette.responses import Response

from api.context import Context, Ctx
from api.pages import render
from api.pages.after import see
from api.pages.setup.forms import Field, Form, Typed, errors_of
from api.pages.setup.instruments import PROPERTIES, USUAL
from api.pages.setup.search import listed
from api.permissions import MayEquip, MayKeepGateways
from api.reader import texts_of
from api.routes.equipment import meeting
from api.routes.places import Number, by_of, found
from model import skew
from model.access import Credentials
from model.equipment import Gateway
from model.errors import BadInput, NotFound
from model.records import read_properties
from store import audit, changing, deleting, equipment, presence
from store.database import Connection
from store.lists import GATEWAYS, INSTRUMENTS, QUARANTINE
from store.quarantine import Wanted

router = APIRouter()

MOST_SHOWN = 500
REFUSED_SHOWN = 5
NAME = Field(
    "name", "Name", "2 to 40 small letters, digits and hyphens; it stands in topics and stays", required=True
)


def _sites(conn: Connection) -> tuple[tuple[str, str], ...]:
    return tuple((str(site.id), site.name) for site in equipment.sites(conn))


def _gateways(request: Request, ctx: Ctx, typed: dict[str, str], error: BadInput | None = None) -> Response:
    with ctx.database() as conn:
        rows, search = listed(request, conn, GATEWAYS, {"site": None}, MOST_SHOWN)
        sites = {site.id: site for site in equipment.sites(conn)}
        heard = presence.last_heard(conn)
    choices = tuple((str(site.id), site.name) for site in sites.values())
    for row in rows:
        site = sites[row["site_id"]]
        row.update(site=site.name, time_zone=site.time_zone, heard_at=heard.get(row["id"]))
    fields = (NAME, Field("site", "Site", choices=choices, required=True))
    errors = errors_of(error) if error else {}
    form = Form(fields, typed, "/setup/gateways", "Add gateway", errors)
    rows.sort(key=lambda row: (row["revoked_at"] is not None, row["name"]))
    return render(request, "setup/gateways.html", 422 if error else 200, rows=rows, search=search, form=form)


@router.get("/setup/gateways")
def gateways(request: Request, ctx: Ctx, person: MayEquip, name: str = "") -> Response:
    """All gateways; with a name, its form is ready to register it."""
    return _gateways(request, ctx, {"name": name} if name else {})


@router.post("/setup/gateways")
def add_gateway(request: Request, ctx: Ctx, person: MayKeepGateways, typed: Typed) -> Response:
    """Register a gateway; the page that follows shows its password, this once."""
    try:
        with ctx.database() as conn:
            site = _number(typed.get("site", ""))
            name = typed.get("name", "").strip()
            gateway, login = equipment.register_gateway(conn, name, site, ctx.now(), by=by_of(ctx, person))
    except BadInput as error:
        return _gateways(request, ctx, typed, error)
    return _secret(request, ctx, gateway, login, "is registered")


def _number(text: str) -> int:
    if not (text.isascii() and text.isdigit() and len(text) < 10):
        raise BadInput("Choose one.", field="site")
    return int(text)


def _secret(request: Request, ctx: Context, gateway: Gateway, login: Credentials, what: str) -> Response:
    where = meeting(request, ctx)
    return render(
        request,
        "setup/secret.html",
        gateway=gateway,
        login=login,
        what=what,
        where=where,
        example=login.example(where),
    )


def _gateway(
    request: Request,
    ctx: Context,
    number: int,
    status: int = 200,
    *,
    add: Form | None = None,
    stray: str = "",
) -> Response:
    with ctx.database() as conn:
        row = found(conn, GATEWAYS, "gateway", number, site=None)
        secret: dict[str, Any] = changing.row_of(conn, "gateway", number)
        instruments = INSTRUMENTS.page(conn, {"gateway": number, "site": None}, None, MOST_SHOWN)
        choices = _sites(conn)
        history = audit.history(conn, f"gateway:{number}")
        site = equipment.site_from_row(changing.row_of(conn, "site", row["site_id"]))
        heard = presence.last_heard(conn, number)
        refused = QUARANTINE.page(conn, Wanted(row["name"]).filters(), None, REFUSED_SHOWN)
    address = f"/setup/gateways/{number}"
    move = Form(
        (Field("site", "Site", "its jobs stay where they are", choices=choices),),
        {"site": str(row["site_id"])},
        f"{address}/move",
        "Save",
    )
    add = add or Form((NAME, *PROPERTIES), USUAL, f"{address}/instruments", "Add instrument")
    return render(
        request,
        "setup/gateway.html",
        status,
        gateway=row,
        clock=skew.in_words(row["clock_ahead_s"]),
        clock_off=skew.off(row["clock_ahead_s"]),
        site=site,
        heard_at=heard.get(number),
        refused=refused,
        known=secret["secret_number"],
        for_mosquitto=secret["secret_mosquitto"] is not None,
        instruments=instruments,
        history=history,
        move=move,
        add=add,
        stray=stray,
    )


@router.get("/setup/gateways/{number}")
def gateway(request: Request, ctx: Ctx, person: MayEquip, number: Number) -> Response:
    """One gateway with its instruments."""
    return _gateway(request, ctx, number)


@router.post("/setup/gateways/{number}/move")
def move_gateway(
    request: Request, ctx: Ctx, person: MayKeepGateways, number: Number, typed: Typed
) -> Response:
    """Let it belong to another site."""
    try:
        with ctx.database() as conn:
            changing.move_gateway(conn, number, by_of(ctx, person), _number(typed.get("site", "")))
    except BadInput as error:
        return _gateway(request, ctx, number, 422, stray=str(error))
    return see(f"/setup/gateways/{number}")


@router.post("/setup/gateways/{number}/rotate")
def rotate(request: Request, ctx: Ctx, person: MayKeepGateways, number: Number, typed: Typed) -> Response:
    """Give it a new password, or back its right to publish with one."""
    known = typed.get("known", "")
    try:
        with ctx.database() as conn:
            row = found(conn, GATEWAYS, "gateway", number, site=None)
            act = changing.rotate_gateway if row["revoked_at"] is None else changing.reinstate_gateway
            made, login = act(
                conn,
                number,
                by_of(ctx, person),
                known=int(known) if known.isdecimal() and len(known) < 10 else -1,
            )
    except NotFound:
        raise
    except BadInput as error:
        return _gateway(request, ctx, number, 409, stray=str(error))
    what = "has a new password" if row["revoked_at"] is None else "may publish again"
    return _secret(request, ctx, made, login, what)


@router.post("/setup/gateways/{number}/revoke")
def revoke(ctx: Ctx, person: MayKeepGateways, number: Number) -> Response:
    """Cut its connection and refuse it."""
    with ctx.database() as conn:
        row = found(conn, GATEWAYS, "gateway", number, site=None)
        equipment.revoke_gateway(conn, row["name"], ctx.clock.now_us(), by=by_of(ctx, person))
    return see(f"/setup/gateways/{number}", "revoked")


@router.post("/setup/gateways/{number}/delete")
def delete_gateway(request: Request, ctx: Ctx, person: MayKeepGateways, number: Number) -> Response:
    """Delete a gateway without instruments."""
    try:
        with ctx.database() as conn:
            deleting.delete(conn, "gateway", number, by_of(ctx, person))
    except NotFound:
        raise
    except BadInput as error:
        return _gateway(request, ctx, number, 409, stray=str(error))
    return see("/setup/gateways", "deleted")


@router.post("/setup/gateways/{number}/instruments")
def add_instrument(request: Request, ctx: Ctx, person: MayEquip, number: Number, typed: Typed) -> Response:
    """Register an instrument of a gateway."""
    try:
        wanted = read_properties(texts_of(request, typed))
        with ctx.database() as conn:
            made = equipment.register_instrument(
                conn, number, typed.get("name", "").strip(), wanted, by=by_of(ctx, person)
            )
    except BadInput as error:
        action = f"/setup/gateways/{number}/instruments"
        form = Form((NAME, *PROPERTIES), typed, action, "Add instrument", errors_of(error))
        return _gateway(request, ctx, number, 422, add=form)
    return see(f"/setup/instruments/{made.id}", "added")

"""Where people are told: one's own channels, and the company's with the time of the mornings."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated

from fastapi import APIRouter, Depends, Form, Request
from starlette.responses import Response

from api import channels as shown
from api.context import Context, Ctx
from api.pages import render
from api.pages.after import see
from api.pages.setup.forms import errors_of
from api.permissions import MayTell, Oneself
from api.reader import figures_of
from api.routes.mornings import set_time
from api.routes.places import Number, by_of
from model.channel import OFFERED
from model.errors import BadInput, NotFound
from store import channels, mornings
from store.people import Person

router = APIRouter()

OWN, COMPANYS = "/me/channels", "/setup/telling"
Text = Annotated[str, Form()]


async def read_tells(request: Request) -> list[str]:
    """What was ticked."""
    form = await request.form(max_fields=100)
    return [value for value in form.getlist("tells") if isinstance(value, str)]


Ticked = Annotated[list[str], Depends(read_tells)]


@router.get(OWN)
def own(request: Request, ctx: Ctx, person: Oneself) -> Response:
    """Where I am told, and what."""
    return _page(request, ctx, person, person.id)


@router.post(OWN)
def add_own(
    request: Request, ctx: Ctx, person: Oneself, ticked: Ticked, address: Text = "", name: Text = ""
) -> Response:
    """Add a way to me."""
    return _add(request, ctx, person, person.id, ticked, address, name)


@router.post(OWN + "/{number}/{act}")
def act_own(
    request: Request, ctx: Ctx, person: Oneself, ticked: Ticked, number: Number, act: str
) -> Response:
    """Change, test, let go on or remove one."""
    return _act(request, ctx, person, person.id, number, act, ticked)


@router.get(COMPANYS)
def companys(request: Request, ctx: Ctx, person: MayTell) -> Response:
    """Where Dispatch is told, and when the mornings come."""
    return _page(request, ctx, person, None)


@router.post(COMPANYS)
def add_companys(
    request: Request, ctx: Ctx, person: MayTell, ticked: Ticked, address: Text = "", name: Text = ""
) -> Response:
    """Add a way to Dispatch."""
    return _add(request, ctx, person, None, ticked, address, name)


@router.post(COMPANYS + "/morning")
def set_morning(request: Request, ctx: Ctx, person: MayTell, at: Text = "", time_zone: Text = "") -> Response:
    """Choose when the mornings come."""
    try:
        with ctx.database() as conn:
            set_time(conn, ctx, person, at, time_zone)
    except BadInput as error:
        typed = {"at": at, "time_zone": time_zone}
        return _page(request, ctx, person, None, errors_of(error), typed)
    return see(f"{COMPANYS}#morning")


@router.post(COMPANYS + "/{number}/{act}")
def act_companys(
    request: Request, ctx: Ctx, person: MayTell, ticked: Ticked, number: Number, act: str
) -> Response:
    """Change, test, let go on or remove one."""
    return _act(request, ctx, person, None, number, act, ticked)


def _add(
    request: Request,
    ctx: Context,
    person: Person,
    person_id: int | None,
    ticked: list[str],
    address: str,
    name: str,
) -> Response:
    figures = figures_of(request)
    try:
        shown.add(
            ctx,
            by_of(ctx, person),
            person_id,
            address,
            name,
            ticked,
            time_zone=figures.reader_zone,
            locale=figures.conventions.tag,
        )
    except BadInput as error:
        # The address may hold a secret: it is not written into a page again.
        return _page(request, ctx, person, person_id, errors_of(error), {"name": name})
    return see(_path(person_id), "added")


def _act(
    request: Request,
    ctx: Context,
    person: Person,
    person_id: int | None,
    number: int,
    act: str,
    ticked: list[str],
) -> Response:
    done = "saved"
    try:
        if act == "test":
            shown.test(ctx, person, number, person_id)
            done = "tested"
        else:
            with ctx.database() as conn:
                found = channels.own(conn, number, person_id)
                by = by_of(ctx, person)
                if act == "change":
                    channels.change(conn, found, ticked, by)
                elif act == "go-on":
                    channels.go_on(conn, found, by)
                elif act == "remove":
                    channels.remove(conn, found, by)
                    done = "removed"
                else:
                    raise NotFound("There is no such act.")
    except NotFound:
        raise
    except BadInput as error:
        return _page(request, ctx, person, person_id, {str(number): str(error)})
    return see(f"{_path(person_id)}#channel-{number}" if done != "removed" else _path(person_id), done)


def _path(person_id: int | None) -> str:
    return COMPANYS if person_id is None else OWN


def _page(
    request: Request,
    ctx: Context,
    person: Person,
    person_id: int | None,
    errors: Mapping[str, str] | None = None,
    typed: Mapping[str, str] | None = None,
) -> Response:
    with ctx.database() as conn:
        found = shown.views(conn, person_id)
        chosen = mornings.when(conn)
        others = [
            (channel, name)
            for channel, name in (channels.troubled(conn) if person_id is None else [])
            if channel.person_id is not None
        ]
    return render(
        request,
        "telling.html" if person_id is None else "me_channels.html",
        422 if errors else 200,
        channels=found,
        path=_path(person_id),
        offered=[(one.value, shown.TELLS_WORDS[one]) for one in OFFERED[person_id is not None]],
        morning=chosen,
        others=others,
        sends_mail=ctx.config.sends_mail,
        has_key=ctx.config.seal.is_there,
        errors=errors or {},
        typed=typed or {},
    )

"""Oneself: who I am, password, sessions."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated

from fastapi import APIRouter, Form, Request
from starlette.responses import RedirectResponse, Response

from api.context import Context, Ctx
from api.pages import render
from api.pages.after import see
from api.permissions import Oneself
from api.routes.me import set_own_password
from api.routes.people import session_views
from model.errors import BadInput
from model.rights import MEANING, Right
from store import sessions
from store.people import Person

router = APIRouter(prefix="/me")

Password = Annotated[str, Form()]
NOT_THE_SAME = "This is not the same as above."


@router.get("")
def me(request: Request, ctx: Ctx, person: Oneself, changed: bool = False) -> Response:
    """Who I am, what I may do, where I am logged in."""
    return _page(request, ctx, person, changed=changed)


@router.post("/password")
def change_password(
    request: Request, ctx: Ctx, person: Oneself, old: Password = "", new: Password = "", again: Password = ""
) -> Response:
    """Another password; everybody else who is logged in with the old one is logged out."""
    try:
        if new != again:
            raise BadInput(NOT_THE_SAME, field="again")
        set_own_password(request, ctx, person, old, new)
    except BadInput as error:
        return _page(request, ctx, person, {error.field or "new": str(error)})
    return RedirectResponse("/me?changed=true", 303)


@router.post("/sessions/end-others")
def end_others(request: Request, ctx: Ctx, person: Oneself) -> Response:
    """Log out everywhere but here."""
    with ctx.database() as conn:
        sessions.end_all(conn, person.id, ctx.now(), person.id, keep=request.state.session)
    return see("/me#sessions", "ended")


@router.post("/sessions/{session_id}/end")
def end_session(request: Request, ctx: Ctx, person: Oneself, session_id: int) -> Response:
    """Log out in one browser."""
    try:
        with ctx.database() as conn:
            sessions.end_one(conn, person.id, session_id, ctx.now(), person.id)
    except BadInput as error:
        return _page(request, ctx, person, {"sessions": str(error)})
    return see("/me#sessions", "ended")


def _page(
    request: Request,
    ctx: Context,
    person: Person,
    errors: Mapping[str, str] | None = None,
    *,
    changed: bool = False,
) -> Response:
    with ctx.database() as conn:
        running = session_views(request, sessions.of_person(conn, person.id, ctx.now()))
    return render(
        request,
        "me.html",
        422 if errors else 200,
        sessions=running,
        rights=[MEANING[right] for right in Right if right in person.rights - {Right.OWN}],
        errors=errors or {},
        changed=changed,
    )

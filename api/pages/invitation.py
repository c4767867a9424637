"""The page behind a link: somebody sets a password of their own."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Form, Request
from starlette.responses import RedirectResponse, Response

from api.context import Context, Ctx
from api.pages import error_page, render
from api.pages.login import begin_session, set_cookie
from api.pages.me import NOT_THE_SAME
from api.permissions import OPEN_TO_ALL
from model.errors import BadInput, Conflict, NotFound
from store import links, passwords

router = APIRouter()

GONE = 410
Password = Annotated[str, Form()]


@router.get("/invitation/{token}", dependencies=[OPEN_TO_ALL])
def invitation(request: Request, ctx: Ctx, token: str) -> Response:
    """The form. Looking at it does not use the link up: programs that show previews look, too."""
    return _form(request, ctx, token)


@router.post("/invitation/{token}", dependencies=[OPEN_TO_ALL])
def set_password(
    request: Request, ctx: Ctx, token: str, new: Password = "", again: Password = ""
) -> Response:
    """Set the password, and log in with it."""
    try:
        if new != again:
            raise BadInput(NOT_THE_SAME, field="again")
        # Before a hash is made for whoever has no link.
        with ctx.database() as conn:
            links.look_up(conn, token, ctx.now())
        with passwords.HASHING, ctx.database() as conn:
            person = links.use(conn, token, new, ctx.now(), ctx.config.heading)
            cookie = begin_session(request, ctx, conn, person)
    except (NotFound, Conflict) as error:
        return _useless(request, error)
    except BadInput as error:
        return _form(request, ctx, token, {error.field or "new": str(error)})
    answer = RedirectResponse("/", 303)
    set_cookie(request, ctx, answer, cookie)
    return answer


def _form(request: Request, ctx: Context, token: str, errors: dict[str, str] | None = None) -> Response:
    try:
        with ctx.database() as conn:
            link = links.look_up(conn, token, ctx.now())
    except BadInput as error:
        return _useless(request, error)
    status = 422 if errors else 200
    return render(request, "invitation.html", status, link=link, errors=errors or {})


def _useless(request: Request, error: BadInput) -> Response:
    return error_page(request, error.status if isinstance(error, NotFound) else GONE, str(error))

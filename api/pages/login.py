"""Logging in and out."""

from __future__ import annotations

import math
from datetime import timedelta
from typing import Annotated

from fastapi import APIRouter, Form, Request
from starlette.responses import RedirectResponse, Response

from api.browsers import in_words
from api.context import Context, Ctx
from api.gate import COOKIE
from api.pages import render
from api.permissions import OPEN_TO_ALL, Oneself
from api.words import duration
from model.rights import Role
from store import passwords, people, sessions
from store.database import Connection
from store.people import Person

router = APIRouter()

WRONG = "Login or password is not right."

NextPage = Annotated[str, Form(alias="next")]


@router.get("/login", dependencies=[OPEN_TO_ALL])
def login_page(request: Request, next: str = "/") -> Response:  # noqa: A002 - its name in the address
    """The form; who is logged in already goes on."""
    if request.state.person:
        return RedirectResponse(_own_path(next), 303)
    return render(request, "login.html", next=_own_path(next), login="", message="")


@router.post("/login", dependencies=[OPEN_TO_ALL])
def log_in(
    request: Request,
    ctx: Ctx,
    login: Annotated[str, Form()] = "",
    password: Annotated[str, Form()] = "",
    next_page: NextPage = "/",
) -> Response:
    """Check the password and set the cookie."""
    address = request.client.host if request.client else ""
    keys = (f"login:{login.strip().lower()[:200]}", f"address:{address}")
    with ctx.throttle.trying(keys, ctx.clock.now_us()) as wait_s:
        if wait_s > 0:
            message = f"Too many failed tries. Try again in {duration(math.ceil(wait_s))}."
            response = render(
                request, "login.html", 429, next=_own_path(next_page), login=login, message=message
            )
            response.headers["Retry-After"] = str(math.ceil(wait_s))
            return response
        found = _token(request, ctx, login, password)
        if found is None:
            ctx.throttle.failed(keys, ctx.clock.now_us())
            return render(request, "login.html", 401, next=_own_path(next_page), login=login, message=WRONG)
        ctx.throttle.succeeded(keys[0])
    token, person = found
    path = _own_path(next_page)
    if path == "/" and person.role == Role.TECHNICIAN:
        path = "/jobs"
    answer = RedirectResponse(path, 303)
    set_cookie(request, ctx, answer, token)
    return answer


@router.post("/logout")
def log_out(request: Request, ctx: Ctx, person: Oneself) -> Response:
    """End the session."""
    with ctx.database() as conn:
        sessions.end(conn, request.cookies.get(COOKIE, ""), ctx.now())
    answer = RedirectResponse("/login", 303)
    answer.delete_cookie(COOKIE)
    return answer


def _token(request: Request, ctx: Context, login: str, password: str) -> tuple[str, Person] | None:
    """The token of a new session and whose it is; None for a wrong login or password."""
    if not login or not password or len(password) > passwords.LONGEST_PASSWORD or "\0" in login:
        return None
    with passwords.HASHING, ctx.database() as conn:
        person = people.check_password(conn, login, password)
        if person is None:
            return None
        return begin_session(request, ctx, conn, person), person


def begin_session(request: Request, ctx: Context, conn: Connection, person: Person) -> str:
    """Begin a session and give the token for its cookie."""
    browser = in_words(request.headers.get("user-agent", ""))
    expires = ctx.now() + timedelta(days=ctx.config.login_days)
    return sessions.begin(conn, person.id, ctx.now(), expires, browser)


def set_cookie(request: Request, ctx: Context, response: Response, token: str) -> None:
    """Give the browser its cookie."""
    secure = ctx.config.cookie_secure
    response.set_cookie(
        COOKIE,
        token,
        max_age=int(ctx.config.login_days * 86_400),
        httponly=True,
        samesite="lax",
        secure=request.url.scheme == "https" if secure is None else secure,
    )


def _own_path(path: str) -> str:
    """A path of ours; anything that a browser could take for another site becomes the board."""
    safe = path.startswith("/") and not path.startswith(("//", "/\\")) and path.isprintable()
    return path if safe and not path.startswith("/login") else "/"

"""Oneself: password and sessions."""

from __future__ import annotations

import math

from fastapi import APIRouter, Request
from pydantic import BaseModel, Field

from api.asked import Asked
from api.context import Context, Ctx
from api.permissions import Oneself
from api.problems import errors_of
from api.routes.people import Ended, SessionView, session_views
from api.words import duration
from model.errors import BadInput, TooOften
from model.rights import Right, Role
from store import passwords, people, sessions
from store.people import Person

router = APIRouter(tags=["oneself"])

WRONG = "This is not your password of now."


class Me(BaseModel):
    """Who asks, and what they may do."""

    id: int
    login: str
    name: str
    role: Role
    rights: list[Right]


class PasswordChange(Asked):
    """Another password."""

    old: str = Field(description="The password of now.")
    new: str = Field(
        description=f"{passwords.SHORTEST_PASSWORD} to {passwords.LONGEST_PASSWORD} characters, "
        "neither the login nor the company's name."
    )


@router.get("/me", responses=errors_of(401, 403, 503))
def me(person: Oneself) -> Me:
    """Who asks, and what they may do."""
    rights = [right for right in Right if right in person.rights]
    return Me(id=person.id, login=person.login, name=person.name, role=Role(person.role), rights=rights)


@router.post("/me/password", responses=errors_of(401, 403, 422, 429, 503))
def change_password(request: Request, ctx: Ctx, person: Oneself, change: PasswordChange) -> Ended:
    """Change the password; all other sessions end. Wrong tries are slowed down as at the login."""
    return Ended(ended=set_own_password(request, ctx, person, change.old, change.new))


@router.get("/me/sessions", responses=errors_of(401, 403, 503))
def list_own_sessions(request: Request, ctx: Ctx, person: Oneself) -> list[SessionView]:
    """Where one is logged in."""
    with ctx.database() as conn:
        return session_views(request, sessions.of_person(conn, person.id, ctx.now()))


@router.delete("/me/sessions", responses=errors_of(401, 403, 503))
def end_other_sessions(request: Request, ctx: Ctx, person: Oneself) -> Ended:
    """Log out everywhere but here."""
    with ctx.database() as conn:
        ended = sessions.end_all(conn, person.id, ctx.now(), person.id, keep=request.state.session)
    return Ended(ended=ended)


@router.delete("/me/sessions/{session_id}", status_code=204, responses=errors_of(401, 403, 404, 503))
def end_own_session(ctx: Ctx, person: Oneself, session_id: int) -> None:
    """Log out in one browser."""
    with ctx.database() as conn:
        sessions.end_one(conn, person.id, session_id, ctx.now(), person.id)


def set_own_password(request: Request, ctx: Context, person: Person, old: str, new: str) -> int:
    """Change one's own password; returns how many other sessions ended.

    Raises
    ------
    BadInput
        With the field ``old`` or ``new``.
    TooOften
        After several wrong tries: who found an open page must not guess here either.
    """
    key = f"login:{person.login}"
    passwords.check_new(new, person.login, ctx.config.heading, field="new")
    with ctx.throttle.trying((key,), ctx.clock.now_us()) as wait_s:
        if wait_s > 0:
            raise TooOften(
                f"Too many failed tries. Try again in {duration(math.ceil(wait_s))}.",
                math.ceil(wait_s),
                field="old",
            )
        return _change(request, ctx, person, old, new, key)


def _change(request: Request, ctx: Context, person: Person, old: str, new: str, key: str) -> int:
    with passwords.HASHING, ctx.database() as conn:
        if len(old) > passwords.LONGEST_PASSWORD or not people.check_password(conn, person.login, old):
            ctx.throttle.failed((key,), ctx.clock.now_us())
            raise BadInput(WRONG, field="old")
        ctx.throttle.succeeded(key)
        if old == new:
            raise BadInput("This is the password that you have; choose another one.", field="new")
        people.set_password(conn, person, new, ctx.now(), ctx.config.heading)
        return sessions.end_all(conn, person.id, ctx.now(), person.id, keep=request.state.session)

"""People who may log in; for administrators."""

from __future__ import annotations

from datetime import datetime
from typing import Any, Literal

from fastapi import APIRouter, Request
from pydantic import BaseModel, Field

from api.asked import Asked
from api.context import Ctx
from api.paging import Page, Paged, Sought
from api.permissions import MayKeepPeople
from api.problems import errors_of
from model.rights import Role
from store import access, links, people, sessions, tokens
from store.database import Connection
from store.links import Made
from store.sessions import Session

router = APIRouter(tags=["people"])


class Invitation(Asked):
    """Somebody to invite."""

    login: str = Field(description="What they log in with: no spaces, small letters.", examples=["nina.holt"])
    name: str = Field("", description="Name in full; the login, if empty.")
    role: Role


class UserView(BaseModel):
    """Somebody who may log in, or who was invited."""

    id: int
    login: str
    name: str
    role: Role
    created_at: datetime
    disabled_at: datetime | None = Field(description="Since when they are kept out; null: they are not.")
    has_password: bool = Field(description="False: invited, and has not set a password yet.")
    link_kind: Literal["invitation", "reset"] | None = Field(description="Kind of their open link, if any.")
    link_expires_at: datetime | None
    last_seen_at: datetime | None = Field(description="Of the sessions that they have now.")
    working_tokens: int | None = Field(
        None, description="Machine tokens that they made and that work, kept out or not; null in lists."
    )


class LinkMade(BaseModel):
    """A link by which somebody sets a password. It is shown this once, works once, and runs out."""

    kind: Literal["invitation", "reset"]
    url: str = Field(description="Give it to the person. Only its digest is kept; note it now.")
    expires_at: datetime


class Invited(BaseModel):
    """An invited person and their link."""

    user: UserView
    link: LinkMade


class UserChange(Asked):
    """What may be changed of a person; what is left out stays."""

    name: str | None = None
    role: Role | None = Field(None, description="Never of the last administrator.")
    disabled: bool | None = Field(
        None, description="True ends their sessions and keeps them out; never the last administrator."
    )
    revoke_tokens: bool = Field(
        False,
        description="Revoke the machine tokens that they made; otherwise those go on working.",
    )


class SessionView(BaseModel):
    """A login of somebody."""

    id: int
    created_at: datetime
    last_seen_at: datetime = Field(description="To the minute.")
    expires_at: datetime
    browser: str = Field(description="In words, from what the browser said at the login; may be empty.")
    current: bool = Field(description="Whether it is the one that asks.")


class Ended(BaseModel):
    """How many sessions ended."""

    ended: int


@router.get("/users", responses=errors_of(401, 403, 422, 503))
def list_users(ctx: Ctx, person: MayKeepPeople, paging: Paged, q: Sought = None) -> Page[UserView]:
    """People by number, disabled and invited ones too."""
    with ctx.database() as conn:
        return paging.page(conn, people.PEOPLE, {"q": q}, lambda row: UserView(**row))


@router.post("/users", status_code=201, responses=errors_of(401, 403, 409, 422, 503))
def invite(request: Request, ctx: Ctx, person: MayKeepPeople, new: Invitation) -> Invited:
    """Invite somebody. The answer holds the link by which they set their password, shown this once."""
    with ctx.database() as conn:
        invited, made = links.invite(conn, new.login, new.name, new.role, ctx.now(), person.id)
        return Invited(user=read_user(conn, invited.id, ctx.now()), link=link_view(request, made))


@router.get("/users/{user_id}", responses=errors_of(401, 403, 404, 503))
def user(ctx: Ctx, person: MayKeepPeople, user_id: int) -> UserView:
    """One person."""
    with ctx.database() as conn:
        return read_user(conn, user_id, ctx.now())


@router.patch("/users/{user_id}", responses=errors_of(401, 403, 404, 409, 422, 503))
def change_user(ctx: Ctx, person: MayKeepPeople, user_id: int, change: UserChange) -> UserView:
    """Rename, give another role, disable or enable; all of it or nothing."""
    now = ctx.now()
    with ctx.database() as conn:
        people.by_id(conn, user_id)
        if change.role is not None:
            access.change_role(conn, user_id, change.role, now, person.id)
        if change.name is not None:
            access.rename(conn, user_id, change.name, now, person.id)
        if change.disabled is not None:
            (access.disable if change.disabled else access.enable)(conn, user_id, now, person.id)
        if change.revoke_tokens:
            tokens.revoke_made_by(conn, user_id, now, person.id)
        return read_user(conn, user_id, now)


@router.post("/users/{user_id}/link", status_code=201, responses=errors_of(401, 403, 404, 409, 503))
def make_link(request: Request, ctx: Ctx, person: MayKeepPeople, user_id: int) -> LinkMade:
    """A new link to set a password: after a forgotten one, or instead of a lost invitation."""
    with ctx.database() as conn:
        return link_view(request, links.make(conn, user_id, ctx.now(), person.id))


@router.delete("/users/{user_id}/link", status_code=204, responses=errors_of(401, 403, 404, 503))
def withdraw_link(ctx: Ctx, person: MayKeepPeople, user_id: int) -> None:
    """Withdraw the open link of a person, if there is one."""
    with ctx.database() as conn:
        people.by_id(conn, user_id)
        links.withdraw(conn, user_id, ctx.now(), person.id)


@router.get("/users/{user_id}/sessions", responses=errors_of(401, 403, 404, 503))
def list_sessions(request: Request, ctx: Ctx, person: MayKeepPeople, user_id: int) -> list[SessionView]:
    """Where a person is logged in."""
    with ctx.database() as conn:
        people.by_id(conn, user_id)
        return session_views(request, sessions.of_person(conn, user_id, ctx.now()))


@router.delete("/users/{user_id}/sessions", responses=errors_of(401, 403, 404, 503))
def end_sessions(ctx: Ctx, person: MayKeepPeople, user_id: int) -> Ended:
    """Log a person out everywhere; their open pages end within seconds."""
    with ctx.database() as conn:
        people.by_id(conn, user_id)
        return Ended(ended=sessions.end_all(conn, user_id, ctx.now(), person.id))


@router.delete(
    "/users/{user_id}/sessions/{session_id}", status_code=204, responses=errors_of(401, 403, 404, 503)
)
def end_session(ctx: Ctx, person: MayKeepPeople, user_id: int, session_id: int) -> None:
    """Log a person out in one browser."""
    with ctx.database() as conn:
        sessions.end_one(conn, user_id, session_id, ctx.now(), person.id)


def read_user(conn: Connection, user_id: int, now: datetime) -> UserView:
    """A person; raises `NotFound`."""
    found = people.details(conn, user_id)
    return UserView(
        **{name: getattr(found, name) for name in UserView.model_fields if name != "working_tokens"},
        working_tokens=len(tokens.working_of(conn, user_id, now)),
    )


def link_view(request: Request, made: Made) -> LinkMade:
    """A link with its whole address, as the caller reached us."""
    url = request.url.replace(path=f"/invitation/{made.token}", query="", fragment="")
    return LinkMade(kind=made.kind, url=str(url), expires_at=made.expires_at)  # type: ignore[arg-type]


def session_views(request: Request, found: list[Session]) -> list[SessionView]:
    """Sessions, and which of them asks."""
    asking: Any = request.state.session
    return [
        SessionView(
            id=one.id,
            created_at=one.created_at,
            last_seen_at=one.last_seen_at,
            expires_at=one.expires_at,
            browser=one.browser,
            current=one.id == asking,
        )
        for one in found
    ]

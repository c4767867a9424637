"""People and tokens, for administrators: inviting, roles, keeping out, sessions."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import timedelta
from typing import Annotated

from fastapi import APIRouter, Form, Request
from starlette.responses import Response

from api.context import Context, Ctx
from api.pages import render
from api.pages.after import see
from api.pages.setup.search import narrowed
from api.permissions import MayKeepPeople
from api.routes.people import link_view, session_views
from model.errors import BadInput
from model.rights import MEANING, RIGHTS, SCOPES, Right, Role
from store import access, links, people, sessions, tokens
from store.database import Connection
from store.people import Person

router = APIRouter(prefix="/setup")

Field = Annotated[str, Form()]
DAYS = "90"
"""How long a token lasts that nobody thought about."""
LONGEST_DAYS = tokens.LONGEST_LIFE.days - 1
NOTHING_TYPED: Mapping[str, str] = {"login": "", "name": "", "role": ""}


@router.get("/people")
def people_page(request: Request, ctx: Ctx, person: MayKeepPeople) -> Response:
    """Everybody, and the form to invite somebody."""
    return _people(request, ctx, NOTHING_TYPED)


@router.post("/people")
def invite(
    request: Request, ctx: Ctx, person: MayKeepPeople, login: Field = "", name: Field = "", role: Field = ""
) -> Response:
    """Invite somebody; the page that answers shows the link, this once."""
    try:
        with ctx.database() as conn:
            invited, made = links.invite(conn, login, name, role, ctx.now(), person.id)
    except BadInput as error:
        return _people(request, ctx, {"login": login, "name": name, "role": role}, _at(error, "login"))
    return render(request, "link_made.html", 201, subject=invited, link=link_view(request, made))


@router.get("/people/{person_id}")
def person_page(request: Request, ctx: Ctx, person: MayKeepPeople, person_id: int) -> Response:
    """One person: role, link, sessions."""
    return _person(request, ctx, person_id)


@router.post("/people/{person_id}")
def change(
    request: Request, ctx: Ctx, person: MayKeepPeople, person_id: int, name: Field = "", role: Field = ""
) -> Response:
    """Name and role."""

    def act(conn: Connection) -> None:
        access.change_role(conn, person_id, role, ctx.now(), person.id)
        access.rename(conn, person_id, name, ctx.now(), person.id)

    return _act(request, ctx, person_id, act, {"name": name, "role": role})


@router.post("/people/{person_id}/disable")
def disable(
    request: Request,
    ctx: Ctx,
    person: MayKeepPeople,
    person_id: int,
    revoke_tokens: Annotated[bool, Form()] = False,
) -> Response:
    """Keep somebody out, and what they let in if that is asked for."""

    def act(conn: Connection) -> None:
        access.disable(conn, person_id, ctx.now(), person.id)
        if revoke_tokens:
            tokens.revoke_made_by(conn, person_id, ctx.now(), person.id)

    return _act(request, ctx, person_id, act)


@router.post("/people/{person_id}/enable")
def enable(request: Request, ctx: Ctx, person: MayKeepPeople, person_id: int) -> Response:
    """Let somebody in again."""
    return _act(request, ctx, person_id, lambda conn: access.enable(conn, person_id, ctx.now(), person.id))


@router.post("/people/{person_id}/link")
def make_link(request: Request, ctx: Ctx, person: MayKeepPeople, person_id: int) -> Response:
    """Make a link to set a password; the page that answers shows it, this once."""
    with ctx.database() as conn:
        subject = people.by_id(conn, person_id)
    try:
        with ctx.database() as conn:
            made = links.make(conn, person_id, ctx.now(), person.id)
    except BadInput as error:
        return _person(request, ctx, person_id, _at(error, "access"))
    return render(request, "link_made.html", 201, subject=subject, link=link_view(request, made))


@router.post("/people/{person_id}/link/withdraw")
def withdraw_link(request: Request, ctx: Ctx, person: MayKeepPeople, person_id: int) -> Response:
    """Withdraw the open link."""
    return _act(request, ctx, person_id, lambda conn: links.withdraw(conn, person_id, ctx.now(), person.id))


@router.post("/people/{person_id}/sessions/end")
def end_sessions(request: Request, ctx: Ctx, person: MayKeepPeople, person_id: int) -> Response:
    """Log somebody out everywhere."""
    return _act(request, ctx, person_id, lambda conn: sessions.end_all(conn, person_id, ctx.now(), person.id))


@router.post("/people/{person_id}/sessions/{session_id}/end")
def end_session(
    request: Request, ctx: Ctx, person: MayKeepPeople, person_id: int, session_id: int
) -> Response:
    """Log somebody out in one browser."""

    def act(conn: Connection) -> None:
        sessions.end_one(conn, person_id, session_id, ctx.now(), person.id)

    return _act(request, ctx, person_id, act, at="sessions")


@router.get("/tokens")
def tokens_page(request: Request, ctx: Ctx, person: MayKeepPeople) -> Response:
    """All tokens, and the form to make one."""
    return _tokens(request, ctx, {"name": "", "days": DAYS}, [Right.LOOK])


@router.post("/tokens")
def make_token(
    request: Request,
    ctx: Ctx,
    person: MayKeepPeople,
    name: Field = "",
    days: Field = "",
    scopes: Annotated[list[str] | None, Form()] = None,
) -> Response:
    """Make a token; the page that answers shows it, this once."""
    wanted = scopes or []
    try:
        length = whole_days(days)
        with ctx.database() as conn:
            made, secret = tokens.make(conn, name, wanted, ctx.now() + length, ctx.now(), person.id)
    except BadInput as error:
        return _tokens(request, ctx, {"name": name, "days": days}, wanted, _at(error, "name"))
    return render(request, "token_made.html", 201, token=made, secret=secret)


@router.post("/tokens/{token_id}/revoke")
def revoke_token(ctx: Ctx, person: MayKeepPeople, token_id: int) -> Response:
    """Make a token useless."""
    with ctx.database() as conn:
        tokens.revoke(conn, token_id, ctx.now(), person.id)
    return see("/setup/tokens", "revoked")


def whole_days(text: str) -> timedelta:
    """How long a token shall last; raises `BadInput`."""
    text = text.strip()
    if not (text.isascii() and text.isdigit() and len(text) < 5 and 1 <= int(text) <= LONGEST_DAYS):
        raise BadInput(f"A whole number of days, from 1 to {LONGEST_DAYS}.", field="days")
    return timedelta(days=int(text))


def _at(error: BadInput, otherwise: str) -> dict[str, str]:
    return {error.field or otherwise: str(error)}


def _act(
    request: Request,
    ctx: Context,
    person_id: int,
    act: Callable[[Connection], object],
    typed: Mapping[str, str] | None = None,
    at: str = "access",
) -> Response:
    """Do it and show the person again; what cannot be done is said at its place."""
    with ctx.database() as conn:
        people.by_id(conn, person_id)
    try:
        with ctx.database() as conn:
            act(conn)
    except BadInput as error:
        return _person(request, ctx, person_id, _at(error, at), typed)
    asking: Person = request.state.person
    # Who has just disabled themselves or given up the role may see this page no longer.
    with ctx.database() as conn:
        now = people.details(conn, asking.id)
    stays = now.disabled_at is None and Right.PEOPLE in RIGHTS[Role(now.role)]
    return see(f"/setup/people/{person_id}" if stays else "/")


def _people(
    request: Request, ctx: Context, typed: Mapping[str, str], errors: Mapping[str, str] | None = None
) -> Response:
    with ctx.database() as conn:
        everybody, search = narrowed(request, conn, people.PEOPLE, people.listed(conn), {})
    return render(
        request,
        "people.html",
        422 if errors else 200,
        everybody=everybody,
        search=search,
        typed=typed,
        errors=errors or {},
        roles=_roles(),
    )


def _person(
    request: Request,
    ctx: Context,
    person_id: int,
    errors: Mapping[str, str] | None = None,
    typed: Mapping[str, str] | None = None,
) -> Response:
    with ctx.database() as conn:
        subject = people.details(conn, person_id)
        running = session_views(request, sessions.of_person(conn, person_id, ctx.now()))
        made = tokens.working_of(conn, person_id, ctx.now())
    return render(
        request,
        "person.html",
        422 if errors else 200,
        subject=subject,
        sessions=running,
        tokens=made,
        typed=typed or {"name": subject.name, "role": subject.role},
        errors=errors or {},
        roles=_roles(),
    )


def _tokens(
    request: Request,
    ctx: Context,
    typed: Mapping[str, str],
    wanted: list[str] | list[Right],
    errors: Mapping[str, str] | None = None,
) -> Response:
    with ctx.database() as conn:
        everything = tokens.everything(conn)
    return render(
        request,
        "tokens.html",
        422 if errors else 200,
        tokens=[(token, token.state(ctx.now())) for token in everything],
        typed=typed,
        wanted=wanted,
        errors=errors or {},
        scopes=[(right, MEANING[right]) for right in Right if right in SCOPES],
        longest=LONGEST_DAYS,
    )


def _roles() -> list[tuple[Role, str]]:
    """Each role with what it may do beyond the one before, in words."""
    before: frozenset[Right] = frozenset({Right.OWN})
    found = []
    for role in Role:
        more = [MEANING[right] for right in Right if right in RIGHTS[role] - before]
        found.append((role, "; ".join(more)))
        before = before | RIGHTS[role]
    return found

"""``user`` and ``token``."""

from __future__ import annotations

import sys
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Annotated

import typer

from model.clock import to_datetime
from ops.commands.common import Json, clock, database
from ops.output import as_row, show, show_one
from ops.settings import load

if TYPE_CHECKING:
    from store.people import Listed
    from store.tokens import Token

user = typer.Typer(help="People who may log in.", no_args_is_help=True)
token = typer.Typer(help="Tokens by which machines use the API.", no_args_is_help=True)

Login = Annotated[str, typer.Argument(show_default=False)]
Role = Annotated[str, typer.Option(help="technician, dispatcher, manager or administrator.")]
Name = Annotated[str, typer.Option(help="Name in full.")]
Address = Annotated[
    str | None,
    typer.Option(
        help="How browsers reach the pages, for the whole link: https://holdfast.example", show_default=False
    ),
]


@user.command("add")
def add_user(login: Login, role: Role, name: Name = "", json: Json = False) -> None:
    """Register a person; prints the password, this once."""
    from store import people

    with database() as connection:
        person, password = people.add(connection, login, name, role, _now())
        made = _row(people.details(connection, person.id))
    show_one({**made, "password": password}, as_json=json)


@user.command("invite")
def invite_user(
    login: Login, role: Role, name: Name = "", address: Address = None, json: Json = False
) -> None:
    """Register a person who sets a password of their own; prints the link, this once."""
    from store import links, people

    with database() as connection:
        person, made = links.invite(connection, login, name, role, _now(), None)
        row = _row(people.details(connection, person.id))
    show_one({**row, "link": _link(address, made.token)}, as_json=json)


@user.command("reset")
def reset_user(login: Login, address: Address = None, json: Json = False) -> None:
    """Make a link by which a person sets a new password; prints it, this once."""
    from store import links, people

    with database() as connection:
        person = people.by_login(connection, login)
        made = links.make(connection, person.id, _now(), None)
        row = _row(people.details(connection, person.id))
    show_one({**row, "link": _link(address, made.token)}, as_json=json)


@user.command("role")
def change_role(login: Login, role: Annotated[str, typer.Argument()], json: Json = False) -> None:
    """Give a person another role; never to the last administrator."""
    from store import access, people

    with database() as connection:
        person = people.by_login(connection, login)
        access.change_role(connection, person.id, role, _now(), None)
        row = _row(people.details(connection, person.id))
    show_one(row, as_json=json)


@user.command("disable")
def disable_user(
    login: Login,
    revoke_tokens: Annotated[
        bool, typer.Option(help="Revoke the tokens that they made too; otherwise those go on working.")
    ] = False,
    json: Json = False,
) -> None:
    """Keep a person out: ends their sessions; never the last administrator."""
    from store import access, people, tokens

    with database() as connection:
        person = people.by_login(connection, login)
        access.disable(connection, person.id, _now(), None)
        if revoke_tokens:
            tokens.revoke_made_by(connection, person.id, _now(), None)
        left = len(tokens.working_of(connection, person.id, _now()))
        row = _row(people.details(connection, person.id))
    show_one({**row, "working_tokens": left}, as_json=json)
    if left:
        made = "The machine token" if left == 1 else f"The {left} machine tokens"
        goes = "goes" if left == 1 else "go"
        print(f"{made} that {login} made {goes} on working; --revoke-tokens revokes them.", file=sys.stderr)


@user.command("enable")
def enable_user(login: Login, json: Json = False) -> None:
    """Let a person in again, with the password that they had."""
    from store import access, people

    with database() as connection:
        person = people.by_login(connection, login)
        access.enable(connection, person.id, _now(), None)
        row = _row(people.details(connection, person.id))
    show_one(row, as_json=json)


@user.command("list")
def list_users(json: Json = False) -> None:
    """Everybody, those kept out too."""
    from store import people

    with database() as connection:
        show([_row(person) for person in people.listed(connection)], as_json=json)


@user.command("show")
def show_user(login: Login, json: Json = False) -> None:
    """One person."""
    from store import people

    with database() as connection:
        person = people.by_login(connection, login)
        show_one(_row(people.details(connection, person.id)), as_json=json)


@token.command("add")
def add_token(
    name: Annotated[str, typer.Argument(help="What it is for.", show_default=False)],
    scope: Annotated[list[str], typer.Option(help="What it may do; give it several times.")],
    days: Annotated[int, typer.Option(help="How long it lasts, 1 to 365.")],
    json: Json = False,
) -> None:
    """Make a token; prints it, this once."""
    from model.errors import BadInput
    from store import tokens

    if not 1 <= days < tokens.LONGEST_LIFE.days:
        raise BadInput(
            f"A token lasts from 1 to {tokens.LONGEST_LIFE.days - 1} days, not {days}.", field="days"
        )
    now = _now()
    with database() as connection:
        made, secret = tokens.make(connection, name, scope, now + timedelta(days=days), now, None)
    show_one({**_token_row(made, now), "token": secret}, as_json=json)


@token.command("list")
def list_tokens(json: Json = False) -> None:
    """All tokens, the newest first."""
    from store import tokens

    now = _now()
    with database() as connection:
        show([_token_row(one, now) for one in tokens.everything(connection)], as_json=json)


@token.command("revoke")
def revoke_token(
    name: Annotated[str, typer.Argument(help="Its name, or how it begins: hf_…", show_default=False)],
    json: Json = False,
) -> None:
    """Make a token useless at once."""
    from store import tokens

    now = _now()
    with database() as connection:
        found = tokens.by_name(connection, name)
        tokens.revoke(connection, found.id, now, None)
        row = _token_row(tokens.by_id(connection, found.id), now)
    show_one(row, as_json=json)


def _now() -> datetime:
    return to_datetime(clock().now_us())


def _link(address: str | None, link_token: str) -> str:
    base = address or _own_address()
    return f"{base.rstrip('/')}/invitation/{link_token}"


def _own_address() -> str:
    """Where this data folder's own pages are; empty if they are served elsewhere."""
    from ops import tls
    from ops.installation import read

    settings = load()
    installation = read(settings.data_dir) if settings.database_url is None else None
    if installation is None or installation.http_port is None:
        return settings.public_url or ""
    return tls.pages_address(settings, installation.http_port)


def _row(person: Listed) -> dict[str, object]:
    state = "disabled" if person.disabled_at else "active" if person.has_password else "invited"
    row = as_row(person)
    return {name: row[name] for name in ("id", "login", "name", "role")} | {
        "state": state,
        "link_until": person.link_expires_at,
        "last_seen": person.last_seen_at,
    }


def _token_row(made: Token, now: datetime) -> dict[str, object]:
    return {
        "id": made.id,
        "name": made.name,
        "short": made.short,
        "scopes": ", ".join(made.scopes),
        "state": made.state(now),
        "expires_at": made.expires_at,
        "last_used_at": made.last_used_at,
        "made_by": made.made_by,
    }

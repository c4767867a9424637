"""``user``."""

from __future__ import annotations

from typing import Annotated

import typer

from model.clock import to_datetime
from ops.commands.common import Json, clock, database
from ops.output import as_row, show, show_one

user = typer.Typer(help="People who may log in.", no_args_is_help=True)


@user.command("add")
def add_user(
    login: Annotated[str, typer.Argument(show_default=False)],
    role: Annotated[str, typer.Option(help="technician, dispatcher, manager or administrator.")],
    name: Annotated[str, typer.Option(help="Name in full.")] = "",
    json: Json = False,
) -> None:
    """Register a person; prints the password, this once."""
    from store import people

    with database() as connection:
        now = to_datetime(clock().now_us())
        person, password = people.add(connection, login, name, role, now)
    show_one({**as_row(person), "password": password}, as_json=json)


@user.command("list")
def list_users(json: Json = False) -> None:
    """Everybody who may log in."""
    from store import people

    with database() as connection:
        show([as_row(person) for person in people.everybody(connection)], as_json=json)


@user.command("show")
def show_user(login: Annotated[str, typer.Argument(show_default=False)], json: Json = False) -> None:
    """One person."""
    from store import people

    with database() as connection:
        show_one(as_row(people.by_login(connection, login)), as_json=json)

"""``channel`` and ``morning``."""

from __future__ import annotations

import sys
import time
from typing import TYPE_CHECKING, Annotated

import typer

from ops.commands.common import Json, by, clock, database, seal_key
from ops.output import show, show_one
from ops.settings import load

if TYPE_CHECKING:
    from model.channel import Channel

channel = typer.Typer(help="Over which channels people are told.", no_args_is_help=True)
morning = typer.Typer(help="The holds of the night, in the morning.", no_args_is_help=True)

PATIENCE_S = 15.0

Whose = Annotated[str | None, typer.Option("--person", help="Login of its owner; left out: Dispatch.")]
Number = Annotated[int, typer.Argument(help="Its number, of `channel list`.", show_default=False)]


@channel.command("add")
def add_channel(
    person: Whose = None,
    name: Annotated[str, typer.Option(help="For the list.")] = "",
    tells: Annotated[
        list[str] | None, typer.Option(help="plans, mornings or alerts; give it several times.")
    ] = None,
    json: Json = False,
) -> None:
    """Add a channel; its address is asked for, or read from the standard input, for it may be a secret."""
    from store import channels, people
    from store.seal import Seal

    hidden = sys.stdin.isatty()
    address = typer.prompt("Address", hide_input=True) if hidden else sys.stdin.readline()
    with database() as connection:
        owner = None if person is None else people.by_login(connection, person).id
        seal = Seal(seal_key(load()))
        made = channels.enter(connection, seal, owner, address, name, tells, by())
    show_one(_row(made), as_json=json)


@channel.command("list")
def list_channels(person: Whose = None, json: Json = False) -> None:
    """The channels of somebody, or of Dispatch."""
    from store import channels, people

    with database() as connection:
        owner = None if person is None else people.by_login(connection, person).id
        show([_row(one) for one in channels.of(connection, owner)], as_json=json)


@channel.command("test")
def send_test(number: Number, json: Json = False) -> None:
    """Send a test message and say what came of it."""
    from model.errors import BadInput
    from store import channels, notifications

    with database(autocommit=True) as connection:
        found = channels.any_by_id(connection, number)
        if not found.kind.for_people:
            raise BadInput("A webhook is tested by its receiver: alerts go there.")
        sent = notifications.enqueue(connection, number, notifications.TEST, {}, clock().now_us())
        until = time.monotonic() + PATIENCE_S
        while True:
            tried = notifications.tried(connection, number, number=sent)
            if tried is None or tried.sent_at or tried.given_up_at or time.monotonic() > until:
                break
            time.sleep(0.2)
        if tried is None or tried.given_up_at:
            raise BadInput(f"It was not sent: {'' if tried is None else tried.error}.")
        if not tried.sent_at:
            raise BadInput("It is on its way still; if it stays so, the desk does not run.")
        show_one({**_row(found), "test": "handed over; look whether it arrived"}, as_json=json)


@channel.command("go-on")
def let_go_on(number: Number, json: Json = False) -> None:
    """Let a channel go on that was stopped (a webhook that answered 410), and forget what failed."""
    from store import channels

    with database() as connection:
        found = channels.go_on(connection, channels.any_by_id(connection, number), by())
    show_one(_row(found), as_json=json)


@channel.command("remove")
def remove_channel(number: Number, json: Json = False) -> None:
    """Send nothing there any more, and forget its address."""
    from store import channels

    with database() as connection:
        found = channels.any_by_id(connection, number)
        channels.remove(connection, found, by())
    show_one(_row(found), as_json=json)


@morning.command("show")
def show_morning(
    day: Annotated[str | None, typer.Option(help="YYYY-MM-DD; left out: the newest.")] = None,
    json: Json = False,
) -> None:
    """What became of a night."""
    from datetime import date

    from api.mornings import morning as read
    from model.errors import BadInput

    try:
        wanted = None if day is None else date.fromisoformat(day)
    except ValueError as error:
        raise BadInput(f"{day!r} is no day; write it as YYYY-MM-DD.", field="--day") from error
    with database() as connection:
        found = read(connection, wanted, clock().now_us(), lambda text, told, zone: text)
    if json:
        print(found.model_dump_json())
        return
    print(found.summary)
    rows: list[dict[str, object]] = [
        {
            "site": one.site,
            "job": one.job,
            "verdict": one.verdict.value,
            "cause": one.cause,
            "how_soon": one.line,
        }
        for one in found.holds
    ]
    if rows:
        show(rows, as_json=False)
    for plan in found.plans:
        print(f"{plan.site}, {plan.job}: {plan.text}")


@morning.command("time")
def set_time(
    at: Annotated[str | None, typer.Option(help="HH:MM; left out: only says when it comes.")] = None,
    time_zone: Annotated[str, typer.Option(help="Left out: the one that most sites are in.")] = "",
    json: Json = False,
) -> None:
    """Say or choose when the mornings come."""
    from desk.core import night, wall_time
    from store import mornings

    with database() as connection:
        if at is not None:
            wall = wall_time.parse(at, "--at")
            chosen = mornings.choose(connection, wall, time_zone or None, by())
            mornings.set_timer(connection, night.next_us(clock().now_us(), chosen.at, chosen.zone))
        found = mornings.when(connection)
    row = {"at": f"{found.at:%H:%M}", "time_zone": found.zone, "chosen": found.chosen_zone is not None}
    show_one(row, as_json=json)


def _row(found: Channel) -> dict[str, object]:
    return {
        "id": found.id,
        "kind": found.kind.value,
        "name": found.name,
        "address": found.shown,
        "tells": ", ".join(found.tells),
        "stopped_at": found.stopped_at,
        "problem": found.stopped_because or found.failure,
    }

"""``quarantine``."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from ops.commands.common import Json, clock, database
from ops.output import show, show_one

quarantine = typer.Typer(help="What gateways sent and was refused.", no_args_is_help=True)


@quarantine.command("list")
def list_refused(
    gateway: Annotated[str | None, typer.Option(help="Only from this gateway.")] = None,
    reason: Annotated[str | None, typer.Option(help="Only with this code.")] = None,
    text: Annotated[str | None, typer.Option(help="Only with this in the topic or the sentence.")] = None,
    limit: Annotated[int, typer.Option(min=1, max=10_000, help="The newest so many.")] = 100,
    json: Json = False,
) -> None:
    """What was refused and why, newest first."""
    from store.lists import QUARANTINE
    from store.quarantine import Wanted

    with database() as connection:
        rows = QUARANTINE.page(connection, Wanted(gateway, reason, text).filters(), None, limit)
    columns = ("id", "arrived_at", "topic", "reason", "message", "times", "replayed_at")
    short = [{key: row[key] for key in columns} for row in rows]
    show(rows if json else short, as_json=json, nothing="Nothing was refused.")


@quarantine.command("raw")
def raw_bytes(number: Annotated[int, typer.Argument(metavar="ID", min=1, max=2**62)]) -> None:
    """The bytes of a refused message as they came, to the standard output."""
    from store.quarantine import raw_of

    with database() as connection:
        sys.stdout.buffer.write(raw_of(connection, number))


@quarantine.command("shares")
def list_shares(json: Json = False) -> None:
    """What each gateway has in quarantine, and what of it was only counted for want of room."""
    from ops.output import as_row
    from store.quarantine import shares

    with database() as connection:
        found = shares(connection)
    short = [
        {
            **as_row(share),
            "gateway": share.gateway or "(none registered)",
            "only_counted": ", ".join(f"{reason} {n}" for reason, n in share.only_counted.items()),
        }
        for share in found
    ]
    show([as_row(share) for share in found] if json else short, as_json=json, nothing="Nothing was refused.")


@quarantine.command("replay")
def replay_refused(
    numbers: Annotated[
        list[int] | None, typer.Argument(metavar="[ID]...", help="Which; without any, all.")
    ] = None,
    json: Json = False,
) -> None:
    """Read again what was refused, with the equipment as it is registered now."""
    from ingest.replay import replay
    from ops.output import as_row

    with database(autocommit=True) as connection:
        result = replay(connection, clock(), numbers or None)
    show_one(as_row(result), as_json=json)

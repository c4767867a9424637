"""What the sub-commands share."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Annotated

import typer

from ops.settings import Settings, load

if TYPE_CHECKING:
    from model.clock import Clock
    from store.audit import By
    from store.database import Connection

FAILED = 2
"""Exit status of a command that failed."""

Unit = Annotated[str | None, typer.Option("--unit", help="Show pressures in it, such as hPa.")]
Json = Annotated[bool, typer.Option("--json", help="Print JSON.")]


@contextmanager
def database(*, autocommit: bool = False) -> Iterator[Connection]:
    """A connection in a transaction that is committed at the end, or one for each statement."""
    from ops.services import database_url
    from store.database import connect_or_say

    with connect_or_say(database_url(load()), application="command", autocommit=autocommit) as connection:
        yield connection


def clock(settings: Settings | None = None) -> Clock:
    """The installation's clock."""
    from model.clock import ReplayClock, SystemClock
    from model.errors import BadInput
    from ops.installation import read

    settings = settings or load()
    installation = read(settings.data_dir) if settings.database_url is None else None
    replay = settings.replay or (installation.replay if installation else None)
    if replay is None:
        return SystemClock()
    try:
        return ReplayClock.parse(replay)
    except ValueError as error:
        raise BadInput(f"HOLDFAST_REPLAY cannot be used: {error}.") from error


def seal_key(settings: Settings) -> str:
    """Under which addresses that hold secrets are kept; empty: there is none."""
    from ops.installation import read

    if settings.seal_key:
        return settings.seal_key
    installation = read(settings.data_dir)
    return "" if installation is None else installation.seal_key


def by() -> By:
    """Who acts, for the audit: nobody by name, from the command line."""
    from model.clock import to_datetime
    from store.audit import By

    return By(to_datetime(clock().now_us()))

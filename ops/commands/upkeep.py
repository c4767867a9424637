"""``tend``: what the analyse process does every hour, now and by hand."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Annotated

import typer

from ops.commands.common import Json, clock

if TYPE_CHECKING:
    from store.upkeep import Done, Say

STATEMENT_S = 3600.0


def tend(
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Only say what would be made, moved and dropped.")
    ] = False,
    json: Json = False,
) -> None:
    """Tend the readings: partitions ahead, compression, retention (HOLDFAST_KEEP_DAYS).

    Holdfast does so by itself every hour; jobs keep their readings as evidence.
    """
    from dataclasses import asdict

    from model.errors import Conflict
    from ops.output import show_one
    from ops.services import database_url
    from ops.settings import load
    from store import upkeep
    from store.database import connect_or_say

    settings = load()
    rules = upkeep.Rules(settings.keep_days, settings.columnstore_days)
    with (
        connect_or_say(
            database_url(settings), application="tend", autocommit=True, statement_timeout_s=STATEMENT_S
        ) as conn,
        _bar() as say,
    ):
        done = upkeep.tend(conn, rules, clock(settings).now_us(), say=say, dry_run=dry_run)
    if done.busy:
        raise Conflict("The readings of this database are being tended already: try again later.")
    show_one(asdict(done) if json else _in_words(done, dry_run=dry_run), as_json=json)


def _in_words(done: Done, *, dry_run: bool) -> dict[str, object]:
    """What was done, for people: lists as how many, and the first and last of them."""
    return {
        **({"dry run": "nothing was done, this is what would be"} if dry_run else {}),
        "layout": done.layout,
        "partitions made": _several(done.made),
        "readings moved out of the default partition": done.emptied,
        "compressed": _several(done.columnar),
        "dropped": _several(done.dropped),
        "readings of them kept as evidence": done.evidence,
        "minute rollups dropped": done.rollups,
        "not dropped yet": "; ".join(f"{held.name}: {held.why}" for held in done.held),
        "put off, others were at it": "; ".join(done.postponed),
    }


def _several(names: list[str]) -> str:
    if len(names) <= 2:
        return ", ".join(names) or "none"
    return f"{len(names)}, {names[0]} to {names[-1]}"


@contextmanager
def _bar() -> Iterator[Say]:
    """A bar on a terminal's standard error, for what takes longer than a moment."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    console = Console(stderr=True)
    shown = Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.completed}/{task.total}"),
        TimeElapsedColumn(),
        console=console,
        transient=True,
        disable=not console.is_terminal,
    )
    with shown:
        task = shown.add_task("tending the readings", total=None)

        def say(what: str, at: int, of: int) -> None:
            shown.update(task, description=what, completed=at, total=of)

        yield say

"""``procedure``."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from ops.commands.common import Json, Unit, by, database
from ops.commands.tables import DryRun, Table, import_table
from ops.output import as_row, in_unit, show, show_one

if TYPE_CHECKING:
    from model.procedure import Procedure

SMALLEST = "smallest_rise_pa_per_s"
"""The smallest steady rise that a hold by it can show: a lax procedure gives itself away here."""

procedure = typer.Typer(help="What a job asks for.", no_args_is_help=True)


@procedure.command("add")
def add_procedure(
    name: Annotated[str, typer.Argument(show_default=False)],
    target: Annotated[str, typer.Option(help="Such as '500 micron'.")],
    hold: Annotated[str, typer.Option(help="Length of the hold, such as '30 min'.")],
    origin: Annotated[str, typer.Option(help="Where its numbers come from, in words.")],
    dwell: Annotated[str, typer.Option(help="Time at the target.")] = "5 min",
    settle: Annotated[str, typer.Option(help="Settling time within the hold.")] = "5 min",
    limit: Annotated[str | None, typer.Option(help="Permitted absolute pressure.")] = None,
    rise: Annotated[str | None, typer.Option(help="Permitted rise above the start.")] = None,
    persistence: Annotated[str, typer.Option(help="Over the limit for this long fails.")] = "60 s",
    median: Annotated[str, typer.Option(help="Length of the trailing median.")] = "60 s",
    breaks: Annotated[int, typer.Option(min=0, help="Breaks with dry nitrogen.")] = 0,
    patience: Annotated[str, typer.Option(help="How long missing readings are awaited.")] = "24 h",
    json: Json = False,
) -> None:
    """Store a procedure; one of the same name becomes its next version."""
    from model.procedure import Procedure
    from ops.quantities import duration, pressure
    from store import procedures

    wanted = Procedure(
        name=name,
        target_pa=pressure(target, "--target"),
        dwell_s=duration(dwell, "--dwell"),
        hold_s=duration(hold, "--hold"),
        settle_s=duration(settle, "--settle"),
        limit_pa=pressure(limit, "--limit") if limit else None,
        rise_pa=pressure(rise, "--rise") if rise else None,
        origin=origin,
        persistence_s=duration(persistence, "--persistence"),
        filter_s=duration(median, "--median"),
        breaks=breaks,
        patience_s=duration(patience, "--patience"),
    )
    with database() as connection:
        show_one(_row(procedures.add(connection, wanted, by=by())), as_json=json)


@procedure.command("list")
def list_procedures(unit: Unit = None, json: Json = False) -> None:
    """The newest version of each procedure."""
    from store import procedures

    with database() as connection:
        rows = [_row(found) for found in procedures.newest(connection)]
    columns = ("id", "name", "version", "target_pa", "hold_s", "limit_pa", "rise_pa", SMALLEST)
    listed = rows if json else [{key: row[key] for key in columns} for row in rows]
    show([in_unit(row, unit) for row in listed], as_json=json)


@procedure.command("show")
def show_procedure(
    name: Annotated[str, typer.Argument(show_default=False)], unit: Unit = None, json: Json = False
) -> None:
    """One procedure with the origin of its numbers."""
    from store import procedures

    with database() as connection:
        show_one(in_unit(_row(procedures.named(connection, name)), unit), as_json=json)


@procedure.command("default")
def choose_default(
    name: Annotated[str, typer.Argument(help="Name, or number of a version.", show_default=False)],
    json: Json = False,
) -> None:
    """Let jobs that a reading opens get this one from now on."""
    from store import procedures

    with database() as connection:
        found = procedures.named(connection, name)
        show_one(_row(procedures.choose_default(connection, found.id, by())), as_json=json)


@procedure.command("delete")
def delete_procedure(
    number: Annotated[str, typer.Argument(help="Name, or number of a version.", show_default=False)],
    json: Json = False,
) -> None:
    """Delete a version that no job was given; by name, the newest one."""
    from store import procedures

    with database() as connection:
        found = procedures.named(connection, number)
        procedures.delete(connection, found.id, by())
    show_one({**_row(found), "deleted": True}, as_json=json)


@procedure.command("import")
def import_procedures(file: Table, dry_run: DryRun = False, json: Json = False) -> None:
    """Procedures from a table; a known name with other numbers becomes its next version. All or nothing."""
    import_table("procedure", file, dry_run=dry_run, json=json)


def _row(found: Procedure) -> dict[str, object]:
    return {**as_row(found), SMALLEST: found.smallest_rise_pa_per_s}

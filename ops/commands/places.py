"""``site``, ``circuit`` and ``crew``."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Annotated

import typer

from model.errors import BadInput
from ops.commands.common import Json, by, database
from ops.commands.tables import DryRun, Table, import_table
from ops.output import as_row, show, show_one

if TYPE_CHECKING:
    from physics.pipes import Between

site = typer.Typer(help="Places where work is done.", no_args_is_help=True)
circuit = typer.Typer(help="Refrigeration circuits, and their volume.", no_args_is_help=True)
crew = typer.Typer(help="People who work together.", no_args_is_help=True)

Name = Annotated[str, typer.Argument(show_default=False)]
AtSite = Annotated[str, typer.Argument(metavar="SITE/NAME", show_default=False)]
Volume = Annotated[str | None, typer.Option(help="Such as '38 l' or '1.5 ft3'; '' takes it away.")]
Refrigerant = Annotated[str | None, typer.Option(help="Such as R-448A; '' takes it away.")]
Oil = Annotated[str | None, typer.Option(help="Such as 'POE 32'; '' takes it away.")]


@site.command("add")
def add_site(
    name: Name,
    time_zone: Annotated[str, typer.Option(help="Such as Europe/Berlin.")],
    place: Annotated[str, typer.Option(help="Where it is, in words.")] = "",
    json: Json = False,
) -> None:
    """Register a site."""
    from store import equipment

    with database() as connection:
        added = equipment.add_site(connection, name, time_zone, place, by=by())
    show_one(as_row(added), as_json=json)


@site.command("list")
def list_sites(json: Json = False) -> None:
    """All sites."""
    from store import equipment

    with database() as connection:
        show([as_row(found) for found in equipment.sites(connection)], as_json=json)


@site.command("show")
def show_site(name: Name, json: Json = False) -> None:
    """One site with its circuits and gateways."""
    from store import equipment

    with database() as connection:
        found = equipment.site_named(connection, name)
        circuits = [as_row(circuit) for circuit in equipment.circuits(connection, found.id)]
        gateways = [g.name for g in equipment.gateways(connection) if g.site_id == found.id]
    if json:
        show_one({**as_row(found), "circuits": circuits, "gateways": gateways}, as_json=True)
        return
    names = ", ".join(str(circuit["name"]) for circuit in circuits)
    show_one({**as_row(found), "circuits": names, "gateways": ", ".join(gateways)}, as_json=False)


@site.command("change")
def change_site(
    name: Name,
    new_name: Annotated[str | None, typer.Option(help="Another name.")] = None,
    time_zone: Annotated[str | None, typer.Option(help="Such as Europe/Berlin.")] = None,
    place: Annotated[str | None, typer.Option(help="Where it is, in words.")] = None,
    json: Json = False,
) -> None:
    """Change a site."""
    from store import changing, equipment

    changes = {"name": new_name, "time_zone": time_zone, "place": place}
    with database() as connection:
        number = equipment.site_named(connection, name).id
        given = {key: value for key, value in changes.items() if value is not None}
        changed = changing.change_site(connection, number, by(), **given)
    show_one(as_row(changed), as_json=json)


@site.command("delete")
def delete_site(name: Name, json: Json = False) -> None:
    """Delete a site to which nothing belongs."""
    from store import deleting, equipment

    with database() as connection:
        found = equipment.site_named(connection, name)
        deleting.delete(connection, "site", found.id, by())
    show_one({**as_row(found), "deleted": True}, as_json=json)


@site.command("import")
def import_sites(file: Table, dry_run: DryRun = False, json: Json = False) -> None:
    """Sites from a table: name, time_zone, place. All or nothing."""
    import_table("site", file, dry_run=dry_run, json=json)


def _say_if_not_listed(refrigerant: str | None) -> None:
    from physics.refrigerants import NOT_LISTED, listed

    if refrigerant and listed(refrigerant) is None:
        print(f"{refrigerant} {NOT_LISTED}.", file=sys.stderr)


@circuit.command("add")
def add_circuit(
    path: AtSite,
    volume: Volume = None,
    refrigerant: Refrigerant = None,
    oil: Oil = None,
    json: Json = False,
) -> None:
    """Register a circuit at a site."""
    from ops import quantities
    from store import equipment

    where, name = _split(path)
    with database() as connection:
        number = equipment.site_named(connection, where).id
        volume_m3 = quantities.volume(volume, "--volume") if volume else None
        added = equipment.add_circuit(connection, number, name, volume_m3, refrigerant, oil, by=by())
    show_one(as_row(added), as_json=json)
    _say_if_not_listed(added.refrigerant)


@circuit.command("list")
def list_circuits(
    site: Annotated[str | None, typer.Option(help="Only those of this site.")] = None, json: Json = False
) -> None:
    """All circuits."""
    from store import equipment

    with database() as connection:
        names = {found.id: found.name for found in equipment.sites(connection)}
        number = equipment.site_named(connection, site).id if site else None
        rows = [
            {"site": names[found.site_id], **as_row(found)}
            for found in equipment.circuits(connection, number)
        ]
    columns = ("site", "name", "volume_m3", "refrigerant", "oil")
    show(rows if json else [{key: row[key] for key in columns} for row in rows], as_json=json)


@circuit.command("show")
def show_circuit(path: AtSite, json: Json = False) -> None:
    """One circuit."""
    from store import equipment

    where, name = _split(path)
    with database() as connection:
        number = equipment.site_named(connection, where).id
        show_one(as_row(equipment.circuit_at(connection, number, name)), as_json=json)


@circuit.command("change")
def change_circuit(
    path: AtSite,
    new_name: Annotated[str | None, typer.Option(help="Another name.")] = None,
    volume: Volume = None,
    refrigerant: Refrigerant = None,
    oil: Oil = None,
    json: Json = False,
) -> None:
    """Change a circuit. Another volume or refrigerant judges its jobs again."""
    from ops import quantities
    from store import changing, equipment

    where, name = _split(path)
    changes: dict[str, object] = {}
    if new_name is not None:
        changes["name"] = new_name
    if volume is not None:
        changes["volume_m3"] = quantities.volume(volume, "--volume") if volume else None
    for key, text in (("refrigerant", refrigerant), ("oil", oil)):
        if text is not None:
            changes[key] = text or None
    with database() as connection:
        number = equipment.site_named(connection, where).id
        found = equipment.circuit_at(connection, number, name)
        changed = changing.change_circuit(connection, found.id, by(), **changes)
    show_one(as_row(changed), as_json=json)
    _say_if_not_listed(changed.refrigerant)


@circuit.command("delete")
def delete_circuit(path: AtSite, json: Json = False) -> None:
    """Delete a circuit that no job is about."""
    from store import deleting, equipment

    where, name = _split(path)
    with database() as connection:
        found = equipment.circuit_at(connection, equipment.site_named(connection, where).id, name)
        deleting.delete(connection, "circuit", found.id, by())
    show_one({**as_row(found), "deleted": True}, as_json=json)


@circuit.command("import")
def import_circuits(file: Table, dry_run: DryRun = False, json: Json = False) -> None:
    """Circuits from a table: site, name, volume, refrigerant, oil. All or nothing."""
    import_table("circuit", file, dry_run=dry_run, json=json)


@circuit.command("volume")
def volume_of_pipes(
    pipe: Annotated[
        list[str] | None,
        typer.Option(
            metavar="OUTSIDE,INSIDE,LENGTH", help="A pipe: '7/8 in,,30 m' or ',20 mm,12 m'; may be repeated."
        ),
    ] = None,
    vessel: Annotated[list[str] | None, typer.Option(help="A vessel: '8 l'; may be repeated.")] = None,
    json: Json = False,
) -> None:
    """Volume from pipes and vessels, with the range of worst cases; nothing is stored."""
    from ops import quantities
    from physics.pipes import total, vessel_volume

    parts = [_pipe(text) for text in pipe or ()]
    for text in vessel or ():
        try:
            parts.append(vessel_volume(quantities.volume(text, "--vessel")))
        except ValueError as error:
            raise BadInput(f"--vessel {text!r}: {error}.") from error
    if not parts:
        raise BadInput("Name a --pipe or a --vessel.")
    whole = total(parts)
    show_one(
        {"volume_m3": whole.value, "low_m3": whole.low, "high_m3": whole.high, "litres": whole.value * 1000},
        as_json=json,
    )


def _pipe(text: str) -> Between:
    from ops import quantities
    from physics.pipes import pipe_volume

    cells = [cell.strip() for cell in text.split(",")]
    if len(cells) != 3:
        raise BadInput(
            f"--pipe {text!r}: write outside diameter, inside diameter and length, with two commas."
        )
    outer, inner, length = cells
    try:
        return pipe_volume(
            quantities.length(length, "--pipe"),
            inner_m=quantities.length(inner, "--pipe") if inner else None,
            outer_m=quantities.length(outer, "--pipe") if outer else None,
        )
    except ValueError as error:
        raise BadInput(f"--pipe {text!r}: {error}.") from error


@crew.command("add")
def add_crew(name: Name, json: Json = False) -> None:
    """Register a crew."""
    from store import equipment

    with database() as connection:
        show_one(as_row(equipment.add_crew(connection, name, by=by())), as_json=json)


@crew.command("list")
def list_crews(json: Json = False) -> None:
    """All crews."""
    from store import equipment

    with database() as connection:
        show([as_row(found) for found in equipment.crews(connection)], as_json=json)


@crew.command("change")
def change_crew(
    name: Name, new_name: Annotated[str, typer.Option(help="Another name.")], json: Json = False
) -> None:
    """Give a crew another name."""
    from store import changing, equipment

    with database() as connection:
        number = equipment.crew_named(connection, name).id
        show_one(as_row(changing.change_crew(connection, number, by(), new_name)), as_json=json)


@crew.command("delete")
def delete_crew(name: Name, json: Json = False) -> None:
    """Delete a crew that has no job."""
    from store import deleting, equipment

    with database() as connection:
        found = equipment.crew_named(connection, name)
        deleting.delete(connection, "crew", found.id, by())
    show_one({**as_row(found), "deleted": True}, as_json=json)


@crew.command("import")
def import_crews(file: Table, dry_run: DryRun = False, json: Json = False) -> None:
    """Crews from a table: name. All or nothing."""
    import_table("crew", file, dry_run=dry_run, json=json)


def _split(path: str) -> tuple[str, str]:
    where, slash, name = path.partition("/")
    if not slash:
        raise BadInput("Name the circuit as SITE/NAME.")
    return where.strip(), name.strip()

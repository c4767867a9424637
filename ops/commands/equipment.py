"""``site``, ``gateway`` and ``instrument``."""

from __future__ import annotations

from typing import Annotated

import typer

from model.clock import to_datetime
from model.equipment import Position, Role
from model.errors import BadInput
from ops.commands.common import Json, clock, database
from ops.output import as_row, show, show_one

site = typer.Typer(help="Places where work is done.", no_args_is_help=True)
gateway = typer.Typer(help="Devices that send readings.", no_args_is_help=True)
instrument = typer.Typer(help="Gauges, valves, pumps and thermometers.", no_args_is_help=True)

Name = Annotated[str, typer.Argument(show_default=False)]


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
        added = equipment.add_site(connection, name, time_zone, place)
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


@gateway.command("add")
def add_gateway(
    name: Name,
    site: Annotated[str, typer.Option(help="Name or number of its site.")],
    json: Json = False,
) -> None:
    """Register a gateway; prints its broker password, this once."""
    from ops.installation import read
    from ops.settings import load
    from store import equipment

    with database() as connection:
        where = equipment.site_named(connection, site)
        now = to_datetime(clock().now_us())
        added, password = equipment.add_gateway(connection, name, where.id, now)
    settings = load()
    installation = read(settings.data_dir) if settings.mqtt_url is None else None
    broker = {"mqtt_port": installation.mqtt_port} if installation else {}
    show_one({**as_row(added), "password": password, **broker}, as_json=json)


@gateway.command("list")
def list_gateways(json: Json = False) -> None:
    """All gateways."""
    from store import equipment

    with database() as connection:
        show([as_row(found) for found in equipment.gateways(connection)], as_json=json)


@gateway.command("show")
def show_gateway(name: Name, json: Json = False) -> None:
    """One gateway with its instruments."""
    from store import equipment

    with database() as connection:
        found = equipment.gateway_named(connection, name)
        names = [i.name for i in equipment.instruments(connection, found.id)]
    show_one({**as_row(found), "instruments": names if json else ", ".join(names)}, as_json=json)


@gateway.command("revoke")
def revoke_gateway(name: Name, json: Json = False) -> None:
    """Take a gateway's right to publish away and end its connection; its readings stay."""
    from store import equipment

    with database() as connection:
        equipment.revoke_gateway(connection, name, clock().now_us())
        found = equipment.gateway_named(connection, name)
    show_one(as_row(found), as_json=json)


@instrument.command("add")
def add_instrument(
    path: Annotated[str, typer.Argument(metavar="GATEWAY/NAME", show_default=False)],
    role: Annotated[Role, typer.Option(help="What it is.")],
    position: Annotated[Position, typer.Option(help="Side of the valve.")] = Position.CIRCUIT,
    principle: Annotated[str, typer.Option(help="How it measures, in words.")] = "",
    unit: Annotated[str, typer.Option(help="Unit its pressures may come in beside Pa.")] = "Pa",
    range_low: Annotated[str | None, typer.Option(help="Such as '1 micron'.")] = None,
    range_high: Annotated[str | None, typer.Option(help="Such as '25000 micron'.")] = None,
    accuracy: Annotated[float, typer.Option(help="Share of the reading.")] = 0.1,
    interval: Annotated[str, typer.Option(help="Between readings, such as '10 s'.")] = "10 s",
    serial: Annotated[str, typer.Option(help="Serial number.")] = "",
    json: Json = False,
) -> None:
    """Register an instrument of a gateway."""
    from ops.quantities import duration, pressure
    from physics.units import pressure_unit
    from store import equipment

    owner, slash, name = path.partition("/")
    if not slash:
        raise BadInput("Name the instrument as GATEWAY/NAME.")
    try:
        unit = pressure_unit(unit)
    except ValueError as error:
        raise BadInput(f"--unit: {error}.") from error
    with database() as connection:
        added = equipment.add_instrument(
            connection,
            equipment.gateway_named(connection, owner).id,
            name,
            role,
            position,
            principle=principle,
            unit=unit,
            range_low_pa=pressure(range_low, "--range-low") if range_low else None,
            range_high_pa=pressure(range_high, "--range-high") if range_high else None,
            accuracy=accuracy,
            interval_s=duration(interval, "--interval"),
            serial=serial,
        )
    show_one(as_row(added), as_json=json)


@instrument.command("list")
def list_instruments(
    gateway: Annotated[str | None, typer.Option(help="Only those of this gateway.")] = None,
    json: Json = False,
) -> None:
    """All instruments."""
    from store import equipment

    with database() as connection:
        names = {found.id: found.name for found in equipment.gateways(connection)}
        owner = equipment.gateway_named(connection, gateway).id if gateway else None
        rows = [
            {"gateway": names[found.gateway_id], **as_row(found)}
            for found in equipment.instruments(connection, owner)
        ]
    columns = ("gateway", "name", "role", "position", "unit", "interval_s", "serial")
    show(rows if json else [{key: row[key] for key in columns} for row in rows], as_json=json)


@instrument.command("show")
def show_instrument(
    path: Annotated[str, typer.Argument(metavar="GATEWAY/NAME", show_default=False)],
    json: Json = False,
) -> None:
    """One instrument."""
    from store import equipment

    with database() as connection:
        show_one(as_row(equipment.instrument_named(connection, path)), as_json=json)

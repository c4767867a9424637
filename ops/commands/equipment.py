"""``gateway`` and ``instrument``."""

from __future__ import annotations

import json as json_module
from typing import TYPE_CHECKING, Annotated

import typer

from model.equipment import Position, Role
from model.errors import BadInput
from model.meeting import Meeting
from ops.commands.common import Json, Unit, by, clock, database
from ops.commands.tables import DryRun, Table, import_table
from ops.output import as_row, in_unit, show, show_one

if TYPE_CHECKING:
    from model.access import Credentials
    from model.equipment import Gateway

gateway = typer.Typer(help="Devices that send readings.", no_args_is_help=True)
instrument = typer.Typer(help="Gauges, valves, pumps and thermometers.", no_args_is_help=True)

Name = Annotated[str, typer.Argument(show_default=False)]
Path_ = Annotated[str, typer.Argument(metavar="GATEWAY/NAME", show_default=False)]


@gateway.command("add")
def add_gateway(
    name: Name,
    site: Annotated[str, typer.Option(help="Name or number of its site.")],
    json: Json = False,
) -> None:
    """Register a gateway; prints its broker password, this once, and what its broker needs."""
    from store import equipment

    with database() as connection:
        where = equipment.site_named(connection, site)
        who = by()
        added, login = equipment.register_gateway(connection, name, where.id, who.at, by=who)
    _show_login(added, login, json=json)


def _show_login(shown: Gateway, login: Credentials, *, json: bool) -> None:
    from ops.installation import read
    from ops.settings import load

    settings = load()
    installation = read(settings.data_dir) if settings.mqtt_url is None else None
    url = settings.gateways_url or (installation.gateways_url if installation else "")
    trust = str(settings.mqtt_ca or "") if installation is None else installation.trust
    meeting = Meeting.parse(url or "mqtt://BROKER:1883", trust)
    port = {"mqtt_port": meeting.port} if url else {}
    row = {**as_row(shown), "password": login.secret, **port}
    example = login.example(meeting)
    if json:
        configuration = {
            "nats_user": json_module.loads(login.nats_user),
            "mosquitto_password_line": login.mosquitto_password_line,
            "mosquitto_access_lines": login.mosquitto_access_lines,
            "example": example,
        }
        show_one({**row, **configuration}, as_json=True)
        return
    show_one(row, as_json=False)
    print(f"\nA first reading (its instrument must be registered):\n{example}")
    print(f"\nFor a nats-server of your own, in authorization.users:\n{login.nats_user}")
    print(f"\nFor a Mosquitto of your own, in password_file:\n{login.mosquitto_password_line}")
    print(f"and in acl_file:\n{login.mosquitto_access_lines}")


@gateway.command("list")
def list_gateways(json: Json = False) -> None:
    """All gateways."""
    from store import clocks, equipment

    with database() as connection:
        ahead = clocks.ahead(connection)
        show(
            [
                {**as_row(found), "clock_ahead_s": ahead.get(found.id)}
                for found in equipment.gateways(connection)
            ],
            as_json=json,
        )


@gateway.command("show")
def show_gateway(name: Name, json: Json = False) -> None:
    """One gateway with its instruments."""
    from model import skew
    from store import clocks, equipment

    with database() as connection:
        found = equipment.gateway_named(connection, name)
        names = [i.name for i in equipment.instruments(connection, found.id)]
        ahead_s = clocks.ahead(connection, found.id).get(found.id)
    row = {
        **as_row(found),
        "instruments": names if json else ", ".join(names),
        "clock_ahead_s": ahead_s,
        "clock": skew.in_words(ahead_s),
    }
    show_one(row, as_json=json)


@gateway.command("rotate")
def rotate_gateway(name: Name, json: Json = False) -> None:
    """Give a gateway a new password, printed this once; the old one is refused within seconds."""
    from store import changing, equipment

    with database() as connection:
        number = equipment.gateway_named(connection, name).id
        changed, login = changing.rotate_gateway(connection, number, by())
    _show_login(changed, login, json=json)


@gateway.command("revoke")
def revoke_gateway(name: Name, json: Json = False) -> None:
    """Take a gateway's right to publish away and end its connection; its readings stay."""
    from store import equipment

    with database() as connection:
        found = equipment.revoke_gateway(connection, name, clock().now_us(), by=by())
    show_one(as_row(found), as_json=json)


@gateway.command("reinstate")
def reinstate_gateway(name: Name, json: Json = False) -> None:
    """Let a revoked gateway publish again, with a new password, printed this once."""
    from store import changing, equipment

    with database() as connection:
        number = equipment.gateway_named(connection, name).id
        changed, login = changing.reinstate_gateway(connection, number, by())
    _show_login(changed, login, json=json)


@gateway.command("move")
def move_gateway(
    name: Name, site: Annotated[str, typer.Option(help="Name or number of its new site.")], json: Json = False
) -> None:
    """Let a gateway belong to another site; its jobs stay where they are."""
    from store import changing, equipment

    with database() as connection:
        number = equipment.gateway_named(connection, name).id
        where = equipment.site_named(connection, site)
        show_one(as_row(changing.move_gateway(connection, number, by(), where.id)), as_json=json)


@gateway.command("delete")
def delete_gateway(name: Name, json: Json = False) -> None:
    """Delete a gateway without instruments."""
    from store import deleting, equipment

    with database() as connection:
        found = equipment.gateway_named(connection, name)
        deleting.delete(connection, "gateway", found.id, by())
    show_one({**as_row(found), "deleted": True}, as_json=json)


@gateway.command("import")
def import_gateways(file: Table, dry_run: DryRun = False, json: Json = False) -> None:
    """Gateways from a table: name, site. All or nothing; new passwords are printed this once."""
    import_table("gateway", file, dry_run=dry_run, json=json)


@instrument.command("add")
def add_instrument(
    path: Annotated[str, typer.Argument(metavar="GATEWAY/NAME", show_default=False)],
    role: Annotated[Role, typer.Option(help="What it is.")],
    position: Annotated[Position, typer.Option(help="Side of the valve.")] = Position.CIRCUIT,
    principle: Annotated[str, typer.Option(help="How it measures, in words.")] = "",
    unit: Annotated[str, typer.Option(help="Unit its pressures may come in beside Pa.")] = "Pa",
    range_low: Annotated[str | None, typer.Option(help="Such as '1 micron'.")] = None,
    range_high: Annotated[str | None, typer.Option(help="Such as '25000 micron'.")] = None,
    accuracy: Annotated[str, typer.Option(help="Share of the reading: '10 %' or 0.1.")] = "10 %",
    interval: Annotated[str, typer.Option(help="Between readings, such as '10 s'.")] = "10 s",
    serial: Annotated[str, typer.Option(help="Serial number.")] = "",
    speed: Annotated[str | None, typer.Option(help="Pumping speed of a pump, its rating: '6 cfm'.")] = None,
    ultimate: Annotated[str | None, typer.Option(help="Ultimate pressure of a pump: '15 micron'.")] = None,
    json: Json = False,
) -> None:
    """Register an instrument of a gateway."""
    from ops.quantities import duration, flow, pressure, share
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
            accuracy=share(accuracy, "--accuracy"),
            interval_s=duration(interval, "--interval"),
            serial=serial,
            pump_m3_s=flow(speed, "--speed") if speed else None,
            ultimate_pa=pressure(ultimate, "--ultimate") if ultimate else None,
            by=by(),
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
    unit: Unit = None,
    json: Json = False,
) -> None:
    """One instrument."""
    from store import equipment

    with database() as connection:
        show_one(in_unit(as_row(equipment.instrument_named(connection, path)), unit), as_json=json)


@instrument.command("change")
def change_instrument(
    path: Path_,
    role: Annotated[Role | None, typer.Option(help="What it is.")] = None,
    position: Annotated[Position | None, typer.Option(help="Side of the valve.")] = None,
    principle: Annotated[str | None, typer.Option(help="How it measures, in words.")] = None,
    unit: Annotated[str | None, typer.Option(help="Unit its pressures may come in beside Pa.")] = None,
    range_low: Annotated[str | None, typer.Option(help="Such as '1 micron'; '' takes it away.")] = None,
    range_high: Annotated[str | None, typer.Option(help="Such as '25000 micron'; '' takes it away.")] = None,
    accuracy: Annotated[str | None, typer.Option(help="Share of the reading: '10 %' or 0.1.")] = None,
    interval: Annotated[str | None, typer.Option(help="Between readings, such as '10 s'.")] = None,
    serial: Annotated[str | None, typer.Option(help="Serial number.")] = None,
    speed: Annotated[
        str | None, typer.Option(help="Pumping speed of a pump: '6 cfm'; '' takes it away.")
    ] = None,
    ultimate: Annotated[
        str | None, typer.Option(help="Ultimate pressure of a pump: '15 micron'; '' takes it away.")
    ] = None,
    json: Json = False,
) -> None:
    """Change an instrument. What the judgement looks at judges the jobs that it served again, openly."""
    from model.records import PROPERTIES, read_properties
    from model.texts import Texts
    from store import changing, equipment

    given = (
        role,
        position,
        principle,
        unit,
        range_low,
        range_high,
        accuracy,
        interval,
        serial,
        speed,
        ultimate,
    )
    options = dict(zip(PROPERTIES, given, strict=True))
    texts = Texts({name: str(value) for name, value in options.items() if value is not None})
    with database() as connection:
        before = equipment.instrument_named(connection, path)
        wanted = read_properties(texts, changing.properties_of(before))
        changed, again = changing.change_instrument(connection, before.id, by(), wanted)
    shown = again if json else ", ".join(map(str, again))
    show_one({**as_row(changed), "judged_again": shown}, as_json=json)


@instrument.command("retire")
def retire_instrument(path: Path_, json: Json = False) -> None:
    """Take an instrument out of service: it opens no walk-up job and can serve none; its readings stay."""
    from store import changing, equipment

    with database() as connection:
        number = equipment.instrument_named(connection, path).id
        show_one(as_row(changing.retire_instrument(connection, number, by())), as_json=json)


@instrument.command("restore")
def restore_instrument(path: Path_, json: Json = False) -> None:
    """Put an instrument into service again."""
    from store import changing, equipment

    with database() as connection:
        number = equipment.instrument_named(connection, path).id
        show_one(as_row(changing.restore_instrument(connection, number, by())), as_json=json)


@instrument.command("suspect")
def mark_suspect(
    path: Path_,
    reason: Annotated[str, typer.Option(help="Why, in words; it stands in the verdicts of holds.")],
    json: Json = False,
) -> None:
    """Mark a gauge as suspect (oily, wet, drifting): a hold that it decides cannot pass meanwhile."""
    from store import equipment, suspects

    with database() as connection:
        found = equipment.instrument_named(connection, path)
        again = suspects.mark(connection, found.id, by(), reason)
    shown = again if json else ", ".join(map(str, again))
    show_one({**as_row(found), "suspect": reason, "judged_again": shown}, as_json=json)


@instrument.command("trust")
def trust_gauge(path: Path_, json: Json = False) -> None:
    """Trust a gauge again that was marked as suspect; for the time that it was, it stays so."""
    from store import equipment, suspects

    with database() as connection:
        found = equipment.instrument_named(connection, path)
        again = suspects.trust(connection, found.id, by())
    shown = again if json else ", ".join(map(str, again))
    show_one({**as_row(found), "suspect": None, "judged_again": shown}, as_json=json)


@instrument.command("delete")
def delete_instrument(path: Path_, json: Json = False) -> None:
    """Delete an instrument that never sent anything and served no job."""
    from store import deleting, equipment

    with database() as connection:
        found = equipment.instrument_named(connection, path)
        deleting.delete(connection, "instrument", found.id, by())
    show_one({**as_row(found), "deleted": True}, as_json=json)


@instrument.command("import")
def import_instruments(file: Table, dry_run: DryRun = False, json: Json = False) -> None:
    """Instruments from a table: gateway, name and what they are. All or nothing."""
    import_table("instrument", file, dry_run=dry_run, json=json)

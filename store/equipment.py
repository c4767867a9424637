"""Sites, circuits, crews, gateways and instruments.

Every function works in the caller's transaction. Changes that running processes must learn of (a new gateway,
a revoked one, an instrument) are told on the channel ``equipment``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import datetime
from typing import Any, LiteralString

from psycopg import errors

from model.access import Credentials
from model.clock import to_datetime
from model.equipment import (
    Circuit,
    Crew,
    Gateway,
    Instrument,
    Position,
    Properties,
    Role,
    Site,
    check_circuit,
    check_crew,
    check_name,
    check_site,
)
from model.errors import BadInput, Conflict, NotFound
from store import audit, broker_secrets
from store.audit import By
from store.database import Connection, one


def tell(conn: Connection) -> None:
    """Let running processes read the equipment anew once this transaction is committed."""
    conn.execute("SELECT pg_notify('equipment', '')")


def newest(conn: Connection) -> tuple[int, int]:
    """Numbers of the gateway and the instrument that were registered last."""
    row = conn.execute(
        "SELECT (SELECT coalesce(max(id), 0) FROM gateway) AS gateway, "
        "(SELECT coalesce(max(id), 0) FROM instrument) AS instrument"
    ).fetchone()
    return one(row)["gateway"], one(row)["instrument"]


def add_site(conn: Connection, name: str, time_zone: str, place: str = "", *, by: By | None = None) -> Site:
    """Register a site; raises `BadInput` for an unknown time zone, `Conflict` for a name in use."""
    name, time_zone, place = check_site(name, time_zone, place)
    row = insert(
        conn,
        "INSERT INTO site (name, time_zone, place) VALUES (%s, %s, %s) RETURNING *",
        (name, time_zone, place),
        taken=f"There is a site {name!r} already.",
    )
    site = site_from_row(row)
    _note(conn, by, "add-site", f"site:{site.id}", site)
    return site


def sites(conn: Connection) -> list[Site]:
    """All sites by name."""
    return [site_from_row(row) for row in conn.execute("SELECT * FROM site ORDER BY name")]


def site_named(conn: Connection, name: str) -> Site:
    """The site of that name, or of that number; raises `NotFound`."""
    row = conn.execute("SELECT * FROM site WHERE name = %s OR id::text = %s", (name, name)).fetchone()
    if row is None:
        raise NotFound(f"There is no site {name!r}.", field="site")
    return site_from_row(row)


def add_circuit(
    conn: Connection,
    site_id: int,
    name: str,
    volume_m3: float | None = None,
    refrigerant: str | None = None,
    oil: str | None = None,
    *,
    by: By | None = None,
) -> Circuit:
    """Register a circuit at a site."""
    name, volume_m3, refrigerant, oil = check_circuit(name, volume_m3, refrigerant, oil)
    row = insert(
        conn,
        "INSERT INTO circuit (site_id, name, volume_m3, refrigerant, oil) "
        "VALUES (%s, %s, %s, %s, %s) RETURNING *",
        (site_id, name, volume_m3, refrigerant, oil),
        taken=f"There is a circuit {name!r} at this site already.",
        missing=(f"There is no site {site_id}.", "site"),
    )
    circuit = circuit_from_row(row)
    _note(conn, by, "add-circuit", f"circuit:{circuit.id}", circuit)
    return circuit


def circuits(conn: Connection, site_id: int | None = None) -> list[Circuit]:
    """Circuits, of one site or all."""
    rows = conn.execute(
        "SELECT * FROM circuit WHERE %(site)s::int IS NULL OR site_id = %(site)s ORDER BY site_id, name",
        {"site": site_id},
    )
    return [circuit_from_row(row) for row in rows]


def circuit_at(conn: Connection, site_id: int, name: str) -> Circuit:
    """The circuit of that name at a site; raises `NotFound`."""
    row = conn.execute("SELECT * FROM circuit WHERE site_id = %s AND name = %s", (site_id, name)).fetchone()
    if row is None:
        raise NotFound(f"There is no circuit {name!r} at that site.", field="circuit")
    return circuit_from_row(row)


def add_crew(conn: Connection, name: str, *, by: By | None = None) -> Crew:
    """Register a crew."""
    name = check_crew(name)
    row = insert(
        conn,
        "INSERT INTO crew (name) VALUES (%s) RETURNING *",
        (name,),
        taken=f"There is a crew {name!r} already.",
    )
    crew = crew_from_row(row)
    _note(conn, by, "add-crew", f"crew:{crew.id}", crew)
    return crew


def crews(conn: Connection) -> list[Crew]:
    """All crews by name."""
    return [crew_from_row(row) for row in conn.execute("SELECT * FROM crew ORDER BY name")]


def crew_named(conn: Connection, name: str) -> Crew:
    """The crew of that name, or of that number; raises `NotFound`."""
    row = conn.execute("SELECT * FROM crew WHERE name = %s OR id::text = %s", (name, name)).fetchone()
    if row is None:
        raise NotFound(f"There is no crew {name!r}.", field="crew")
    return crew_from_row(row)


@dataclass(frozen=True, slots=True)
class GatewayLogin:
    """What brokers must know of a gateway: nats-server reads bcrypt, Mosquitto a hash of its own."""

    name: str
    secret_bcrypt: str
    secret_mosquitto: str | None


def make_credentials(name: str, secret: str | None = None) -> Credentials:
    """A login for a gateway, its secret made up unless given."""
    secret = secret or broker_secrets.make()
    return Credentials(gateway=name, secret=secret, **broker_secrets.hashes(secret))


def add_gateway(
    conn: Connection, name: str, site_id: int, now: datetime, secret: str | None = None
) -> tuple[Gateway, str]:
    """Register a gateway.

    Returns
    -------
    Gateway, str
        The gateway and its broker password, which is kept only as a hash and shown this once.
    """
    gateway, credentials = register_gateway(conn, name, site_id, now, secret)
    return gateway, credentials.secret


def register_gateway(
    conn: Connection,
    name: str,
    site_id: int,
    now: datetime,
    secret: str | None = None,
    *,
    by: By | None = None,
) -> tuple[Gateway, Credentials]:
    """Register a gateway and give all that its broker needs of it."""
    check_name(name, "gateway")
    login = make_credentials(name, secret)
    row = insert(
        conn,
        "INSERT INTO gateway (name, site_id, secret_bcrypt, secret_mosquitto, created_at) "
        "VALUES (%s, %s, %s, %s, %s) RETURNING *",
        (name, site_id, login.secret_bcrypt, login.secret_mosquitto, now),
        taken=f"There is a gateway {name!r} already.",
        missing=(f"There is no site {site_id}.", "site"),
    )
    tell(conn)
    gateway = gateway_from_row(row)
    _note(conn, by, "add-gateway", f"gateway:{gateway.id}", gateway)
    return gateway, login


def revoke_gateway(conn: Connection, name: str, now_us: int, *, by: By | None = None) -> Gateway:
    """Take a gateway's right to publish away; its readings stay."""
    before = gateway_named(conn, name)
    row = conn.execute(
        "UPDATE gateway SET revoked_at = coalesce(revoked_at, %s) WHERE name = %s RETURNING *",
        (to_datetime(now_us), name),
    ).fetchone()
    tell(conn)
    after = gateway_from_row(one(row))
    if by is not None and not before.revoked:
        audit.write(conn, by, "revoke-gateway", f"gateway:{after.id}", audit.of(before), audit.of(after))
    return after


def gateways(conn: Connection) -> list[Gateway]:
    """All gateways by name."""
    return [gateway_from_row(row) for row in conn.execute("SELECT * FROM gateway ORDER BY name")]


def gateway_named(conn: Connection, name: str) -> Gateway:
    """The gateway of that name; raises `NotFound`."""
    row = conn.execute("SELECT * FROM gateway WHERE name = %s", (name,)).fetchone()
    if row is None:
        raise NotFound(f"There is no gateway {name!r}.", field="gateway")
    return gateway_from_row(row)


def gateway_logins(conn: Connection) -> list[GatewayLogin]:
    """Names and password hashes of the gateways that may publish."""
    rows = conn.execute(
        "SELECT name, secret_bcrypt, secret_mosquitto FROM gateway WHERE revoked_at IS NULL ORDER BY name"
    )
    return [GatewayLogin(**row) for row in rows]


def add_instrument(
    conn: Connection,
    gateway_id: int,
    name: str,
    role: Role,
    position: Position = Position.CIRCUIT,
    *,
    principle: str = "",
    unit: str = "Pa",
    range_low_pa: float | None = None,
    range_high_pa: float | None = None,
    accuracy: float = 0.1,
    interval_s: float = 10.0,
    serial: str = "",
    pump_m3_s: float | None = None,
    ultimate_pa: float | None = None,
    by: By | None = None,
) -> Instrument:
    """Register an instrument of a gateway; see `model.equipment.Instrument`."""
    wanted = Properties(
        role,
        position,
        principle,
        unit,
        range_low_pa,
        range_high_pa,
        accuracy,
        interval_s,
        serial,
        pump_m3_s,
        ultimate_pa,
    )
    return register_instrument(conn, gateway_id, name, wanted, by=by)


def register_instrument(
    conn: Connection, gateway_id: int, name: str, wanted: Properties, *, by: By | None = None
) -> Instrument:
    """Register an instrument with these properties."""
    check_name(name, "instrument")
    row = insert(
        conn,
        "INSERT INTO instrument (gateway_id, name, role, position, principle, unit, range_low_pa, "
        "range_high_pa, accuracy, interval_s, serial, pump_m3_s, ultimate_pa) VALUES (%(gateway)s, %(name)s, "
        "%(role)s, %(position)s, %(principle)s, %(unit)s, %(range_low_pa)s, %(range_high_pa)s, "
        "%(accuracy)s, %(interval_s)s, %(serial)s, %(pump_m3_s)s, %(ultimate_pa)s) RETURNING *",
        {"gateway": gateway_id, "name": name, **audit.of(wanted.checked())},
        taken=f"That gateway has an instrument {name!r} already.",
        missing=(f"There is no gateway {gateway_id}.", "gateway"),
    )
    tell(conn)
    instrument = instrument_from_row(row)
    _note(conn, by, "add-instrument", f"instrument:{instrument.id}", instrument)
    return instrument


def instruments(conn: Connection, gateway_id: int | None = None) -> list[Instrument]:
    """Instruments, of one gateway or all."""
    rows = conn.execute(
        "SELECT * FROM instrument WHERE %(gateway)s::int IS NULL OR gateway_id = %(gateway)s "
        "ORDER BY gateway_id, name",
        {"gateway": gateway_id},
    )
    return [instrument_from_row(row) for row in rows]


def instrument_named(conn: Connection, path: str) -> Instrument:
    """The instrument ``gateway/name``, or ``name`` alone where only one bears it; raises `NotFound`."""
    gateway, _, name = path.rpartition("/")
    rows = conn.execute(
        "SELECT i.* FROM instrument i JOIN gateway g ON g.id = i.gateway_id "
        "WHERE i.name = %s AND (%s = '' OR g.name = %s)",
        (name, gateway, gateway),
    ).fetchall()
    if not rows:
        raise NotFound(f"There is no instrument {path!r}.", field="instrument")
    if len(rows) > 1:
        raise BadInput(
            f"Several gateways have an instrument {name!r}: say gateway/{name}.", field="instrument"
        )
    return instrument_from_row(rows[0])


def instrument_from_row(row: dict[str, Any]) -> Instrument:
    """An instrument from its row."""
    values = {name: row[name] for name in _INSTRUMENT}
    return Instrument(**{**values, "role": Role(row["role"]), "position": Position(row["position"])})


def site_from_row(row: dict[str, Any]) -> Site:
    """A site from its row."""
    return Site(row["id"], row["name"], row["time_zone"], row["place"])


def circuit_from_row(row: dict[str, Any]) -> Circuit:
    """A circuit from its row."""
    return Circuit(**{name: row[name] for name in _CIRCUIT})


def crew_from_row(row: dict[str, Any]) -> Crew:
    """A crew from its row."""
    return Crew(row["id"], row["name"])


def gateway_from_row(row: dict[str, Any]) -> Gateway:
    """A gateway from its row."""
    return Gateway(row["id"], row["name"], row["site_id"], row["revoked_at"] is not None)


_INSTRUMENT = tuple(field.name for field in fields(Instrument))
_CIRCUIT = tuple(field.name for field in fields(Circuit))


def insert(
    conn: Connection,
    statement: LiteralString,
    values: Sequence[object] | Mapping[str, object],
    *,
    taken: str,
    missing: tuple[str, str] = ("It refers to something that does not exist.", ""),
) -> dict[str, Any]:
    """The row that an INSERT or UPDATE with RETURNING gave.

    The caller's transaction goes on after an error, so that a table of many rows can name all bad ones.

    Parameters
    ----------
    taken : str
        The sentence for a name in use.
    missing : (str, str)
        The sentence for a number that refers to nothing, and its field.
    """
    try:
        with conn.transaction():
            return one(conn.execute(statement, values).fetchone())
    except errors.UniqueViolation as error:
        raise Conflict(taken, field="name") from error
    except errors.ForeignKeyViolation as error:
        raise NotFound(missing[0], field=missing[1] or None) from error


def _note(conn: Connection, by: By | None, act: str, subject: str, thing: object) -> None:
    if by is not None:
        audit.write(conn, by, act, subject, after=audit.of(thing))

"""Sites, circuits, crews, gateways and instruments.

Every function works in the caller's transaction. Changes that running processes must learn of (a new gateway,
a revoked one, an instrument) are told on the channel ``equipment``.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from psycopg import errors

from model.clock import to_datetime
from model.equipment import Circuit, Crew, Gateway, Instrument, Position, Role, Site, check_name
from model.errors import BadInput, Conflict, NotFound
from store import broker_secrets
from store.database import Connection, one


def tell(conn: Connection) -> None:
    """Let running processes read the equipment anew once this transaction is committed."""
    conn.execute("SELECT pg_notify('equipment', '')")


def add_site(conn: Connection, name: str, time_zone: str, place: str = "") -> Site:
    """Register a site; raises `BadInput` for an unknown time zone, `Conflict` for a name in use."""
    try:
        ZoneInfo(time_zone)
    except (ValueError, OSError, KeyError) as error:
        raise BadInput(
            f"{time_zone!r} is no time zone; use a name such as Europe/Berlin.", field="time_zone"
        ) from error
    if not name.strip():
        raise BadInput("A site needs a name.", field="name")
    try:
        row = conn.execute(
            "INSERT INTO site (name, time_zone, place) VALUES (%s, %s, %s) RETURNING *",
            (name.strip(), time_zone, place),
        ).fetchone()
    except errors.UniqueViolation as error:
        raise Conflict(f"There is a site {name!r} already.", field="name") from error
    return _site(one(row))


def sites(conn: Connection) -> list[Site]:
    """All sites by name."""
    return [_site(row) for row in conn.execute("SELECT * FROM site ORDER BY name")]


def site_named(conn: Connection, name: str) -> Site:
    """The site of that name, or of that number; raises `NotFound`."""
    row = conn.execute("SELECT * FROM site WHERE name = %s OR id::text = %s", (name, name)).fetchone()
    if row is None:
        raise NotFound(f"There is no site {name!r}.", field="site")
    return _site(row)


def add_circuit(
    conn: Connection,
    site_id: int,
    name: str,
    volume_m3: float | None = None,
    refrigerant: str | None = None,
    oil: str | None = None,
) -> Circuit:
    """Register a circuit at a site."""
    if volume_m3 is not None and not 0 < volume_m3 < 1e4:
        raise BadInput("The volume must lie above zero and below 10,000 m³.", field="volume")
    try:
        row = conn.execute(
            "INSERT INTO circuit (site_id, name, volume_m3, refrigerant, oil) "
            "VALUES (%s, %s, %s, %s, %s) RETURNING *",
            (site_id, name, volume_m3, refrigerant, oil),
        ).fetchone()
    except errors.UniqueViolation as error:
        raise Conflict(f"There is a circuit {name!r} at this site already.", field="name") from error
    except errors.ForeignKeyViolation as error:
        raise NotFound(f"There is no site {site_id}.", field="site") from error
    return _circuit(one(row))


def circuits(conn: Connection, site_id: int | None = None) -> list[Circuit]:
    """Circuits, of one site or all."""
    rows = conn.execute(
        "SELECT * FROM circuit WHERE %(site)s::int IS NULL OR site_id = %(site)s ORDER BY site_id, name",
        {"site": site_id},
    )
    return [_circuit(row) for row in rows]


def add_crew(conn: Connection, name: str) -> Crew:
    """Register a crew."""
    try:
        row = conn.execute("INSERT INTO crew (name) VALUES (%s) RETURNING *", (name,)).fetchone()
    except errors.UniqueViolation as error:
        raise Conflict(f"There is a crew {name!r} already.", field="name") from error
    return Crew(**one(row))


def crews(conn: Connection) -> list[Crew]:
    """All crews by name."""
    return [Crew(**row) for row in conn.execute("SELECT * FROM crew ORDER BY name")]


@dataclass(frozen=True, slots=True)
class GatewayLogin:
    """What brokers must know of a gateway: nats-server reads bcrypt, Mosquitto a hash of its own."""

    name: str
    secret_bcrypt: str
    secret_mosquitto: str | None


def add_gateway(
    conn: Connection, name: str, site_id: int, now: datetime, secret: str | None = None
) -> tuple[Gateway, str]:
    """Register a gateway.

    Returns
    -------
    Gateway, str
        The gateway and its broker password, which is kept only as a hash and shown this once.
    """
    check_name(name, "gateway")
    secret = secret or broker_secrets.make()
    try:
        row = conn.execute(
            "INSERT INTO gateway (name, site_id, secret_bcrypt, secret_mosquitto, created_at) "
            "VALUES (%(name)s, %(site)s, %(secret_bcrypt)s, %(secret_mosquitto)s, %(now)s) RETURNING *",
            {"name": name, "site": site_id, "now": now, **broker_secrets.hashes(secret)},
        ).fetchone()
    except errors.UniqueViolation as error:
        raise Conflict(f"There is a gateway {name!r} already.", field="name") from error
    except errors.ForeignKeyViolation as error:
        raise NotFound(f"There is no site {site_id}.", field="site") from error
    tell(conn)
    return _gateway(one(row)), secret


def revoke_gateway(conn: Connection, name: str, now_us: int) -> None:
    """Take a gateway's right to publish away; its readings stay."""
    done = conn.execute(
        "UPDATE gateway SET revoked_at = coalesce(revoked_at, %s) WHERE name = %s",
        (to_datetime(now_us), name),
    )
    if done.rowcount == 0:
        raise NotFound(f"There is no gateway {name!r}.", field="gateway")
    tell(conn)


def gateways(conn: Connection) -> list[Gateway]:
    """All gateways by name."""
    return [_gateway(row) for row in conn.execute("SELECT * FROM gateway ORDER BY name")]


def gateway_named(conn: Connection, name: str) -> Gateway:
    """The gateway of that name; raises `NotFound`."""
    row = conn.execute("SELECT * FROM gateway WHERE name = %s", (name,)).fetchone()
    if row is None:
        raise NotFound(f"There is no gateway {name!r}.", field="gateway")
    return _gateway(row)


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
) -> Instrument:
    """Register an instrument of a gateway; see `model.equipment.Instrument`."""
    check_name(name, "instrument")
    if not 0 < interval_s <= 86_400:
        raise BadInput("The reporting interval must lie between zero and a day.", field="interval")
    if not 0 <= accuracy < 1:
        raise BadInput("The accuracy is a share of the reading, such as 0.1 for ±10 %.", field="accuracy")
    if range_low_pa is not None and range_high_pa is not None and range_low_pa >= range_high_pa:
        raise BadInput("The range must begin below its end.", field="range")
    try:
        row = conn.execute(
            "INSERT INTO instrument (gateway_id, name, role, position, principle, unit, range_low_pa, "
            "range_high_pa, accuracy, interval_s, serial) "
            "VALUES (%s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s) RETURNING *",
            (
                gateway_id,
                name,
                role,
                position,
                principle,
                unit,
                range_low_pa,
                range_high_pa,
                accuracy,
                interval_s,
                serial,
            ),
        ).fetchone()
    except errors.UniqueViolation as error:
        raise Conflict(f"That gateway has an instrument {name!r} already.", field="name") from error
    except errors.ForeignKeyViolation as error:
        raise NotFound(f"There is no gateway {gateway_id}.", field="gateway") from error
    tell(conn)
    return instrument_from_row(one(row))


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
    return Instrument(
        **{**row, "role": Role(row["role"]), "position": Position(row["position"])},
    )


def _site(row: dict[str, Any]) -> Site:
    return Site(**row)


def _circuit(row: dict[str, Any]) -> Circuit:
    return Circuit(**row)


def _gateway(row: dict[str, Any]) -> Gateway:
    return Gateway(row["id"], row["name"], row["site_id"], row["revoked_at"] is not None)

"""What gateways last said of themselves."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from model.clock import to_datetime, to_us
from store.database import Connection


@dataclass(frozen=True, slots=True)
class Presence:
    """A gateway's presence; times [µs]."""

    online: bool
    session: str
    boot: str | None
    software: str | None
    reported_us: int | None
    arrived_us: int


def lock(conn: Connection, gateway_ids: Iterable[int]) -> dict[int, Presence]:
    """Presences of gateways, held until the transaction ends."""
    rows = conn.execute(
        "SELECT * FROM gateway_presence WHERE gateway_id = ANY(%s) ORDER BY gateway_id FOR NO KEY UPDATE",
        (sorted(set(gateway_ids)),),
    )
    return {
        row["gateway_id"]: Presence(
            row["online"],
            row["session"],
            row["boot"],
            row["software"],
            None if row["reported_at"] is None else to_us(row["reported_at"]),
            to_us(row["arrived_at"]),
        )
        for row in rows
    }


def save(conn: Connection, presences: dict[int, Presence]) -> None:
    """Write presences down."""
    with conn.cursor() as cursor:
        cursor.executemany(
            "INSERT INTO gateway_presence "
            "(gateway_id, online, session, boot, software, reported_at, arrived_at) "
            "VALUES (%s, %s, %s, %s, %s, %s, %s) "
            "ON CONFLICT (gateway_id) DO UPDATE SET online = excluded.online, "
            "session = excluded.session, boot = excluded.boot, software = excluded.software, "
            "reported_at = excluded.reported_at, arrived_at = excluded.arrived_at",
            [
                (
                    gateway_id,
                    presence.online,
                    presence.session,
                    presence.boot,
                    presence.software,
                    None if presence.reported_us is None else to_datetime(presence.reported_us),
                    to_datetime(presence.arrived_us),
                )
                for gateway_id, presence in sorted(presences.items())
            ],
        )


def last_heard(conn: Connection, gateway_id: int | None = None) -> dict[int, datetime]:
    """When the last presence or reading of each gateway (or of that one) arrived; no entry: nothing did."""
    rows = conn.execute(
        "SELECT gateway_id, max(at) AS at FROM ("
        "SELECT gateway_id, arrived_at AS at FROM gateway_presence UNION ALL "
        "SELECT i.gateway_id, l.arrived FROM latest l JOIN instrument i ON i.id = l.instrument_id) heard "
        "WHERE %(gateway)s::int IS NULL OR gateway_id = %(gateway)s GROUP BY gateway_id",
        {"gateway": gateway_id},
    )
    return {row["gateway_id"]: row["at"] for row in rows}

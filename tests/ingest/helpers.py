"""A small registered fleet, and messages of it."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

from ingest.inbox import Message
from ingest.interpret import Item, interpret
from ingest.outcomes import find_orders
from ingest.registry import Equipment, load
from ingest.write import Written, find_places, write
from model.clock import to_datetime
from model.equipment import Role
from store import equipment, readings
from store.database import Connection, connect
from store.quarantine import Room

NOW_US = 1_780_000_000_000_000
NOW_S = NOW_US / 1e6
ROOM = 1 << 20


def register(
    dsn: str, gateways: Sequence[str] = ("gw1", "gw2"), instruments: Sequence[str] = ("g1", "g2")
) -> None:
    """A site with gateways, each with instruments; ``g2`` gauges are registered in micron."""
    with connect(dsn, application="test") as conn:
        site = equipment.add_site(conn, "Kestrel Cold Store", "Europe/Berlin")
        for name in gateways:
            gateway, _ = equipment.add_gateway(conn, name, site.id, to_datetime(NOW_US))
            for instrument in instruments:
                equipment.add_instrument(
                    conn, gateway.id, instrument, Role.GAUGE, unit="micron" if instrument == "g2" else "Pa"
                )


@contextmanager
def session(dsn: str) -> Iterator[Connection]:
    """A connection as the writer has it."""
    with connect(dsn, application="test", autocommit=True) as conn:
        readings.prepare(conn)
        yield conn


def payload(*records: dict[str, object], seq: int | None = None, boot: str = "b1") -> bytes:
    """A pack."""
    number: list[dict[str, object]] = (
        [] if seq is None else [{"n": "seq", "v": seq}, {"n": "boot", "vs": boot}]
    )
    return json.dumps([*records, *number]).encode()


def pressure(value: float, time_s: float = NOW_S) -> dict[str, object]:
    """A record."""
    return {"n": "pressure", "u": "Pa", "v": value, "t": time_s}


def message(
    raw: bytes, topic: str = "hf/1/gw1/g1/data", *, arrived_us: int = NOW_US, again: bool = False
) -> Message:
    """A message as it comes from the broker."""
    return Message(topic, raw, arrived_us, again=again)


def items(conn: Connection, messages: Sequence[Message], known: Equipment | None = None) -> list[Item]:
    """Messages, understood with the equipment of the database."""
    there = load(conn) if known is None else known
    return [interpret(each, there) for each in messages]


def store(conn: Connection, *messages: Message, room_bytes: int = ROOM, room: Room | None = None) -> Written:
    """Write messages as one batch."""
    batch = items(conn, messages)
    places: dict[str, int] = {}
    find_places(conn, batch, places)
    find_orders(conn, batch)
    return write(conn, batch, places, room=Room(room_bytes) if room is None else room)


def rows(conn: Connection, query: str) -> list[tuple[Any, ...]]:
    """Rows of a query as tuples."""
    return [tuple(row.values()) for row in conn.execute(query.encode())]


READINGS = (
    "SELECT g.name || '/' || i.name, r.quantity, p.name, extract(epoch FROM r.time)::float8, r.value "
    "FROM reading r JOIN instrument i ON i.id = r.instrument_id JOIN gateway g ON g.id = i.gateway_id "
    "JOIN place p ON p.id = r.place_id ORDER BY 1, 2, 3, 4, 5"
)


def receipts(written: Written) -> list[dict[str, Any]]:
    """Receipts, read."""
    return [json.loads(receipt.payload) for receipt in written.receipts]

"""What a valve and its gateway say, written straight into the tables."""

from __future__ import annotations

from model.clock import US, to_datetime
from model.order import OrderResult, Outcome
from model.reading import Quantity, Valve
from store import orders
from store.database import Connection
from tests.api.scene import Made, Scene


def report(scene: Scene, made: Made, position: Valve, at_us: int) -> None:
    assert made.valve is not None
    scene._insert(made.valve, Quantity.VALVE, [(at_us, float(position))])
    scene.latest(made.valve, Quantity.VALVE, at_us, float(position))


def presence(conn: Connection, made: Made, *, online: bool) -> None:
    assert made.valve is not None
    conn.execute(
        "INSERT INTO gateway_presence (gateway_id, online, session, boot, arrived_at) "
        "VALUES (%s, %s, 's1', 'b1', %s) ON CONFLICT (gateway_id) DO UPDATE SET online = excluded.online",
        (made.valve.gateway_id, online, to_datetime(1_779_999_000 * US)),
    )


def settle(conn: Connection, order_id: int, result: OrderResult, at_us: int, reason: str = "") -> None:
    with conn.transaction():
        orders.settle(conn, [(order_id, Outcome(result, reason, at_us, at_us))])

"""Orders that nobody answered in time: their timers go off, and they expire."""

from __future__ import annotations

from desk.core import order_life
from model.clock import Clock
from store import orders, timers
from store.database import Connection
from store.timers import Timer

KINDS = (orders.EXPIRY,)
AT_ONCE = 50


def work_off(conn: Connection, clock: Clock) -> int:
    """Take timers that have gone off, one transaction for each; how many orders expired.

    A timer is deleted in the transaction that ends its order, so nothing is lost with the process.
    """
    now_us = clock.now_us()
    with conn.transaction():
        gone_off = timers.due(conn, KINDS, now_us, AT_ONCE)
    expired = 0
    for timer in gone_off:
        with conn.transaction():
            expired += _look_at(conn, timer, now_us)
    return expired


def _look_at(conn: Connection, timer: Timer, now_us: int) -> bool:
    # The order first, then its timer, as its outcome does: two that meet here wait, and never for each other.
    order = orders.lock(conn, int(timer.subject))
    if not timers.take(conn, timer.kind, [timer.subject], now_us) or order is None or not order.state.open:
        return False
    if not order_life.is_due(order, now_us):
        timers.put(conn, [Timer(timer.kind, timer.subject, order.expires_us)])
        return False
    orders.expire(conn, order.id, now_us)
    return True

"""Tells the holds of the night, each morning: by a timer of the database, once over a channel.

Timer, messages and the next timer are one transaction: a desk that is killed has told either everybody (in
the outbox) or nobody, and whoever comes next goes on.
"""

from __future__ import annotations

import uuid

from desk.core import night
from model.channel import Tells
from model.clock import US, Clock
from store import channels, mornings, notifications, timers
from store.database import Connection

KINDS = (mornings.TIMER,)
REASON = "morning"


def begin(conn: Connection, clock: Clock) -> None:
    """See that a morning is to come."""
    with conn.transaction():
        if not mornings.has_timer(conn):
            _next(conn, clock.now_us())


def work_off(conn: Connection, clock: Clock) -> int:
    """Tell a morning whose time has come; to how many."""
    now_us = clock.now_us()
    with conn.transaction():
        gone_off = timers.claim(conn, KINDS, now_us, 1)
        told = 0
        if gone_off:
            chosen = mornings.when(conn)
            come = night.latest(now_us, chosen.at, chosen.zone)
            if now_us - come.until_us <= night.LATEST_S * US:
                told = _tell(conn, come, now_us)
            _next(conn, now_us)
        return told


def _tell(conn: Connection, come: night.Night, now_us: int) -> int:
    day = come.day.isoformat()
    lasts_s = night.LATEST_S - (now_us - come.until_us) / US
    numbers = [
        notifications.enqueue(
            conn,
            channel.id,
            REASON,
            {"id": str(uuid.uuid4()), "day": day},
            now_us,
            key=f"morning:{day}",
            lasts_s=lasts_s,
        )
        for channel in channels.telling_all(conn, Tells.MORNINGS)
        if channel.kind.for_people
    ]
    return sum(number is not None for number in numbers)


def _next(conn: Connection, now_us: int) -> None:
    chosen = mornings.when(conn)
    mornings.set_timer(conn, night.next_us(now_us, chosen.at, chosen.zone))

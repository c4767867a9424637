"""Looks at gateways whose messages are refused or whose clocks are wrong, and tells what became of it.

By timers alone; each look is one transaction that takes the timer and sets the next one, so several desks may
do it, and one that is killed or away goes on where it was.
"""

from __future__ import annotations

from desk.core import gateways
from desk.core.gateways import Look
from model.clock import Clock
from store import clocks, events, refusing, timers
from store.database import Connection
from store.events import NewEvent
from store.timers import Timer

KINDS = (refusing.LOOK, clocks.LOOK)
AT_ONCE = 50


def work_off(conn: Connection, clock: Clock) -> int:
    """Take timers that have gone off, one transaction for each; how many there were."""
    now_us = clock.now_us()
    with conn.transaction():
        gone_off = timers.due(conn, KINDS, now_us, AT_ONCE)
    for timer in gone_off:
        with conn.transaction():
            if timer.kind == refusing.LOOK:
                _refused(conn, timer, now_us)
            else:
                _clock(conn, timer, now_us, stretched=0.0 < clock.real_seconds(1.0) < 1.0)
    return len(gone_off)


def _refused(conn: Connection, timer: Timer, now_us: int) -> None:
    # The row first, then its timer, as the ingest does: two that meet here wait, and never for each other.
    episode = refusing.lock(conn, timer.subject)
    if not timers.take(conn, timer.kind, [timer.subject], now_us) or episode is None:
        return
    look = gateways.refused(episode, now_us)
    if look.again_us is None:
        refusing.end(conn, episode.gateway)
    elif look.tell is not None:
        refusing.told(conn, episode)
    _go_on(conn, timer, look, now_us, episode.gateway, episode.site_id, episode.since_us, {
        "gateway_id": episode.gateway_id,
        "messages": episode.messages,
        "beyond_limit": episode.beyond,
        "reason": episode.reason,
    })  # fmt: skip


def _clock(conn: Connection, timer: Timer, now_us: int, *, stretched: bool) -> None:
    seen = clocks.lock(conn, int(timer.subject))
    if not timers.take(conn, timer.kind, [timer.subject], now_us) or seen is None:
        return
    look = gateways.clock(seen, now_us, stretched=stretched)
    if look.again_us is None:
        clocks.settled(conn, seen.gateway_id)
    elif look.tell is not None:
        clocks.told(conn, seen)
    _go_on(conn, timer, look, now_us, seen.gateway, seen.site_id, seen.suspected_us, {
        "gateway_id": seen.gateway_id,
        "ahead_s": seen.ahead_s,
    })  # fmt: skip


def _go_on(
    conn: Connection,
    timer: Timer,
    look: Look,
    now_us: int,
    gateway: str,
    site_id: int | None,
    since_us: int,
    data: dict[str, object],
) -> None:
    if look.again_us is not None:
        timers.put(conn, [Timer(timer.kind, timer.subject, look.again_us)])
    if look.tell is not None:
        subject = f"gateway:{gateway or '-'}"
        happened_us = since_us if look.again_us is not None else now_us
        new = NewEvent(
            look.tell, happened_us, look.text, subject, site_id, None, {"gateway": gateway, **data}
        )
        events.record(conn, [new], now_us)

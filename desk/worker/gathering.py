"""Looks at what holds alerts back as a whole: gateways that are silent, sites that are switched to local
hands.

By timers alone; each look is one transaction that takes the timer, so several desks may do it, and one that
is killed or away goes on where it was.
"""

from __future__ import annotations

from desk.core import silence
from model.clock import Clock
from model.event import EventKind
from store import events, local_hands, silent_gateways, timers
from store.database import Connection
from store.events import NewEvent
from store.timers import Timer

KINDS = (local_hands.LOOK, silent_gateways.LOOK)
AT_ONCE = 50


def work_off(conn: Connection, clock: Clock) -> int:
    """Take timers that have gone off, one transaction for each; how many there were."""
    now_us = clock.now_us()
    with conn.transaction():
        gone_off = timers.due(conn, KINDS, now_us, AT_ONCE)
    for timer in gone_off:
        with conn.transaction():
            # The timer first: what is written after it was taken sets it anew.
            if timers.take(conn, timer.kind, [timer.subject], now_us):
                look = _hands if timer.kind == local_hands.LOOK else _gateway
                look(conn, int(timer.subject), now_us)
    return len(gone_off)


def _hands(conn: Connection, site_id: int, now_us: int) -> None:
    switch = local_hands.switch(conn, site_id)
    if switch is None or (switch.since_us is None) == (switch.told_us is None):
        return
    since_us = None if switch.since_us is None else min(switch.since_us, now_us)
    local_hands.write(conn, site_id, since_us)
    kind = EventKind.LOCAL_HANDS_OVER if since_us is None else EventKind.LOCAL_HANDS
    said = "is no longer switched to local hands" if since_us is None else "was switched to local hands"
    text = f"{switch.site} {said}."
    new = NewEvent(kind, now_us if since_us is None else since_us, text, f"site:{site_id}", site_id)
    events.record(conn, [new], now_us)


def _gateway(conn: Connection, gateway_id: int, now_us: int) -> None:
    seen = silent_gateways.seen(conn, gateway_id)
    if seen is None:
        return
    look = silence.look(
        seen.name,
        away=seen.away,
        serving=seen.serving,
        silent=seen.silent,
        waiting=seen.children,
        told=seen.told,
        now_us=now_us,
    )
    if look.again_us is not None:
        timers.put(conn, [Timer(silent_gateways.LOOK, str(gateway_id), look.again_us)])
    if look.tell is None:
        return
    data: dict[str, object] = {"gateway": seen.name, "gateway_id": gateway_id, "gauges": seen.silent}
    if seen.priority is not None:
        data["priority"] = seen.priority.value
    new = NewEvent(look.tell, now_us, look.text, f"gateway:{seen.name}", seen.site_id, None, data)
    events.record(conn, [new], now_us)

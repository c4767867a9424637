"""From events to alerts and notifications, each event exactly once.

The cursor moves in the transaction that changes the alerts. One desk process at a time works, held apart by
an advisory lock that ends with the transaction, so a dead process hands over at once.
"""

from __future__ import annotations

import logging
from dataclasses import replace

import psycopg

from desk.core import life, rules
from desk.worker import passing
from desk.worker.passing import Outlets
from model.clock import US, Clock
from model.event import Event
from store import alerts, events, silent_gateways
from store.database import Connection, one
from store.measures import Measures

log = logging.getLogger(__name__)

READER = "desk"
LOCK = 0x4445534B
BATCH = 200
"""Events a transaction: alerts of the first ones must not wait for long."""
SILENCE = "series-silent"
"""Kind of the alerts that may be one of their gateway."""


def work_off(
    conn: Connection, clock: Clock, outlets: Outlets, measures: Measures | None = None
) -> int | None:
    """Take the next events in one transaction.

    Returns
    -------
    int or None
        How many were taken; None if another desk is at work, which then takes them.
    """
    with conn.transaction():
        if not one(conn.execute("SELECT pg_try_advisory_xact_lock(%s) AS ours", (LOCK,)).fetchone())["ours"]:
            return None
        batch = events.after(conn, _cursor(conn), BATCH)
        for event in batch:
            _take(conn, event, clock.now_us(), outlets)
        if batch:
            _advance(conn, batch[-1].id)
    if measures is not None and batch:
        now_us = clock.now_us()
        measures.count("desk_events", len(batch))
        for event in batch:
            measures.observe("desk_event_delay_seconds", (now_us - event.recorded_us) / US)
    return len(batch)


def _take(conn: Connection, event: Event, now_us: int, outlets: Outlets) -> None:
    """Apply an event; one that the rules choke on becomes an alert itself and stops nothing."""
    try:
        with conn.transaction():
            for step in rules.steps(event):
                apply(conn, step, now_us, outlets)
    except psycopg.OperationalError:
        raise
    except Exception:
        log.exception("event %d (%s) was not understood", event.id, event.kind)
        apply(conn, rules.not_understood(event), now_us, outlets)


def apply(conn: Connection, step: rules.Step, now_us: int, outlets: Outlets) -> None:
    """Do one step of a rule in the caller's transaction."""
    if isinstance(step, rules.LookAgain):
        around = alerts.live_around(
            conn, site=step.site_id, gateway=step.gateway_id, instrument=step.instrument_id
        )
        for one_of_them in around:
            passing.on_its_way(conn, one_of_them, now_us, outlets)
        return
    if isinstance(step, life.Told):
        _write(conn, life.tell(alerts.live_by_key(conn, step.key), step, now_us), outlets)
        return
    if isinstance(step, rules.Advise):
        alert = alerts.live_by_key(conn, step.key)
        if alert is not None:
            _write(conn, life.advise(alert, step.action, step.event_id, now_us), outlets)
        return
    if step.is_prefix:
        found = alerts.active_by_prefix(conn, step.key, step.before_us)
    else:
        alert = alerts.live_by_key(conn, step.key)
        found = [alert] if alert else []
    for alert in found:
        _write(conn, life.clear(alert, step.reason, step.event_id, now_us), outlets)


def _write(conn: Connection, change: life.Change | None, outlets: Outlets) -> None:
    if change is None:
        return
    now_us = change.alert.updated_us
    alert_id = alerts.save(conn, change.alert, change.what, note=change.note, event_id=change.alert.event_id)
    alert = replace(change.alert, id=alert_id)
    passing.on_its_way(conn, alert, now_us, outlets, change.note)
    if alert.kind == SILENCE and alert.instrument and change.what != "repeated":
        gateway_id = silent_gateways.of_instrument(conn, alert.instrument)
        if gateway_id is not None:
            silent_gateways.look(conn, gateway_id, now_us)


def _cursor(conn: Connection) -> int:
    row = conn.execute("SELECT event_id FROM event_cursor WHERE reader = %s", (READER,)).fetchone()
    return int(row["event_id"]) if row else 0


def _advance(conn: Connection, event_id: int) -> None:
    conn.execute(
        "INSERT INTO event_cursor (reader, event_id) VALUES (%s, %s) "
        "ON CONFLICT (reader) DO UPDATE SET event_id = excluded.event_id",
        (READER, event_id),
    )

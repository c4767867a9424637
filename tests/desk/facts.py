"""Events as the analysis records them, and what became of them in the database."""

from __future__ import annotations

from typing import Any

from model.alert import Alert
from model.event import EventKind
from store import alerts, events
from store.database import Connection
from store.events import NewEvent

NIGHT_US = 1_750_000_000_000_000


def record(conn: Connection, job_id: int, kind: EventKind, hold: str = "hold:a", **data: object) -> int:
    """Record one event as the analysis would."""
    with conn.transaction():
        event = NewEvent(kind, NIGHT_US, "The hold of Rack B.", hold, job_id=job_id, data=dict(data))
        return events.record(conn, [event], NIGHT_US + 2_000_000)[0]


def all_alerts(conn: Connection) -> list[Alert]:
    """Every alert, the oldest first."""
    return [alerts.from_row(row) for row in conn.execute(alerts.SELECT + "ORDER BY alert.id").fetchall()]


def outbox(conn: Connection) -> list[dict[str, Any]]:
    """Every notification, the oldest first."""
    return conn.execute("SELECT * FROM notification ORDER BY id").fetchall()

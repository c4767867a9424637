"""Events as the analysis records them."""

from __future__ import annotations

from model.event import EventKind
from store import events
from store.database import Connection
from store.events import NewEvent

NIGHT_US = 1_750_000_000_000_000


def record(conn: Connection, job_id: int, kind: EventKind, hold: str = "hold:a", **data: object) -> int:
    """Record one event as the analysis would."""
    with conn.transaction():
        event = NewEvent(kind, NIGHT_US, "The hold of Rack B.", hold, job_id=job_id, data=dict(data))
        return events.record(conn, [event], NIGHT_US + 2_000_000)[0]

"""Events: appended in the order of commit, read by id."""

from __future__ import annotations

import logging
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

from psycopg.types.json import Jsonb

from model.clock import to_datetime, to_us
from model.event import Event, EventKind
from store.database import Connection, one

log = logging.getLogger(__name__)

ORDER_LOCK = 0x45564E54
"""Held from the first event of a transaction to its commit: ids are then in the order of commit, and a
reader that has seen id n has missed none below it."""


@dataclass(frozen=True, slots=True)
class NewEvent:
    """An event to be recorded; see `model.event.Event`."""

    kind: EventKind
    happened_us: int
    text: str
    subject: str
    site_id: int | None = None
    job_id: int | None = None
    data: dict[str, object] = field(default_factory=dict)


def record(conn: Connection, events: Sequence[NewEvent], recorded_us: int) -> list[int]:
    """Append events in the caller's transaction and tell the listeners; returns their ids.

    Call it last in a transaction: it takes the lock that orders all events.
    """
    if not events:
        return []
    conn.execute("SELECT pg_advisory_xact_lock(%s)", (ORDER_LOCK,))
    ids: list[int] = []
    for event in events:
        row = conn.execute(
            "INSERT INTO event (kind, happened_at, recorded_at, site_id, job_id, subject, text, data) "
            "VALUES (%s, %s, %s, %s, %s, %s, %s, %s) RETURNING id",
            (
                event.kind,
                to_datetime(event.happened_us),
                to_datetime(recorded_us),
                event.site_id,
                event.job_id,
                event.subject,
                event.text,
                Jsonb(event.data),
            ),
        ).fetchone()
        ids.append(one(row)["id"])
    conn.execute("SELECT pg_notify('event', %s)", (str(ids[-1]),))
    return ids


def after(conn: Connection, event_id: int, limit: int = 500) -> list[Event]:
    """Events after ``event_id`` in order, at most ``limit``.

    Events of kinds that this program does not know, written by a newer one, are passed over.
    """
    while True:
        rows = conn.execute(
            "SELECT * FROM event WHERE id > %s ORDER BY id LIMIT %s", (event_id, limit)
        ).fetchall()
        known = _known(rows)
        if known or not rows:
            return known
        event_id = rows[-1]["id"]


def of_job(conn: Connection, job_id: int, limit: int = 500) -> list[Event]:
    """Newest first."""
    rows = conn.execute(
        "SELECT * FROM event WHERE job_id = %s ORDER BY happened_at DESC, id DESC LIMIT %s", (job_id, limit)
    )
    return _known(rows)


def newest_id(conn: Connection) -> int:
    """The id of the newest event, 0 if there is none."""
    return int(one(conn.execute("SELECT coalesce(max(id), 0) AS id FROM event").fetchone())["id"])


_KINDS = frozenset(kind.value for kind in EventKind)
_strange: set[str] = set()


def _known(rows: Iterable[dict[str, Any]]) -> list[Event]:
    """Those of kinds that we know; each other kind is told once in the log."""
    known = []
    for row in rows:
        if row["kind"] in _KINDS:
            known.append(from_row(row))
        elif row["kind"] not in _strange:
            _strange.add(row["kind"])
            log.warning("events of the kind %r are passed over: a newer program wrote them", row["kind"])
    return known


def from_row(row: dict[str, Any]) -> Event:
    """An event from its row."""
    return Event(
        id=row["id"],
        kind=EventKind(row["kind"]),
        happened_us=to_us(row["happened_at"]),
        recorded_us=to_us(row["recorded_at"]),
        text=row["text"],
        subject=row["subject"],
        site_id=row["site_id"],
        job_id=row["job_id"],
        data=row["data"],
    )

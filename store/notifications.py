"""Outbox of notifications, and their log.

A notification is written in the transaction that changes its alert, and sent afterwards at least once. Who
sends it holds a session advisory lock on its id: the lock goes with the connection, so whatever a dead
process had in hand is free at once, and no transaction stays open while a receiver takes its time.

Due times are wall time by the database's own clock, whatever clock the rest runs on.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Any

from psycopg.types.json import Jsonb

from model.clock import to_datetime
from store.database import Connection, one

LOCK_CLASS = 0x4E54  # first half of the two-part advisory lock; the second is the notification's id

INSERT = """
    INSERT INTO notification (alert_id, channel, reason, body, created_at, due_at)
    VALUES (%s, %s, %s, %s, %s, clock_timestamp()) RETURNING id
"""

# Not before an earlier one of the same alert is through: "cleared" must not overtake "raised".
DUE = """
    SELECT id FROM notification AS this
    WHERE channel = %(channel)s AND sent_at IS NULL AND given_up_at IS NULL AND due_at <= clock_timestamp()
      AND NOT id = ANY(%(busy)s)
      AND NOT EXISTS (
          SELECT FROM notification AS earlier
          WHERE earlier.alert_id = this.alert_id AND earlier.channel = this.channel AND earlier.id < this.id
            AND earlier.sent_at IS NULL AND earlier.given_up_at IS NULL)
    ORDER BY due_at, id LIMIT %(limit)s
"""

# Asked again after the lock is had: another process may have sent it between the two statements.
STILL_DUE = """
    SELECT * FROM notification
    WHERE id = %s AND sent_at IS NULL AND given_up_at IS NULL AND due_at <= clock_timestamp()
"""

WAIT_S = """
    SELECT extract(epoch FROM min(due_at) - clock_timestamp())::float8 AS seconds FROM notification
    WHERE channel = %(channel)s AND sent_at IS NULL AND given_up_at IS NULL AND NOT id = ANY(%(busy)s)
"""


@dataclass(frozen=True, slots=True)
class Notification:
    """What is to be sent; ``attempts`` were made before."""

    id: int
    alert_id: int
    channel: str
    reason: str
    body: dict[str, Any]
    attempts: int


def enqueue(
    conn: Connection, alert_id: int, channel: str, reason: str, body: dict[str, object], now_us: int
) -> int:
    """Put one into the outbox in the caller's transaction; returns its id."""
    row = conn.execute(INSERT, (alert_id, channel, reason, Jsonb(body), to_datetime(now_us))).fetchone()
    notification_id = int(one(row)["id"])
    conn.execute("SELECT pg_notify('notification', %s)", (str(notification_id),))
    return notification_id


def claim(conn: Connection, channel: str, limit: int, busy: Collection[int]) -> list[Notification]:
    """Due notifications that nobody else has in hand; ours until `release`, or until the connection ends.

    Parameters
    ----------
    conn : Connection
        In autocommit mode.
    limit : int
        At most so many.
    busy : collection of int
        What this connection holds already: a session may take its own lock again.
    """
    claimed = []
    for row in conn.execute(DUE, {"channel": channel, "busy": list(busy), "limit": limit}).fetchall():
        lock = conn.execute("SELECT pg_try_advisory_lock(%s, %s) AS ours", (LOCK_CLASS, row["id"]))
        if not one(lock.fetchone())["ours"]:
            continue
        full = conn.execute(STILL_DUE, (row["id"],)).fetchone()
        if full is None:
            release(conn, row["id"])
            continue
        claimed.append(
            Notification(
                id=full["id"],
                alert_id=full["alert_id"],
                channel=full["channel"],
                reason=full["reason"],
                body=full["body"],
                attempts=full["attempts"],
            )
        )
    return claimed


def release(conn: Connection, notification_id: int) -> None:
    """Let go of a claimed one."""
    conn.execute("SELECT pg_advisory_unlock(%s, %s)", (LOCK_CLASS, notification_id))


def sent(conn: Connection, notification_id: int) -> float:
    """Record that the receiver has it; says how long it had been due [s]."""
    row = conn.execute(
        "UPDATE notification SET sent_at = clock_timestamp(), attempts = attempts + 1, last_error = '' "
        "WHERE id = %s RETURNING extract(epoch FROM clock_timestamp() - due_at)::float8 AS waited_s",
        (notification_id,),
    ).fetchone()
    return float(one(row)["waited_s"])


def failed(conn: Connection, notification_id: int, error: str, again_in_s: float) -> None:
    """Record a failed attempt and when to try again [s from now]."""
    conn.execute(
        "UPDATE notification SET attempts = attempts + 1, last_error = %s, "
        "due_at = clock_timestamp() + make_interval(secs => %s) WHERE id = %s",
        (error, again_in_s, notification_id),
    )


def given_up(conn: Connection, notification_id: int, error: str) -> None:
    """Record that it will not be tried again."""
    conn.execute(
        "UPDATE notification SET given_up_at = clock_timestamp(), attempts = attempts + 1, last_error = %s "
        "WHERE id = %s",
        (error, notification_id),
    )


def seconds_to_next(conn: Connection, channel: str, busy: Collection[int]) -> float | None:
    """How long until one is due [s], negative if overdue, None if none waits."""
    seconds = one(conn.execute(WAIT_S, {"channel": channel, "busy": list(busy)}).fetchone())["seconds"]
    return None if seconds is None else float(seconds)

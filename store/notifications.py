"""Outbox of notifications, and their log.

A notification is written in the transaction that changes its alert, and sent afterwards at least once. Who
sends it holds a session advisory lock on its id: the lock goes with the connection, so whatever a dead
process had in hand is free at once, and no transaction stays open while a receiver takes its time.

Due times are wall time by the database's own clock, whatever clock the rest runs on.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from psycopg.types.json import Jsonb

from model.channel import Channel
from model.clock import to_datetime
from store import channels
from store.database import Connection, one

LOCK_CLASS = 0x4E54  # first half of the two-part advisory lock; the second is the notification's id

# Over a channel that is stopped nothing goes, and the log says so.
INSERT = """
    INSERT INTO notification
        (alert_id, channel_id, reason, body, key, created_at, due_at, stale_at, given_up_at, last_error)
    SELECT %(alert)s, id, %(reason)s, %(body)s, %(key)s, %(now)s, clock_timestamp(),
           clock_timestamp() + make_interval(secs => %(lasts_s)s),
           CASE WHEN stopped_at IS NOT NULL THEN clock_timestamp() END,
           CASE WHEN stopped_at IS NOT NULL THEN 'stopped: ' || stopped_because ELSE '' END
    FROM channel WHERE id = %(channel)s AND removed_at IS NULL
    ON CONFLICT (channel_id, key) DO NOTHING RETURNING id
"""

# Not before an earlier one of the same alert is through: "cleared" must not overtake "raised".
DUE = """
    SELECT this.id, this.channel_id FROM notification AS this
    WHERE this.sent_at IS NULL AND this.given_up_at IS NULL AND this.due_at <= clock_timestamp()
      AND NOT this.id = ANY(%(busy)s) AND NOT this.channel_id = ANY(%(shut)s)
      AND NOT EXISTS (
          SELECT FROM notification AS earlier
          WHERE earlier.alert_id = this.alert_id AND earlier.channel_id = this.channel_id
            AND earlier.id < this.id AND earlier.sent_at IS NULL AND earlier.given_up_at IS NULL)
    ORDER BY this.due_at, this.id LIMIT %(limit)s
"""

# Asked again after the lock is had: another process may have sent it between the two statements.
STILL_DUE = """
    SELECT channel.*, this.id AS notification_id, this.alert_id, this.reason, this.body, this.attempts,
           extract(epoch FROM this.stale_at - clock_timestamp())::float8 AS fresh_s
    FROM notification AS this JOIN channel ON channel.id = this.channel_id
    WHERE this.id = %s AND sent_at IS NULL AND given_up_at IS NULL AND due_at <= clock_timestamp()
"""

WAIT_S = """
    SELECT extract(epoch FROM min(due_at) - clock_timestamp())::float8 AS seconds FROM notification
    WHERE sent_at IS NULL AND given_up_at IS NULL
      AND NOT id = ANY(%(busy)s) AND NOT channel_id = ANY(%(shut)s)
"""

OUTCOME = """
    SELECT sent_at, given_up_at, last_error, created_at FROM notification
    WHERE channel_id = %(channel)s AND reason = %(reason)s AND (%(id)s::bigint IS NULL OR id = %(id)s)
    ORDER BY id DESC LIMIT 1
"""

TEST = "test"
"""Reason of a message that only shows whether a channel works: it is tried once."""


@dataclass(frozen=True, slots=True)
class Notification:
    """What is to be sent; ``attempts`` were made before, and it is of use for ``fresh_s`` more [s]."""

    id: int
    alert_id: int | None
    channel: Channel
    reason: str
    body: dict[str, Any]
    attempts: int
    fresh_s: float | None


@dataclass(frozen=True, slots=True)
class Tried:
    """What became of a message: sent, given up, or neither yet, and the latest error."""

    made_at: datetime
    sent_at: datetime | None
    given_up_at: datetime | None
    error: str


def enqueue(
    conn: Connection,
    channel_id: int,
    reason: str,
    body: dict[str, object],
    now_us: int,
    *,
    alert_id: int | None = None,
    key: str | None = None,
    lasts_s: float | None = None,
) -> int | None:
    """Put one into the outbox in the caller's transaction.

    Parameters
    ----------
    key : str, optional
        What goes out once over a channel.
    lasts_s : float, optional
        It is of no use later [s].

    Returns
    -------
    int or None
        Its number; None if it went over that channel before, or there is no such channel any more.
    """
    given = {
        "alert": alert_id,
        "channel": channel_id,
        "reason": reason,
        "body": Jsonb(body),
        "key": key,
        "now": to_datetime(now_us),
        "lasts_s": lasts_s,
    }
    row = conn.execute(INSERT, given).fetchone()
    if row is None:
        return None
    conn.execute("SELECT pg_notify('notification', %s)", (str(row["id"]),))
    return int(row["id"])


def claim(
    conn: Connection, limit: int, busy: Collection[int], shut: Collection[int], most: Mapping[int, int]
) -> list[Notification]:
    """Due notifications that nobody else has in hand; ours until `release`, or until the connection ends.

    Parameters
    ----------
    conn : Connection
        In autocommit mode.
    limit : int
        At most so many.
    busy : collection of int
        What this connection holds already: a session may take its own lock again.
    shut : collection of int
        Channels over which nothing is to go now.
    most : mapping of int to int
        At most so many over a channel; 1 where nothing is said.
    """
    claimed: list[Notification] = []
    taken: Counter[int] = Counter()
    given = {"busy": list(busy), "shut": list(shut), "limit": limit}
    for row in conn.execute(DUE, given).fetchall():
        if taken[row["channel_id"]] >= most.get(row["channel_id"], 1):
            continue
        lock = conn.execute("SELECT pg_try_advisory_lock(%s, %s) AS ours", (LOCK_CLASS, row["id"]))
        if not one(lock.fetchone())["ours"]:
            continue
        full = conn.execute(STILL_DUE, (row["id"],)).fetchone()
        if full is None:
            release(conn, row["id"])
            continue
        taken[row["channel_id"]] += 1
        claimed.append(
            Notification(
                id=full["notification_id"],
                alert_id=full["alert_id"],
                channel=channels.from_row(full),
                reason=full["reason"],
                body=full["body"],
                attempts=full["attempts"],
                fresh_s=full["fresh_s"],
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


def seconds_to_next(conn: Connection, busy: Collection[int], shut: Collection[int]) -> float | None:
    """How long until one is due [s], negative if overdue, None if none waits."""
    seconds = one(conn.execute(WAIT_S, {"busy": list(busy), "shut": list(shut)}).fetchone())["seconds"]
    return None if seconds is None else float(seconds)


def last_sent(conn: Connection, channel_id: int) -> datetime | None:
    """When a message last went out over a channel."""
    row = conn.execute(
        "SELECT max(sent_at) AS at FROM notification WHERE channel_id = %s", (channel_id,)
    ).fetchone()
    at: datetime | None = one(row)["at"]
    return at


def tried(conn: Connection, channel_id: int, reason: str = TEST, number: int | None = None) -> Tried | None:
    """What became of the latest message of that reason over a channel, or of that number."""
    row = conn.execute(OUTCOME, {"channel": channel_id, "reason": reason, "id": number}).fetchone()
    if row is None:
        return None
    return Tried(row["created_at"], row["sent_at"], row["given_up_at"], row["last_error"])

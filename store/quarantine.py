"""Quarantine: what gateways sent and we refused, raw, with the reason; bounded in bytes.

What does not fit any more is counted by reason in ``quarantine_overflow``.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from model.clock import to_datetime, to_us
from model.errors import NotFound
from store.database import Connection, one
from store.lists import QUARANTINE, containing

ROW_BYTES = 200
"""What a row costs beside its raw bytes, roughly."""


@dataclass(frozen=True, slots=True)
class Refusal:
    """Something refused.

    Parameters
    ----------
    record : int or None
        Index of the (first) refused record; None if it is the whole message.
    same : bytes
        What must be equal beside topic, reason and bytes for two refusals to be the same: the arrival
        where the bytes alone do not tell a repetition from news, else empty.
    """

    arrived_us: int
    topic: str
    gateway: str | None
    reason: str
    message: str
    raw: bytes
    record: int | None = None
    same: bytes = b""

    @property
    def size(self) -> int:
        """Bytes that it takes."""
        return len(self.raw) + ROW_BYTES

    @property
    def digest(self) -> bytes:
        """Equal for repetitions of one refusal."""
        parts = (self.topic.encode(), self.reason.encode(), self.same, self.raw)
        return hashlib.sha256(b"".join(len(part).to_bytes(4, "big") + part for part in parts)).digest()


@dataclass(frozen=True, slots=True)
class Kept:
    """A refusal in quarantine, to be replayed."""

    id: int
    arrived_us: int
    topic: str
    reason: str
    raw: bytes


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which refusals to look at; None and empty texts: all.

    Parameters
    ----------
    text : str or None
        Stands in the topic or the sentence.
    waiting : bool or None
        Whether something of it is still refused.
    """

    gateway: str | None = None
    reason: str | None = None
    text: str | None = None
    waiting: bool | None = None

    def filters(self) -> dict[str, object]:
        """For `store.lists.QUARANTINE`."""
        return {
            "gateway": self.gateway or None,
            "reason": self.reason or None,
            "text": containing(self.text),
            "waiting": self.waiting,
        }


def used_bytes(conn: Connection) -> int:
    """How much is taken; for this it reads the whole table, so not for every message."""
    row = conn.execute(
        "SELECT coalesce(sum(octet_length(raw) + %s), 0)::bigint AS used FROM quarantine", (ROW_BYTES,)
    ).fetchone()
    return int(one(row)["used"])


def put(conn: Connection, refusals: Sequence[Refusal], room_bytes: int) -> tuple[int, int]:
    """Keep refusals as long as there is room, count the others.

    Returns
    -------
    int, int
        How many bytes were taken, at most, and how many refusals were only counted.
    """
    kept: list[Refusal] = []
    messages: Counter[str] = Counter()
    over: Counter[str] = Counter()
    taken = 0
    for refusal in refusals:
        if taken + refusal.size <= room_bytes:
            taken += refusal.size
            kept.append(refusal)
        else:
            messages[refusal.reason] += 1
            over[refusal.reason] += refusal.size
    with conn.cursor() as cursor:
        cursor.executemany(
            "INSERT INTO quarantine AS q (arrived_at, topic, gateway, reason, message, record, raw, digest) "
            "VALUES (%s, %s, %s, %s, %s, %s, %s, %s) ON CONFLICT (digest) DO UPDATE SET times = q.times + 1",
            [
                (
                    to_datetime(r.arrived_us),
                    r.topic,
                    r.gateway,
                    r.reason,
                    r.message,
                    r.record,
                    r.raw,
                    r.digest,
                )
                for r in sorted(kept, key=lambda r: r.digest)
            ],
        )
        cursor.executemany(
            "INSERT INTO quarantine_overflow AS o (reason, messages, bytes) VALUES (%s, %s, %s) "
            "ON CONFLICT (reason) DO UPDATE SET messages = o.messages + excluded.messages, "
            "bytes = o.bytes + excluded.bytes",
            [(reason, messages[reason], over[reason]) for reason in sorted(messages)],
        )
    return taken, sum(messages.values())


def waiting(
    conn: Connection, ids: Sequence[int] | None = None, after_id: int = 0, at_most: int = 100
) -> list[Kept]:
    """What has not been replayed yet, oldest first; all or those of the given ids."""
    rows = conn.execute(
        "SELECT id, arrived_at, topic, reason, raw FROM quarantine "
        "WHERE replayed_at IS NULL AND id > %(after)s AND (%(ids)s::bigint[] IS NULL OR id = ANY(%(ids)s)) "
        "ORDER BY id LIMIT %(most)s",
        {"after": after_id, "ids": None if ids is None else list(ids), "most": at_most},
    )
    return [Kept(r["id"], to_us(r["arrived_at"]), r["topic"], r["reason"], r["raw"]) for r in rows]


def waiting_ids(conn: Connection, wanted: Wanted, after_id: int, at_most: int) -> list[int]:
    """Numbers of what has not been replayed yet, oldest first."""
    rows = conn.execute(
        f"SELECT id FROM ({QUARANTINE.query}) listed WHERE id > %(after)s "  # noqa: S608 - a constant
        "ORDER BY id LIMIT %(most)s",
        {**replace(wanted, waiting=True).filters(), "after": after_id, "most": at_most},
    )
    return [row["id"] for row in rows]


def raw_of(conn: Connection, kept_id: int) -> bytes:
    """The bytes as they came; raises `NotFound`."""
    row = conn.execute("SELECT raw FROM quarantine WHERE id = %s", (kept_id,)).fetchone()
    if row is None:
        raise NotFound(f"There is no refused message {kept_id}.")
    return bytes(row["raw"])


def count_waiting(conn: Connection) -> int:
    """How many refusals have not been replayed."""
    return QUARANTINE.count(conn, Wanted(waiting=True).filters())


def reasons(conn: Connection) -> list[str]:
    """Codes of what is kept."""
    rows = conn.execute("SELECT DISTINCT reason FROM quarantine ORDER BY reason").fetchall()
    return [row["reason"] for row in rows]


def unregistered(conn: Connection, at_most: int = 20) -> list[dict[str, Any]]:
    """Names of gateways that sent and are not registered: ``gateway``, ``kept``, ``times``, ``last_at``."""
    return conn.execute(
        "SELECT q.gateway, count(*) AS kept, sum(q.times) AS times, max(q.arrived_at) AS last_at "
        "FROM quarantine q WHERE q.reason = 'unknown-gateway' AND q.gateway IS NOT NULL "
        "AND q.replayed_at IS NULL AND NOT EXISTS (SELECT FROM gateway g WHERE g.name = q.gateway) "
        "GROUP BY q.gateway ORDER BY last_at DESC, q.gateway LIMIT %s",
        (at_most,),
    ).fetchall()


def mark_replayed(conn: Connection, kept_id: int, now: datetime) -> None:
    """Say that nothing of it is refused for its reason any more."""
    conn.execute("UPDATE quarantine SET replayed_at = %s WHERE id = %s", (now, kept_id))

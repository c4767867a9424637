"""Quarantine: what gateways sent and we refused, raw, with the reason; bounded in bytes.

No gateway may take more than its share of the room, so that one that sends nothing but nonsense leaves the
others theirs; what came in the name of no registered gateway has one share in common. What does not fit any
more is counted by gateway and reason in ``quarantine_overflow``.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

from model.clock import to_datetime, to_us
from model.errors import NotFound
from store.database import Connection
from store.lists import QUARANTINE, containing

ROW_BYTES = 200
"""What a row costs beside its raw bytes, roughly."""
SHARES = 4
"""No gateway may take more than one of so many parts of the room."""
NOBODY = ""
"""Stands for all names of no registered gateway: those are a stranger's to choose, and without end."""


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
    keep : bool
        Whether it is to be kept, and not only counted.
    """

    arrived_us: int
    topic: str
    gateway: str | None
    reason: str
    message: str
    raw: bytes
    record: int | None = None
    same: bytes = b""
    keep: bool = True

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


@dataclass(frozen=True, slots=True)
class Room:
    """How much the quarantine may hold, and what each gateway has taken of it.

    Parameters
    ----------
    total_bytes : int
    used : mapping
        Bytes by the gateway's name; those of no registered gateway under `NOBODY`.
    """

    total_bytes: int
    used: Mapping[str, int] = field(default_factory=dict)

    @property
    def share_bytes(self) -> int:
        """The most that one gateway may take."""
        return self.total_bytes // SHARES


@dataclass(frozen=True, slots=True)
class Put:
    """What became of refusals.

    Parameters
    ----------
    taken : mapping
        Bytes that each gateway took, at most.
    only_counted : int
        How many refusals were not kept.
    full : frozenset of str
        The gateways for which there was no room.
    """

    taken: Mapping[str, int] = field(default_factory=dict)
    only_counted: int = 0
    full: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Share:
    """What a gateway has in quarantine; ``gateway`` is None for what came of no registered one."""

    gateway: str | None
    refusals: int
    bytes: int
    waiting: int
    only_counted: Mapping[str, int]


_USED = """
SELECT coalesce(g.name, '') AS holder, sum(octet_length(q.raw) + %s)::bigint AS used, count(*) AS refusals,
       count(*) FILTER (WHERE q.replayed_at IS NULL) AS waiting
FROM quarantine q LEFT JOIN gateway g ON g.name = q.gateway GROUP BY 1 ORDER BY 2 DESC, 1
"""


def used_bytes(conn: Connection) -> dict[str, int]:
    """How much each gateway has taken; for this it reads the whole table, so not for every message."""
    return {row["holder"]: row["used"] for row in conn.execute(_USED, (ROW_BYTES,))}


def shares(conn: Connection) -> list[Share]:
    """What each gateway has in quarantine and what was only counted; reads the whole table."""
    held = {row["holder"]: row for row in conn.execute(_USED, (ROW_BYTES,))}
    over = overflow(conn)
    none = {"refusals": 0, "used": 0, "waiting": 0}
    return [
        Share(name or None, row["refusals"], row["used"], row["waiting"], over.get(name, {}))
        for name in [*held, *(name for name in over if name not in held)]
        for row in (held.get(name, none),)
    ]


def overflow(conn: Connection) -> dict[str, dict[str, int]]:
    """How many messages of each gateway were only counted, by reason."""
    found: dict[str, dict[str, int]] = {}
    for row in conn.execute(
        "SELECT gateway, reason, messages FROM quarantine_overflow ORDER BY gateway, reason"
    ):
        found.setdefault(row["gateway"], {})[row["reason"]] = row["messages"]
    return found


def only_counted(conn: Connection, gateway: str | None = None) -> dict[str, int]:
    """How many messages, of all gateways or one, were only counted, by reason."""
    counted: Counter[str] = Counter()
    for name, by_reason in overflow(conn).items():
        if gateway in (None, name):
            counted.update(by_reason)
    return dict(sorted(counted.items()))


def put(conn: Connection, refusals: Sequence[Refusal], room: Room) -> Put:
    """Keep refusals as long as there is room, in all and for their gateway; count the others."""
    kept: list[Refusal] = []
    full: set[str] = set()
    over: Counter[tuple[str, str]] = Counter()
    over_bytes: Counter[tuple[str, str]] = Counter()
    used, taken = sum(room.used.values()), Counter[str]()
    registered = _registered(conn, {refusal.gateway for refusal in refusals if refusal.gateway is not None})
    for refusal in refusals:
        holder = refusal.gateway if refusal.gateway in registered and refusal.gateway else NOBODY
        held = room.used.get(holder, 0) + taken[holder]
        fits = used + refusal.size <= room.total_bytes and held + refusal.size <= room.share_bytes
        if refusal.keep and fits:
            used += refusal.size
            taken[holder] += refusal.size
            kept.append(refusal)
        else:
            if not fits:
                full.add(holder)
            over[holder, refusal.reason] += 1
            over_bytes[holder, refusal.reason] += refusal.size
    _keep(conn, kept)
    with conn.cursor() as cursor:
        cursor.executemany(
            "INSERT INTO quarantine_overflow AS o (gateway, reason, messages, bytes) VALUES (%s, %s, %s, %s) "
            "ON CONFLICT (gateway, reason) DO UPDATE SET messages = o.messages + excluded.messages, "
            "bytes = o.bytes + excluded.bytes",
            [(*key, over[key], over_bytes[key]) for key in sorted(over)],
        )
    return Put(taken, over.total(), frozenset(full))


_KEEP = """
INSERT INTO quarantine AS q (arrived_at, topic, gateway, reason, message, record, raw, digest, times)
SELECT * FROM unnest(%b::timestamptz[], %b::text[], %b::text[], %b::text[], %b::text[], %b::int[],
                     %b::bytea[], %b::bytea[], %b::int[])
ON CONFLICT (digest) DO UPDATE SET times = q.times + excluded.times
"""


def _keep(conn: Connection, kept: Sequence[Refusal]) -> None:
    """Keep them, in one statement: one for each took twice as long (measured)."""
    if not kept:
        return
    first: dict[bytes, Refusal] = {}
    times: Counter[bytes] = Counter()
    for refusal in kept:
        digest = refusal.digest
        first.setdefault(digest, refusal)
        times[digest] += 1
    # In order, so that two writers never wait for each other in a ring.
    rows = [
        (to_datetime(r.arrived_us), r.topic, r.gateway, r.reason, r.message, r.record, r.raw, digest, n)
        for digest, r in sorted(first.items())
        for n in (times[digest],)
    ]  # fmt: skip
    conn.execute(_KEEP, [list(column) for column in zip(*rows, strict=True)])


def _registered(conn: Connection, names: set[str]) -> set[str]:
    found = conn.execute("SELECT name FROM gateway WHERE name = ANY(%s)", (sorted(names),))
    return {row["name"] for row in found}


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


def found_out(conn: Connection, kept_id: int, refusals: Sequence[Refusal]) -> bool:
    """Say why else it is refused what had been refused whole, as if it had been read when it came.

    So if it comes again it is a repetition, and what is taken of it later has the times of its first arrival.

    Returns
    -------
    bool
        Whether it still waits itself; else it has come again since and waits as that.
    """
    first, *others = refusals
    moved = conn.execute(
        "UPDATE quarantine SET reason = %(reason)s, message = %(message)s, record = %(record)s, "
        "digest = %(digest)s WHERE id = %(id)s "
        "AND NOT EXISTS (SELECT FROM quarantine WHERE digest = %(digest)s AND id <> %(id)s)",
        {
            "id": kept_id,
            "reason": first.reason,
            "message": first.message,
            "record": first.record,
            "digest": first.digest,
        },
    )
    _keep(conn, others)
    return moved.rowcount == 1


def mark_replayed(conn: Connection, kept_id: int, now: datetime) -> None:
    """Say that nothing of it is refused for its reason any more."""
    conn.execute("UPDATE quarantine SET replayed_at = %s WHERE id = %s", (now, kept_id))

"""Slots: sessions at the broker, leased so that each is served by one ingest process at a time.

A lease ends by the database's time. Whoever writes what a slot's session brought locks the slot's row first
(`fence`), and only then looks whether it is still the holder; whoever takes a slot over passes by rows that
are locked. So nothing that an earlier holder had in hand is committed after somebody else has the slot.
"""

from __future__ import annotations

from enum import StrEnum

from model.errors import HoldfastError
from store.database import Connection, one

LEASE_S = 10.0


class Kind(StrEnum):
    """What a slot's session brings."""

    ALONE = "alone"
    """Everything, to one process."""
    SHARE = "share"
    """A share of the packs."""
    WORD = "word"
    """What gateways say of themselves and of orders, in order: to one process."""


class Lost(HoldfastError):
    """The lease is over, and the slot may be somebody else's."""


# Writers lock the row FOR KEY SHARE, which lets renewals pass and stops whoever locks it FOR UPDATE.
_EXPIRED = """
SELECT session FROM ingest_slot
WHERE kind = ANY(%s) AND starts_with(session, %s) AND state <> 'gone' AND leased_until < clock_timestamp()
ORDER BY state = 'leaving', session LIMIT 1 FOR UPDATE SKIP LOCKED
"""
_GIVE = """
UPDATE ingest_slot SET holder = %s, state = %s,
    leased_until = clock_timestamp() + make_interval(secs => %s) WHERE session = %s
"""


def take_share(conn: Connection, prefix: str, holder: str) -> str:
    """A slot of a share: one that its holder left behind, else a new one with the least free number."""
    with conn.transaction():
        if (session := _expired(conn, [Kind.SHARE], prefix)) is not None:
            conn.execute(_GIVE, (holder, "joining", LEASE_S, session))
            return session
    number = 1
    while not _new(conn, f"{prefix}-{number}", Kind.SHARE, holder):
        number += 1
    return f"{prefix}-{number}"


def take(conn: Connection, session: str, kind: Kind, holder: str) -> bool:
    """This slot, if nobody has it."""
    with conn.transaction():
        free = conn.execute(
            "SELECT FROM ingest_slot WHERE session = %s AND state <> 'gone' "
            "AND (leased_until < clock_timestamp() OR holder = %s) FOR UPDATE SKIP LOCKED",
            (session, holder),
        ).fetchone()
        if free is not None:
            conn.execute(_GIVE, (holder, "joining", LEASE_S, session))
            return True
    return _new(conn, session, kind, holder)


def hold_alone(conn: Connection, session: str, holder: str) -> None:
    """Note that this slot is served, whoever had it: the broker itself lets only the newest connection in."""
    conn.execute(
        "INSERT INTO ingest_slot (session, kind, state, holder, leased_until) "
        "VALUES (%s, %s, 'serving', %s, clock_timestamp() + make_interval(secs => %s)) "
        "ON CONFLICT (session) DO UPDATE SET state = 'serving', holder = excluded.holder, "
        "leased_until = excluded.leased_until",
        (session, Kind.ALONE, holder, LEASE_S),
    )


def take_abandoned(conn: Connection, prefix: str, kinds: list[Kind], holder: str) -> tuple[str, Kind] | None:
    """A slot that its holder left behind, to empty and end it."""
    with conn.transaction():
        session = _expired(conn, kinds, prefix)
        if session is None:
            return None
        conn.execute(_GIVE, (holder, "leaving", LEASE_S, session))
        row = conn.execute("SELECT kind FROM ingest_slot WHERE session = %s", (session,)).fetchone()
        assert row is not None
        return session, Kind(row["kind"])


def renew(conn: Connection, session: str, holder: str, *, serving: bool = False) -> bool:
    """Hold it longer; False if somebody else has it. ``serving``: the broker has granted what it asks for."""
    renewed = conn.execute(
        "UPDATE ingest_slot SET leased_until = clock_timestamp() + make_interval(secs => %s), "
        "state = CASE WHEN state = 'joining' AND %s THEN 'serving' ELSE state END "
        "WHERE session = %s AND holder = %s AND state <> 'gone'",
        (LEASE_S, serving, session, holder),
    )
    return renewed.rowcount == 1


def sharing(conn: Connection, prefix: str) -> int:
    """How many processes share the load now."""
    row = conn.execute(
        "SELECT count(*) AS n FROM ingest_slot WHERE kind = 'share' AND state = 'serving' "
        "AND starts_with(session, %s) AND leased_until > clock_timestamp()",
        (prefix,),
    )
    return int(one(row.fetchone())["n"])


def fence(conn: Connection, session: str, holder: str) -> None:
    """In the transaction that writes: nobody takes the slot over before it ends.

    Raises
    ------
    Lost
        If somebody may have done so already.
    """
    row = conn.execute(
        "SELECT FROM ingest_slot WHERE session = %s AND holder = %s AND leased_until > clock_timestamp() "
        "FOR KEY SHARE",
        (session, holder),
    ).fetchone()
    if row is None:
        raise Lost(f"The slot {session} is leased no longer.")


def may_leave(conn: Connection, session: str, holder: str) -> bool:
    """Mark it as one that ends, if another share goes on: else nobody would gather messages meanwhile."""
    with conn.transaction():
        # One after the other: of two that leave at once, the second finds that it is the last.
        conn.execute("LOCK TABLE ingest_slot IN SHARE ROW EXCLUSIVE MODE")
        left = conn.execute(
            "UPDATE ingest_slot SET state = 'leaving' WHERE session = %s AND holder = %s AND EXISTS ("
            "SELECT FROM ingest_slot WHERE kind = 'share' AND state = 'serving' AND session <> %s "
            "AND leased_until > clock_timestamp())",
            (session, holder, session),
        )
    return left.rowcount == 1


def release(conn: Connection, session: str, holder: str) -> None:
    """Let others take it at once."""
    conn.execute(
        "UPDATE ingest_slot SET leased_until = clock_timestamp() WHERE session = %s AND holder = %s",
        (session, holder),
    )


def retire(conn: Connection, session: str, holder: str) -> None:
    """The broker has forgotten its session, in which nothing was left."""
    conn.execute(
        "UPDATE ingest_slot SET state = 'gone', leased_until = clock_timestamp() "
        "WHERE session = %s AND holder = %s",
        (session, holder),
    )


def look_again(conn: Connection) -> None:
    """Have all that are gone emptied once more: a broker that was killed may have brought sessions back."""
    conn.execute(
        "UPDATE ingest_slot SET state = 'leaving', leased_until = clock_timestamp() WHERE state = 'gone'"
    )


def _expired(conn: Connection, kinds: list[Kind], prefix: str) -> str | None:
    row = conn.execute(_EXPIRED, ([str(kind) for kind in kinds], prefix)).fetchone()
    return None if row is None else str(row["session"])


def _new(conn: Connection, session: str, kind: Kind, holder: str) -> bool:
    made = conn.execute(
        "INSERT INTO ingest_slot AS s (session, kind, state, holder, leased_until) "
        "VALUES (%(session)s, %(kind)s, 'joining', %(holder)s, "
        "clock_timestamp() + make_interval(secs => %(lease)s)) "
        "ON CONFLICT (session) DO UPDATE SET state = 'joining', holder = excluded.holder, "
        "leased_until = excluded.leased_until WHERE s.state = 'gone'",
        {"session": session, "kind": kind, "holder": holder, "lease": LEASE_S},
    )
    return made.rowcount == 1

"""Timers: what must be looked at again at a moment of the injected clock.

One row for each (kind, subject), written in the transaction that changed the state. A timer that goes off
early does no harm: whoever handles it looks and sets it anew."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from model.clock import to_datetime, to_us
from store.database import Connection

JOB_WAKE = "job-wake"
JOB_SILENCE = "job-silence"
READINGS_UPKEEP = "upkeep"
"""Kinds: a job's judgement changes by time alone; a gauge of it may have fallen silent; the readings are to
be tended."""


@dataclass(frozen=True, slots=True)
class Timer:
    """Look at ``subject`` at ``due_us`` [µs]."""

    kind: str
    subject: str
    due_us: int


def put(conn: Connection, timers: Iterable[Timer]) -> None:
    """Set timers, each in place of an earlier one of its kind and subject, and tell the listeners."""
    chosen = {(timer.kind, timer.subject): timer for timer in timers}
    if not chosen:
        return
    ordered = [chosen[key] for key in sorted(chosen)]
    conn.execute(
        "INSERT INTO timer (kind, subject, due) "
        "SELECT * FROM unnest(%s::text[], %s::text[], %s::timestamptz[]) "
        "ON CONFLICT (kind, subject) DO UPDATE SET due = excluded.due WHERE timer.due <> excluded.due",
        (
            [timer.kind for timer in ordered],
            [timer.subject for timer in ordered],
            [to_datetime(timer.due_us) for timer in ordered],
        ),
        prepare=True,
    )
    conn.execute("SELECT pg_notify('timer', '')")


def due(conn: Connection, kinds: Sequence[str], now_us: int, limit: int) -> list[Timer]:
    """Timers that have gone off, oldest first. Nothing is locked: lock what they are about, then `take`
    them."""
    rows = conn.execute(
        "SELECT kind, subject, due FROM timer WHERE due <= %s AND kind = ANY(%s) ORDER BY due LIMIT %s",
        (to_datetime(now_us), list(kinds), limit),
        prepare=True,
    )
    return [Timer(row["kind"], row["subject"], to_us(row["due"])) for row in rows]


def take(conn: Connection, kind: str, subjects: Sequence[str], now_us: int) -> list[Timer]:
    """Delete and return those timers that have gone off; one that was moved since is left."""
    if not subjects:
        return []
    rows = conn.execute(
        "DELETE FROM timer WHERE kind = %s AND subject = ANY(%s) AND due <= %s RETURNING kind, subject, due",
        (kind, list(subjects), to_datetime(now_us)),
        prepare=True,
    )
    return [Timer(row["kind"], row["subject"], to_us(row["due"])) for row in rows]


def claim(conn: Connection, kinds: Sequence[str], now_us: int, limit: int) -> list[Timer]:
    """Delete and return timers that have gone off, each for one claimant only, oldest first.

    For timers whose subject needs no lock of its own.
    """
    rows = conn.execute(
        "DELETE FROM timer WHERE id IN (SELECT id FROM timer WHERE due <= %s AND kind = ANY(%s) "
        "ORDER BY due LIMIT %s FOR UPDATE SKIP LOCKED) RETURNING kind, subject, due",
        (to_datetime(now_us), list(kinds), limit),
        prepare=True,
    ).fetchall()
    return sorted(
        (Timer(row["kind"], row["subject"], to_us(row["due"])) for row in rows),
        key=lambda timer: timer.due_us,
    )


def drop(conn: Connection, kind: str, subjects: Sequence[str]) -> None:
    """Take timers back."""
    if subjects:
        conn.execute(
            "DELETE FROM timer WHERE kind = %s AND subject = ANY(%s)", (kind, list(subjects)), prepare=True
        )


def next_due_us(conn: Connection, kinds: Sequence[str]) -> int | None:
    """When the next one goes off [µs], None if there is none."""
    row = conn.execute(
        "SELECT due FROM timer WHERE kind = ANY(%s) ORDER BY due LIMIT 1", (list(kinds),), prepare=True
    ).fetchone()
    return None if row is None else to_us(row["due"])

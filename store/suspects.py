"""Gauges that people mark as suspect: who, when, why, and who trusted them again."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from psycopg import errors

from model.clock import to_us
from model.equipment import Role
from model.errors import BadInput, Conflict
from model.suspect import SuspectSpan
from model.texts import LONGEST_WORDS, check_text
from store import audit, rejudging
from store.audit import By
from store.changing import row_of
from store.database import Connection


def mark(conn: Connection, number: int, by: By, reason: str) -> list[int]:
    """Mark a gauge as suspect from now on; audited.

    Returns
    -------
    list of int
        The jobs that it serves, which are judged again: a hold that it goes on for cannot pass by it.

    Raises
    ------
    NotFound
        If there is no such instrument.
    BadInput
        If it is no gauge, or no reason is given.
    Conflict
        If it is marked already.
    """
    row = row_of(conn, "instrument", number)
    if row["role"] != Role.GAUGE:
        raise BadInput("Only a gauge can be marked as suspect.", field="instrument")
    reason = " ".join(check_text(reason, "reason", longest=LONGEST_WORDS).split())
    if not reason:
        raise BadInput("Say why it is suspect: who looks at its holds will want to know.", field="reason")
    try:
        with conn.transaction():
            conn.execute(
                "INSERT INTO suspect_mark (instrument_id, since, marked_by, reason) VALUES (%s, %s, %s, %s)",
                (number, by.at, by.person_id, reason),
            )
    except errors.UniqueViolation as error:
        raise Conflict("This gauge is marked as suspect already.") from error
    audit.write(conn, by, "mark-suspect", f"instrument:{number}", {"suspect": None}, {"suspect": reason})
    return rejudging.ask(conn, rejudging.served_now(conn, number), f"{row['name']} marked as suspect", by)


def trust(conn: Connection, number: int, by: By) -> list[int]:
    """Trust a gauge again from now on; audited. What was marked stays so for the time that it was.

    Returns
    -------
    list of int
        The jobs that are judged again.

    Raises
    ------
    NotFound
        If there is no such instrument.
    Conflict
        If it is not marked.
    """
    row = row_of(conn, "instrument", number)
    ended = conn.execute(
        "UPDATE suspect_mark SET until = greatest(%s, since), trusted_by = %s "
        "WHERE instrument_id = %s AND until IS NULL RETURNING reason",
        (by.at, by.person_id, number),
    ).fetchone()
    if ended is None:
        raise Conflict("This gauge is not marked as suspect.")
    audit.write(
        conn, by, "trust-gauge", f"instrument:{number}", {"suspect": ended["reason"]}, {"suspect": None}
    )
    return rejudging.ask(conn, rejudging.served_now(conn, number), f"{row['name']} trusted again", by)


def spans(conn: Connection, instrument_ids: Iterable[int]) -> list[SuspectSpan]:
    """All marks of gauges, the earliest first."""
    rows = conn.execute(
        "SELECT * FROM suspect_mark WHERE instrument_id = ANY(%s) ORDER BY since, id",
        (sorted(set(instrument_ids)),),
        prepare=True,
    )
    return [_span(row) for row in rows]


def history(conn: Connection, number: int) -> list[dict[str, Any]]:
    """Marks of one gauge, newest first, with the names of who set and took them."""
    return conn.execute(
        "SELECT m.since, m.until, m.reason, p.name AS marked_by, q.name AS trusted_by FROM suspect_mark m "
        "LEFT JOIN person p ON p.id = m.marked_by LEFT JOIN person q ON q.id = m.trusted_by "
        "WHERE m.instrument_id = %s ORDER BY m.since DESC, m.id DESC",
        (number,),
    ).fetchall()


def _span(row: dict[str, Any]) -> SuspectSpan:
    until_us = None if row["until"] is None else to_us(row["until"])
    return SuspectSpan(row["instrument_id"], to_us(row["since"]), until_us, row["reason"])

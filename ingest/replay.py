"""Replaying what is in quarantine, after what was wrong has been mended."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import psycopg

from ingest.inbox import Message
from ingest.interpret import UNTAKEN, Item, interpret
from ingest.outcomes import find_orders
from ingest.registry import load
from ingest.write import Written, find_places, write
from model.clock import Clock, to_datetime
from store import quarantine, readings
from store.database import Connection
from store.quarantine import Kept

AT_ONCE = 100


@dataclass(slots=True)
class Replayed:
    """What a replay came to.

    Parameters
    ----------
    readings : int
        Readings stored that were not there before.
    mended : int
        Refusals of which nothing is refused for that reason any more.
    still_refused : int
        Refusals that stay.
    """

    readings: int = 0
    mended: int = 0
    still_refused: int = 0


def replay(conn: Connection, clock: Clock, ids: Sequence[int] | None = None) -> Replayed:
    """Read again what is in quarantine, with the equipment as it is registered now.

    It goes the way that a message from the broker goes, so it may be repeated as often as one likes.

    Parameters
    ----------
    conn : Connection
        With ``autocommit``, without an open transaction.
    clock : Clock
    ids : sequence of int, optional
        Which refusals; by default all that wait.
    """
    readings.prepare(conn)
    equipment = load(conn)
    places: dict[str, int] = {}
    result = Replayed()
    after_id = 0
    while batch := quarantine.waiting(conn, ids, after_id, AT_ONCE):
        for kept in batch:
            after_id = kept.id
            item = interpret(Message(kept.topic, kept.raw, kept.arrived_us, again=True), equipment)
            try:
                with conn.transaction():
                    find_places(conn, [item], places)
                    find_orders(conn, [item])
                    room, untaken = quarantine.Room(0), kept.reason in UNTAKEN
                    written = write(conn, [item], places, room=room, replay=True, untaken=untaken)
                    new, mended = written.new, _mended(conn, kept, item, written)
                    if mended:
                        quarantine.mark_replayed(conn, kept.id, to_datetime(clock.now_us()))
            except (psycopg.DataError, psycopg.IntegrityError):
                new, mended = 0, False
            result.readings += new
            result.mended += mended
            result.still_refused += not mended
    return result


def _mended(conn: Connection, kept: Kept, item: Item, written: Written) -> bool:
    """Whether a refusal has no reason to wait any more."""
    refusals = item.refusals()
    if written.repeated:
        return True  # it came again and was taken then, and what was refused of it then waits by itself
    if any(refusal.reason == kept.reason for refusal in refusals):
        return False
    if kept.reason in UNTAKEN and refusals:
        return not quarantine.found_out(conn, kept.id, refusals)
    return True

"""What is read from the quarantine again is stored once, however often it came and is read.

Where times count from the arrival, only the pack's number tells a repetition: stored by two arrivals, every
reading would be there twice, at shifted times.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from ingest.interpret import Item
from ingest.limits import Limits
from ingest.registry import load
from ingest.replay import Replayed, replay
from ingest.write import write
from model.clock import SystemClock
from model.equipment import Role
from store import equipment
from store.database import Connection
from store.quarantine import Room
from tests.ingest.helpers import NOW_US, READINGS, message, payload, pressure, register, rows, session, store
from tests.ingest.test_limits import Clock, large, taken

LATER_US = NOW_US + 30_500_000
FURLONG = {"n": "pressure", "u": "furlong", "v": 1, "t": -5.0}
TOO_HIGH = {"n": "pressure", "u": "Pa", "v": 9e9, "t": -4.0}
GOOD = [pressure(60 + n, -200.0 + n) for n in range(100)]


@pytest.fixture
def conn(database: str) -> Iterator[Connection]:
    register(database)
    with session(database) as connection:
        yield connection


def lay_aside(conn: Connection, raw: bytes) -> None:
    """As it comes from a gateway that is over its limit."""
    limits = Limits(Clock())
    while taken(limits, large()).pack is not None:
        pass
    item = limits.laid_aside(message(raw), load(conn))
    assert item is not None
    keep(conn, item)


def keep(conn: Connection, item: Item) -> None:
    write(conn, [item], {}, room=Room(1 << 20))


def read_again(conn: Connection) -> Replayed:
    return replay(conn, SystemClock())


def waiting(conn: Connection) -> list[str]:
    return [
        reason
        for (reason,) in rows(conn, "SELECT reason FROM quarantine WHERE replayed_at IS NULL ORDER BY reason")
    ]


def test_partly_refused_laid_aside_and_come_again_it_is_read_twice_and_stored_once(conn: Connection) -> None:
    raw = payload(*GOOD, FURLONG, seq=7)
    lay_aside(conn, raw)
    store(conn, message(raw, arrived_us=LATER_US))
    before = rows(conn, READINGS)
    assert len(before) == len(GOOD)
    read_again(conn)
    assert rows(conn, READINGS) == before
    assert waiting(conn) == ["unit"]
    read_again(conn)
    assert rows(conn, READINGS) == before


def test_read_from_the_quarantine_first_it_may_come_again_and_be_read_once_more(conn: Connection) -> None:
    raw = payload(*GOOD, FURLONG, TOO_HIGH, seq=7)
    lay_aside(conn, raw)
    assert read_again(conn).readings == len(GOOD)
    before = rows(conn, READINGS)
    assert waiting(conn) == ["pressure-high", "unit"]
    store(conn, message(raw, arrived_us=LATER_US))
    read_again(conn)
    assert rows(conn, READINGS) == before
    assert waiting(conn) == ["pressure-high", "unit"]


def test_refused_wholly_twice_it_is_kept_once_and_stored_once_when_it_is_mended(conn: Connection) -> None:
    raw = payload(*({**FURLONG, "u": "psi", "t": -200.0 + n} for n in range(100)), seq=7)
    lay_aside(conn, raw)
    store(conn, message(raw, arrived_us=LATER_US))
    read_again(conn)
    assert waiting(conn) == ["unit"]
    conn.execute("UPDATE instrument SET unit = 'psi'")
    assert read_again(conn).readings == 100
    assert read_again(conn).readings == 0
    assert waiting(conn) == []


def test_of_an_instrument_registered_late_a_pack_that_came_again_since_is_not_stored_twice(
    conn: Connection,
) -> None:
    raw = payload(*GOOD, seq=7)
    topic = "hf/1/gw1/g9/data"
    store(conn, message(raw, topic))
    register_g9(conn)
    store(conn, message(raw, topic, arrived_us=LATER_US))
    before = rows(conn, READINGS)
    assert len(before) == len(GOOD)
    assert read_again(conn).mended == 1
    assert rows(conn, READINGS) == before


def test_of_an_instrument_registered_late_what_is_refused_otherwise_goes_on_waiting(conn: Connection) -> None:
    store(conn, message(payload(*GOOD, FURLONG, seq=7), "hf/1/gw1/g9/data"))
    register_g9(conn)
    done = read_again(conn)
    assert (done.readings, done.mended, done.still_refused) == (len(GOOD), 0, 1)
    assert waiting(conn) == ["unit"]


def register_g9(conn: Connection) -> None:
    gateway = equipment.gateway_named(conn, "gw1")
    equipment.add_instrument(conn, gateway.id, "g9", Role.GAUGE)

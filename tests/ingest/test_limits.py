"""What one gateway may cost the others: refusals only counted, large packs laid aside."""

from __future__ import annotations

import json
from collections.abc import Iterator

import pytest

from ingest.inbox import Message
from ingest.interpret import OVER_LIMIT, Item, interpret
from ingest.limits import (
    LARGE_BYTES,
    REFUSED_A_SECOND,
    REFUSED_AT_ONCE,
    SHOWN_S,
    VAIN_A_SECOND,
    VAIN_AT_ONCE,
    Limits,
)
from ingest.pack import pressure_units
from ingest.registry import Equipment, Known
from ingest.replay import replay
from ingest.write import write
from model.clock import SystemClock
from store import quarantine
from store.database import Connection
from store.quarantine import NOBODY, Room
from tests.ingest.helpers import (
    NOW_S,
    NOW_US,
    READINGS,
    items,
    message,
    payload,
    pressure,
    register,
    rows,
    session,
    store,
)

PA = pressure_units("Pa")
EQUIPMENT = Equipment({"gw1": 1, "gw2": 2}, {f"gw{n}/g1": Known(n, "g1", f"gw{n}", PA) for n in (1, 2)})
NONSENSE = b'[{"n":"pressure"'


@pytest.fixture
def conn(database: str) -> Iterator[Connection]:
    register(database)
    with session(database) as connection:
        yield connection


class Clock:
    """Stands still until it is moved."""

    def __init__(self) -> None:
        self.now_s = 100.0

    def __call__(self) -> float:
        return self.now_s


def large(readings: int = 0) -> bytes:
    """A pack of 45 KB with so many readings."""
    good = [pressure(60, NOW_S + n) for n in range(readings)]
    return json.dumps([*good, *({"n": "pressure", "u": "furlong", "v": n} for n in range(1000))]).encode()


def taken(limits: Limits, raw: bytes, topic: str = "hf/1/gw1/g1/data") -> Item:
    """As the writer does it."""
    sent = Message(topic, raw, NOW_US)
    item = limits.laid_aside(sent, EQUIPMENT)
    if item is None:
        item = interpret(sent, EQUIPMENT)
        limits.charge(item, EQUIPMENT)
    return item


def codes(item: Item) -> set[str]:
    return {refused.code for refused in item.all_refused()}


def test_refusals_beyond_the_limit_are_only_counted_and_after_a_while_kept_again() -> None:
    clock = Clock()
    limits = Limits(clock)
    assert all(taken(limits, NONSENSE).keep for _ in range(REFUSED_AT_ONCE))
    late = taken(limits, NONSENSE)
    assert [refusal.keep for refusal in late.refusals()] == [False]
    assert limits.over() == ["gw1"]
    assert taken(limits, NONSENSE, "hf/1/gw2/g1/data").keep
    clock.now_s += 1.0
    assert limits.over() == ["gw1"]
    assert [taken(limits, NONSENSE).keep for _ in range(REFUSED_A_SECOND + 1)].count(False) == 1


def test_what_may_be_mended_is_kept_however_much_comes() -> None:
    limits = Limits(Clock())
    for _ in range(REFUSED_AT_ONCE + 1):
        taken(limits, NONSENSE)
    unregistered = taken(limits, payload(pressure(60)), "hf/1/gw1/g9/data")
    assert [(refusal.reason, refusal.keep) for refusal in unregistered.refusals()] == [
        ("unknown-instrument", True)
    ]


def test_large_packs_without_readings_are_laid_aside_unread() -> None:
    clock = Clock()
    limits = Limits(clock)
    while codes(taken(limits, large())) == {"unit"}:
        assert clock.now_s == 100.0
    aside = taken(limits, large())
    assert codes(aside) == {OVER_LIMIT}
    assert aside.pack is None
    assert [refusal.keep for refusal in aside.refusals()] == [True]
    assert limits.over() == ["gw1"]
    # Small ones and others' are read as always.
    assert taken(limits, payload(pressure(60))).pack is not None
    assert codes(taken(limits, large(), "hf/1/gw2/g1/data")) == {"unit"}
    # What was taken beyond the limit is paid back first.
    clock.now_s += VAIN_AT_ONCE / VAIN_A_SECOND
    assert codes(taken(limits, large())) == {"unit"}
    clock.now_s += SHOWN_S
    assert limits.over() == []


def test_good_packs_are_never_limited() -> None:
    limits = Limits(Clock())
    night = json.dumps([pressure(60, NOW_S - n) for n in range(800)]).encode()
    assert len(night) > LARGE_BYTES
    for _ in range(2 * VAIN_AT_ONCE // len(night)):
        item = taken(limits, night)
        assert item.pack is not None
        assert len(item.pack.columns) == 800
    assert limits.over() == []


def test_names_of_no_registered_gateway_have_one_limit_in_common() -> None:
    limits = Limits(Clock())
    for n in range(REFUSED_AT_ONCE):
        assert taken(limits, NONSENSE, f"hf/1/stranger-{n}/g1/data").keep
    assert not taken(limits, NONSENSE, "hf/1/one-more/g1/data").keep
    assert limits.over() == [NOBODY]


def test_what_is_only_counted_takes_no_room_and_is_counted_by_reason(conn: Connection) -> None:
    noise = items(conn, [message(NONSENSE)])[0]
    noise.keep = False

    written = write(conn, [noise], {}, room=Room(1 << 20))
    assert written.put.only_counted == 1
    assert written.put.full == frozenset()
    (share,) = quarantine.shares(conn)
    assert (share.gateway, share.refusals, dict(share.only_counted)) == ("gw1", 0, {"not-senml": 1})


def test_what_was_laid_aside_is_read_later_and_its_readings_come(conn: Connection) -> None:
    limits = Limits(Clock())
    while codes(taken(limits, large())) == {"unit"}:
        pass
    good = payload(*(pressure(60 + n, NOW_S + n) for n in range(100)))
    for raw in (good, large(readings=0)):
        aside = limits.laid_aside(message(raw), EQUIPMENT)
        assert aside is not None

        assert write(conn, [aside], {}, room=Room(1 << 20)).receipts == []
    assert rows(conn, "SELECT reason, raw FROM quarantine ORDER BY id")[0] == (OVER_LIMIT, good)
    assert rows(conn, READINGS) == []
    done = replay(conn, SystemClock())
    assert (done.readings, done.mended, done.still_refused) == (100, 1, 1)
    # Nobody had looked at the other: now its own reason stands there.
    assert rows(conn, "SELECT reason, replayed_at IS NULL FROM quarantine ORDER BY id") == [
        (OVER_LIMIT, False),
        ("unit", True),
    ]


def test_what_came_again_after_it_was_laid_aside_is_not_stored_twice(conn: Connection) -> None:
    limits = Limits(Clock())
    while codes(taken(limits, large())) == {"unit"}:
        pass
    # Its times count from its arrival, so that only its number shows that it is the same.
    raw = payload(*(pressure(60 + n, -100.0 + n) for n in range(100)), seq=7)
    aside = limits.laid_aside(message(raw), EQUIPMENT)
    assert aside is not None
    write(conn, [aside], {}, room=Room(1 << 20))
    store(conn, message(raw, arrived_us=NOW_US + 30_500_000))
    before = rows(conn, READINGS)
    assert len(before) == 100
    assert replay(conn, SystemClock()).mended == 1
    assert rows(conn, READINGS) == before


def test_equal_refusals_of_one_batch_are_one_with_their_number(conn: Connection) -> None:
    store(conn, *(message(NONSENSE) for _ in range(3)), message(b"[", "hf/1/gw2/g1/data"))
    store(conn, message(NONSENSE))
    assert rows(conn, "SELECT gateway, times FROM quarantine ORDER BY gateway") == [("gw1", 4), ("gw2", 1)]


def test_processes_that_share_the_load_share_a_gateways_limits() -> None:
    clock = Clock()
    limits = Limits(clock)
    limits.among = 4
    kept = [taken(limits, NONSENSE).keep for _ in range(REFUSED_AT_ONCE)]
    assert kept.count(True) == REFUSED_AT_ONCE // 4
    clock.now_s += 1.0
    assert [taken(limits, NONSENSE).keep for _ in range(REFUSED_A_SECOND)].count(
        True
    ) == REFUSED_A_SECOND // 4
    # When the others have gone, all of it is this one's again.
    limits.among = 1
    clock.now_s += 60.0
    assert all(taken(limits, NONSENSE).keep for _ in range(REFUSED_AT_ONCE))

"""The write path on a real PostgreSQL."""

from __future__ import annotations

import random
import threading
from collections.abc import Iterator

import psycopg
import pytest

from ingest.inbox import Message
from ingest.interpret import interpret
from ingest.registry import load
from ingest.replay import replay
from ingest.write import write
from model.clock import HandClock, to_datetime
from model.equipment import Role
from store import equipment, quarantine, readings
from store.database import Connection
from store.packs import ranges
from store.quarantine import Room
from tests.ingest import helpers
from tests.ingest.helpers import (
    NOW_S,
    NOW_US,
    READINGS,
    message,
    payload,
    pressure,
    receipts,
    rows,
    session,
    store,
)


@pytest.fixture
def conn(database: str) -> Iterator[Connection]:
    helpers.register(database)
    with session(database) as open_session:
        yield open_session


def test_readings_are_stored_to_the_microsecond(conn: Connection) -> None:
    raw = payload(
        pressure(66.5, NOW_S - 1.000001), {"n": "temperature.core", "u": "Cel", "v": 20, "t": NOW_S}
    )
    written = store(conn, message(raw))
    assert written.new == 2
    assert rows(conn, READINGS) == [
        ("gw1/g1", 1, "", NOW_S - 1.000001, 66.5),
        ("gw1/g1", 2, "core", NOW_S, 293.15),
    ]
    [(time, arrived)] = rows(conn, "SELECT time, arrived FROM reading WHERE quantity = 1")
    assert (time, arrived) == (to_datetime(NOW_US - 1_000_001), to_datetime(NOW_US))


def test_the_same_again_changes_nothing_and_makes_no_work(conn: Connection) -> None:
    batch = [message(payload(pressure(n, NOW_S - n), seq=n)) for n in range(5)]
    assert store(conn, *batch).new == 5
    before = rows(conn, READINGS)
    assert len(rows(conn, "SELECT 1 FROM work")) == 1
    assert store(conn, *batch, *batch).new == 0
    assert rows(conn, READINGS) == before
    assert len(rows(conn, "SELECT 1 FROM work")) == 1


def test_two_values_for_one_key_are_both_kept_and_the_smaller_is_latest(conn: Connection) -> None:
    store(conn, message(payload(pressure(70))), message(payload(pressure(60))))
    store(conn, message(payload(pressure(65))))
    assert rows(conn, "SELECT value FROM latest") == [(60.0,)]
    store(conn, message(payload(pressure(55))))
    assert rows(conn, "SELECT value FROM latest") == [(55.0,)]
    assert [row[4] for row in rows(conn, READINGS)] == [55.0, 60.0, 65.0, 70.0]


def test_latest_goes_by_event_time_in_whatever_order_readings_come(
    conn: Connection, rng: random.Random
) -> None:
    packs = [message(payload(pressure(float(n), NOW_S - n))) for n in range(30)]
    rng.shuffle(packs)
    for start in range(0, 30, 7):
        store(conn, *packs[start : start + 7])
    assert rows(conn, "SELECT value, time FROM latest") == [(0.0, to_datetime(NOW_US))]


def test_one_work_row_an_instrument_with_the_span_that_is_new(conn: Connection) -> None:
    store(conn, message(payload(pressure(1, NOW_S - 50))))
    conn.execute("DELETE FROM work")
    store(
        conn,
        message(payload(pressure(1, NOW_S - 50), pressure(2, NOW_S - 40), pressure(3, NOW_S - 30))),
        message(payload(pressure(4, NOW_S - 20))),
        message(payload(pressure(5, NOW_S - 10)), "hf/1/gw2/g1/data"),
    )
    found = rows(conn, "SELECT since, until FROM work ORDER BY instrument_id")
    assert found == [
        (to_datetime(NOW_US - 40_000_000), to_datetime(NOW_US - 20_000_000)),
        (to_datetime(NOW_US - 10_000_000), to_datetime(NOW_US - 10_000_000)),
    ]


def test_work_is_told_once_a_transaction_and_only_if_there_is_some(conn: Connection, database: str) -> None:
    with session(database) as listener:
        listener.execute("LISTEN work")
        batch = [message(payload(pressure(1)), f"hf/1/{gateway}/g1/data") for gateway in ("gw1", "gw2")]
        store(conn, *batch)
        store(conn, *batch)
        assert len(list(listener.notifies(timeout=0.1))) == 1


def test_reading_of_a_gauge_that_nobody_assigned_is_kept(conn: Connection) -> None:
    assert rows(conn, "SELECT 1 FROM assignment") == []
    assert store(conn, message(payload(pressure(40_000)))).new == 1
    assert len(rows(conn, "SELECT 1 FROM work")) == 1


def test_readings_older_than_any_partition_are_kept(conn: Connection) -> None:
    assert store(conn, message(payload(pressure(5, 1_577_836_800)))).new == 1
    assert rows(conn, "SELECT time FROM reading") == [(to_datetime(1_577_836_800_000_000),)]


def test_registered_unit_counts(conn: Connection) -> None:
    record = {"n": "pressure", "u": "micron", "v": 500, "t": NOW_S}
    written = store(conn, message(payload(record), "hf/1/gw1/g2/data"), message(payload(record)))
    # 500 × 0.133322387415 Pa, conventional mmHg
    assert [row[4] for row in rows(conn, READINGS)] == [pytest.approx(66.6611937075, rel=1e-12)]
    assert written.quarantined == 1


# Receipts -----------------------------------------------------------------------------------------


def numbered(seq: int, boot: str = "b1", topic: str = "hf/1/gw1/g1/data") -> Message:
    return message(payload(pressure(seq, NOW_S - seq), seq=seq, boot=boot), topic)


def test_receipt_comes_from_what_the_database_holds(conn: Connection) -> None:
    [first] = receipts(store(conn, *(numbered(n) for n in (1, 2, 3))))
    assert first == {"instrument": "g1", "boot": "b1", "upto": 3, "have": [], "refused": []}
    [gap] = receipts(store(conn, numbered(6), numbered(7)))
    assert (gap["upto"], gap["have"]) == (3, [[6, 7]])
    [filled] = receipts(store(conn, numbered(5), numbered(4)))
    assert (filled["upto"], filled["have"]) == (7, [])


def test_one_receipt_a_commit_and_instrument_and_boot(conn: Connection) -> None:
    written = store(
        conn,
        *(numbered(n) for n in range(50)),
        *(numbered(n, topic="hf/1/gw2/g2/data") for n in range(3)),
        numbered(0, "b2"),
    )
    told = [
        (each.topic, found["instrument"], found["boot"], found["upto"])
        for each, found in zip(written.receipts, receipts(written), strict=True)
    ]
    assert sorted(told) == [
        ("hf/1/gw1/receipt", "g1", "b1", 49),
        ("hf/1/gw1/receipt", "g1", "b2", 0),
        ("hf/1/gw2/receipt", "g2", "b1", 2),
    ]


def test_duplicate_gets_its_receipt_again(conn: Connection) -> None:
    first = receipts(store(conn, numbered(1)))
    assert receipts(store(conn, numbered(1))) == first


def test_packs_in_any_order_with_repetitions_end_in_one_receipt(conn: Connection, rng: random.Random) -> None:
    numbers = [n for n in range(40) for _ in range(2)]
    rng.shuffle(numbers)
    last: list[dict[str, object]] = []
    for start in range(0, len(numbers), 9):
        last = receipts(store(conn, *(numbered(n) for n in numbers[start : start + 9])))
    assert (last[0]["upto"], last[0]["have"]) == (39, [])
    assert rows(conn, "SELECT have::text FROM pack_ledger") == [("{[0,40)}",)]
    assert len(rows(conn, READINGS)) == 40


def test_pack_of_which_nothing_is_left_is_told_as_refused(conn: Connection) -> None:
    bad = message(payload({"n": "pressure", "u": "Pa", "v": 1e9, "t": NOW_S}, seq=2))
    half = message(payload({"n": "pressure", "u": "Pa", "v": 1e9, "t": NOW_S}, pressure(1), seq=3))
    [told] = receipts(store(conn, numbered(1), bad, half, numbered(4)))
    assert (told["upto"], told["have"], told["refused"]) == (1, [[3, 4]], [2])
    [better] = receipts(store(conn, numbered(2)))
    assert (better["upto"], better["refused"]) == (4, [])


def test_number_without_boot_gets_no_receipt(conn: Connection) -> None:
    assert receipts(store(conn, message(payload(pressure(1), {"n": "seq", "v": 1})))) == []
    assert len(rows(conn, READINGS)) == 1


def test_unregistered_instrument_of_a_known_gateway_is_told_as_refused(conn: Connection) -> None:
    [told] = receipts(store(conn, numbered(7, topic="hf/1/gw1/g9/data")))
    assert told == {"instrument": "g9", "boot": "b1", "upto": -1, "have": [], "refused": [7]}
    # … but not if the quarantine could not keep it.
    assert receipts(store(conn, numbered(8, topic="hf/1/gw1/g9/data"), message(b"x"), room_bytes=10)) == []


def test_numbered_pack_without_absolute_time_counts_once(conn: Connection) -> None:
    raw = payload({"n": "pressure", "u": "Pa", "v": 5}, seq=1)
    store(conn, message(raw), message(raw, arrived_us=NOW_US + 1))
    [told] = receipts(store(conn, message(raw, arrived_us=NOW_US + 30_000_000)))
    assert told["upto"] == 1
    assert len(rows(conn, READINGS)) == 1
    store(
        conn,
        message(
            payload({"n": "pressure", "u": "Pa", "v": 5}, seq=1, boot="b2"), arrived_us=NOW_US + 40_000_000
        ),
    )
    assert len(rows(conn, READINGS)) == 2


# Presence -----------------------------------------------------------------------------------------


def presence(text: str, again: bool = False) -> Message:
    return message(text.encode(), "hf/1/gw1/presence", again=again)


def test_presence_follows_the_gateway_and_ignores_the_will_of_an_older_session(conn: Connection) -> None:
    query = "SELECT online, session, boot FROM gateway_presence"
    store(conn, presence('{"online":true,"session":"s1","at":1780000000,"boot":"a"}'))
    store(
        conn,
        presence('{"online":true,"session":"s2","at":1780000010,"boot":"b"}'),
        presence('{"online":false,"session":"s1"}'),
    )
    assert rows(conn, query) == [(True, "s2", "b")]
    store(conn, presence('{"online":true,"session":"s1","at":1780000000,"boot":"a"}', again=True))
    assert rows(conn, query) == [(True, "s2", "b")]
    store(conn, presence('{"online":false,"session":"s2"}'))
    assert rows(conn, query) == [(False, "s2", "b")]


# Quarantine ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("topic", "raw", "reason", "gateway"),
    [
        ("hf/1/gw9/g1/data", payload(pressure(1)), "unknown-gateway", "gw9"),
        ("hf/1/gw9/presence", b'{"online":true,"session":"s"}', "unknown-gateway", "gw9"),
        ("hf/1/gw1/g9/late", payload(pressure(1)), "unknown-instrument", "gw1"),
        ("hf/1/gw1/g1/outcome", b'{"id":"1","result":"done"}', "unknown-order", "gw1"),
        ("hf/1/gw1/presence", b"{}", "presence", "gw1"),
        ("hf/1/GW1/g1/data", payload(pressure(1)), "name", None),
        ("hf/1/gw1/g1/else", payload(pressure(1)), "topic", None),
        ("hf/1/gw1/g1\0/data", payload(pressure(1)), "name", None),
        ("hf/1/gw1/g1/data", b"nonsense\0\xff", "not-senml", "gw1"),
        ("hf/1/gw1/g1/data", b"[" + b" " * 65_536 + b"]", "too-large", "gw1"),
    ],
)
def test_refused_message_is_kept_raw_with_its_reason(
    conn: Connection, topic: str, raw: bytes, reason: str, gateway: str | None
) -> None:
    assert store(conn, message(raw, topic)).quarantined == 1
    [row] = rows(conn, "SELECT topic, gateway, reason, message, record, raw, arrived_at FROM quarantine")
    assert row[0] == topic.replace("\0", "\ufffd")
    assert row[1:3] == (gateway, reason)
    assert str(row[3]).endswith(".")
    assert row[4:] == (None, raw, to_datetime(NOW_US))


def test_revoked_gateway_is_refused(conn: Connection) -> None:
    equipment.revoke_gateway(conn, "gw1", NOW_US)
    store(conn, message(payload(pressure(1))))
    assert rows(conn, "SELECT reason FROM quarantine") == [("revoked-gateway",)]
    assert rows(conn, READINGS) == []


def test_bad_records_are_kept_by_reason_and_the_good_ones_stored(conn: Connection) -> None:
    raw = payload(pressure(1), pressure(1e9), pressure(2e9), {"n": "pump", "v": 1}, pressure(2, NOW_S - 1))
    assert store(conn, message(raw)).new == 2
    found = rows(conn, "SELECT reason, record, raw, message FROM quarantine ORDER BY record")
    assert [row[:3] for row in found] == [("pressure-high", 1, raw), ("value", 3, raw)]
    assert "2 records" in str(found[0][3])


def test_repetition_of_a_refusal_is_counted_not_kept_again(conn: Connection) -> None:
    for n in range(3):
        store(
            conn,
            message(b"nonsense", arrived_us=NOW_US + n),
            message(payload(pressure(1), seq=1), "hf/1/gw1/g9/data"),
        )
    assert rows(conn, "SELECT reason, times FROM quarantine ORDER BY reason") == [
        ("not-senml", 3),
        ("unknown-instrument", 3),
    ]


def test_equal_packs_that_are_news_are_both_kept(conn: Connection) -> None:
    raw = payload({"n": "pressure", "u": "Pa", "v": 5})
    for n in range(2):
        store(conn, message(raw, "hf/1/gw1/g9/data", arrived_us=NOW_US + n))
    assert rows(conn, "SELECT times FROM quarantine") == [(1,), (1,)]


def test_quarantine_is_bounded_and_what_does_not_fit_is_counted(conn: Connection) -> None:
    written = store(conn, *(message(b"x" * 100 + bytes([65 + n])) for n in range(10)), room_bytes=4000)
    kept = rows(conn, "SELECT 1 FROM quarantine")
    assert len(kept) == 3
    assert (written.put.only_counted, written.quarantined) == (7, 10)
    assert rows(conn, "SELECT gateway, reason, messages, bytes FROM quarantine_overflow") == [
        ("gw1", "not-senml", 7, 7 * 301)
    ]


def nonsense(n: int, topic: str = "hf/1/gw1/g1/data") -> Message:
    """A refusal of 400 bytes in quarantine."""
    return message(b"%0200d" % n, topic)


def held(conn: Connection) -> dict[str | None, tuple[int, dict[str, int]]]:
    return {share.gateway: (share.refusals, dict(share.only_counted)) for share in quarantine.shares(conn)}


def test_a_gateway_that_sends_nothing_but_nonsense_leaves_the_others_their_room(conn: Connection) -> None:
    for n in range(40):  # 16,000 bytes, in many batches
        store(conn, nonsense(n), room=Room(8000, quarantine.used_bytes(conn)))
    assert held(conn) == {"gw1": (5, {"not-senml": 35})}
    store(
        conn,
        *(nonsense(n, "hf/1/gw2/g1/data") for n in range(4)),
        room=Room(8000, quarantine.used_bytes(conn)),
    )
    assert held(conn) == {"gw1": (5, {"not-senml": 35}), "gw2": (4, {})}


def test_names_of_no_registered_gateway_share_one_share(conn: Connection) -> None:
    strangers = [nonsense(n, f"hf/1/stranger-{n}/g1/data") for n in range(9)]
    store(conn, *strangers, nonsense(9, "nothing/of/ours"), room=Room(8000))
    assert held(conn) == {None: (5, {"topic": 1, "unknown-gateway": 4})}


def test_shares_together_take_no_more_than_the_room(conn: Connection) -> None:
    used = {f"other-{n}": 1_900 for n in range(4)}  # 400 of 8,000 bytes are left
    assert (
        store(conn, nonsense(1), nonsense(2, "hf/1/gw2/g1/data"), room=Room(8000, used)).put.only_counted == 1
    )


def test_only_the_gateway_without_room_is_not_told_as_refused(conn: Connection) -> None:
    told = receipts(
        store(
            conn,
            numbered(7, topic="hf/1/gw1/g9/data"),
            numbered(8, topic="hf/1/gw2/g9/data"),
            room=Room(8000, {"gw1": 1_990}),
        )
    )
    assert [(each["instrument"], each["refused"]) for each in told] == [("g9", [8])]


def test_unknown_names_are_counted_and_bounded(conn: Connection) -> None:
    store(conn, message(payload({"n": "humidity", "v": 1}, {"n": "humidity", "v": 1}, pressure(1))))
    store(conn, message(payload({"n": "humidity", "v": 1})))
    assert rows(conn, "SELECT name, n FROM unknown_name") == [("humidity", 3)]
    store(conn, message(payload(*({"n": f"name-{n:03}", "v": 1} for n in range(150)))))
    store(conn, message(payload({"n": "another", "v": 1}, {"n": "humidity", "v": 1})))
    counts = dict(rows(conn, "SELECT name, n FROM unknown_name"))
    assert len(counts) == readings.NAMES_AT_MOST + 1
    assert (counts["humidity"], counts["(other names)"]) == (4, 52)


def test_places_are_bounded(conn: Connection, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(readings, "PLACES_AT_MOST", 3)
    records = [{"n": f"temperature.p{n}", "u": "K", "v": 300, "t": NOW_S} for n in range(5)]
    assert store(conn, message(payload(*records, pressure(1)))).new == 3
    assert rows(conn, "SELECT reason FROM quarantine") == [("too-many-places",)]
    assert store(conn, message(payload(records[0], pressure(2)))).new == 1


# Replay -------------------------------------------------------------------------------------------


def test_gauge_registered_late_gets_its_readings(conn: Connection) -> None:
    store(
        conn,
        message(payload({"n": "pressure", "u": "micron", "v": 500, "t": -2}, seq=4), "hf/1/gw1/g9/data"),
        message(payload(pressure(7)), "hf/1/gw1/g9/late"),
        message(b"nonsense"),
    )
    clock = HandClock(NOW_US + 3600 * 10**6)
    nothing = replay(conn, clock)
    assert (nothing.readings, nothing.mended, nothing.still_refused) == (0, 0, 3)
    equipment.add_instrument(conn, equipment.gateway_named(conn, "gw1").id, "g9", Role.GAUGE, unit="micron")
    done = replay(conn, clock)
    assert (done.readings, done.mended, done.still_refused) == (2, 2, 1)
    assert [row[3:] for row in rows(conn, READINGS)] == [
        (NOW_S - 2, pytest.approx(66.6611937075)),
        (NOW_S, 7.0),
    ]
    assert rows(conn, "SELECT have::text, refused::text FROM pack_ledger") == [("{[4,5)}", "{}")]
    assert rows(conn, "SELECT reason FROM quarantine WHERE replayed_at IS NULL") == [("not-senml",)]
    again = replay(conn, clock)
    assert (again.readings, again.mended, again.still_refused) == (0, 0, 1)


def test_replay_of_chosen_refusals(conn: Connection) -> None:
    store(
        conn,
        message(payload(pressure(7)), "hf/1/gw1/g9/late"),
        message(payload(pressure(8)), "hf/1/gw1/g8/late"),
    )
    gateway_id = equipment.gateway_named(conn, "gw1").id
    for name in ("g8", "g9"):
        equipment.add_instrument(conn, gateway_id, name, Role.GAUGE)
    [(first,)] = rows(conn, "SELECT id FROM quarantine WHERE topic LIKE '%g8%'")
    assert replay(conn, HandClock(NOW_US), [first]).readings == 1
    assert [row[0] for row in rows(conn, READINGS)] == ["gw1/g8"]


def test_refused_record_of_a_numbered_pack_without_time_is_mended_by_replay(conn: Connection) -> None:
    mixed = payload({"n": "pressure", "u": "Torr", "v": 1}, {"n": "ambient", "u": "K", "v": 290}, seq=1)
    store(conn, message(mixed))
    conn.execute("UPDATE instrument SET unit = 'Torr'")
    assert replay(conn, HandClock(NOW_US)).readings == 1
    # 1 Torr = 101325/760 Pa
    assert [row[4] for row in rows(conn, READINGS)] == [pytest.approx(101_325 / 760), 290.0]


# Several writers at once --------------------------------------------------------------------------


def test_writers_of_the_same_keys_wait_for_each_other_and_lose_nothing(
    conn: Connection, database: str, rng: random.Random
) -> None:
    """Unsorted, such transactions dead-lock; here a dead lock would be an error."""
    # Not numbered: the ledgers' locks would put the transactions in a row.
    packs = [
        message(payload(pressure(n, NOW_S - n)), f"hf/1/{gateway}/{name}/data")
        for gateway in ("gw1", "gw2") for name in ("g1", "g2") for n in range(250)
    ]  # fmt: skip
    known = load(conn)
    orders = [rng.sample(packs, len(packs)) for _ in range(3)]
    together = threading.Barrier(len(orders))
    failures: list[BaseException] = []

    def work(order: list[Message]) -> None:
        try:
            with session(database) as own:
                batch = [interpret(each, known) for each in order]
                together.wait()
                write(own, batch, {}, room=Room(0))
        except BaseException as error:
            failures.append(error)

    threads = [threading.Thread(target=work, args=(order,)) for order in orders]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []
    assert len(rows(conn, READINGS)) == len(packs)


def test_rows_are_inserted_in_the_order_of_their_keys(conn: Connection, rng: random.Random) -> None:
    packs = [
        message(
            payload(pressure(n % 3, NOW_S - n // 2), {"n": "pump", "vb": True}), f"hf/1/{gateway}/g1/data"
        )
        for gateway in ("gw2", "gw1") for n in range(30)
    ]  # fmt: skip
    store(conn, *rng.sample(packs, len(packs)))
    found = rows(
        conn, "SELECT instrument_id, quantity, place_id, time, value FROM reading ORDER BY tableoid, ctid"
    )
    assert len(found) > 60
    assert found == sorted(found)


def test_failed_transaction_leaves_nothing(conn: Connection) -> None:
    batch = helpers.items(conn, [numbered(1), message(b"nonsense")])
    conn.execute("ALTER TABLE quarantine ADD CHECK (reason <> 'not-senml')")
    with pytest.raises(psycopg.errors.CheckViolation):
        write(conn, batch, {}, room=Room(1000))
    for table in ("reading", "pack_ledger", "latest", "work"):
        assert rows(conn, f"SELECT 1 FROM {table}") == []


def test_runs_of_numbers() -> None:
    assert ranges([]) == ()
    assert ranges([3, 1, 2, 2, 7, 9, 8]) == ((1, 3), (7, 9))

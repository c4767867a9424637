"""Store and forward, receipts, resending and presence, without a network."""

from __future__ import annotations

import json
from typing import Any

import pytest

from simulator.clock import US
from simulator.gateway import Gateway, Publication
from simulator.senml import Record
from simulator.valve import Outcome

T0 = 1_790_000_000 * US
BATCH_US = 4 * US


def gateway(**more: Any) -> Gateway:
    made = Gateway("gw-1", "b1", batch_us=BATCH_US, **more)
    made.connected("s1", T0)
    made.due(T0, 0.0)  # presence
    return made


def collect(to: Gateway, first_s: float, count: int, step_s: float = 1.0, instrument: str = "g1") -> None:
    for number in range(count):
        to.collect(instrument, Record("pressure", 60.0, T0 + round((first_s + number * step_s) * US), "Pa"))


def at(seconds: float) -> int:
    return T0 + round(seconds * US)


def seq(message: Publication) -> int:
    return int(json.loads(message.payload)[0]["v"])


def readings(message: Publication) -> int:
    return sum(record.get("n") == "pressure" for record in json.loads(message.payload))


def receipt(**fields: Any) -> bytes:
    return json.dumps(
        {"instrument": "g1", "boot": "b1", "upto": 0, "have": [], "refused": [], **fields}
    ).encode()


def test_presence_and_will_carry_the_same_session() -> None:
    made = Gateway("gw-1", "b1")
    will = made.will("s1")
    made.connected("s1", T0)
    (hello,) = made.due(T0, 0.0)
    assert (hello.topic, hello.retain) == (will.topic, will.retain) == ("hf/1/gw-1/presence", True)
    said, last = json.loads(hello.payload), json.loads(will.payload)
    assert (said["online"], last["online"]) == (True, False)
    assert said["session"] == last["session"] == "s1"
    assert said["boot"] == "b1"
    assert "at" not in last


def test_readings_are_batched_and_numbered() -> None:
    made = gateway()
    collect(made, 0.0, 4)
    assert made.due(at(3.0), 3.0) == []
    (first,) = made.due(at(4.0), 4.0)
    assert (first.topic, seq(first), readings(first)) == ("hf/1/gw-1/g1/data", 1, 4)
    collect(made, 5.0, 1)
    (second,) = made.due(at(9.0), 9.0)
    assert seq(second) == 2


def test_nothing_is_sent_while_offline_and_nothing_is_lost() -> None:
    made = gateway()
    made.disconnected()
    collect(made, 0.0, 5)
    assert made.due(at(10.0), 10.0) == []
    assert made.stored == 5


def test_readings_older_than_a_minute_go_late_in_larger_packs_apart_from_fresh_ones() -> None:
    made = gateway()
    made.disconnected()
    collect(made, 0.0, 1260)
    made.connected("s2", at(1260.0))
    messages = made.due(at(1260.0), 1260.0)[1:]
    kinds = [(message.topic.rsplit("/", 1)[1], readings(message)) for message in messages]
    assert kinds == [("late", 500), ("late", 500), ("late", 200), ("data", 60)]
    assert [seq(message) for message in messages] == [1, 2, 3, 4]
    assert all(len(message.payload) < 64 * 1024 for message in messages)


def test_receipt_forgets_what_is_stored() -> None:
    made = gateway()
    for second in range(5):
        collect(made, 10.0 * second, 1)
        made.due(at(10.0 * second + 5), 0.0)
    assert made.stored == 5
    made.receipt(receipt(upto=2, have=[[4, 4]]))
    assert made.stored == 2
    made.receipt(receipt(upto=2, have=[[4, 4]], refused=[3]))
    assert (made.stored, made.refused) == (1, 1)
    made.receipt(receipt(upto=5))
    assert made.stored == 0


@pytest.mark.parametrize(
    "payload",
    [b"", b"{", b"[]", receipt(boot="old", upto=9), receipt(instrument="other", upto=9), b'{"upto": "x"}'],
)
def test_receipts_that_are_not_for_us_forget_nothing(payload: bytes) -> None:
    made = gateway()
    collect(made, 0.0, 1)
    made.due(at(5.0), 0.0)
    made.receipt(payload)
    assert made.stored == 1


def test_unreceipted_pack_is_resent_after_30_s_with_the_same_number_and_records() -> None:
    made = gateway()
    collect(made, 0.0, 2)
    (first,) = made.due(at(5.0), 5.0)
    assert made.due(at(34.0), 34.9) == []
    (again,) = made.due(at(35.0), 35.0)
    assert (seq(again), readings(again)) == (seq(first), readings(first))
    # Then ever more rarely.
    assert made.due(at(66.0), 66.0) == []
    assert len(made.due(at(95.0), 95.0)) == 1
    made.receipt(receipt(upto=1))
    assert made.due(at(5000.0), 5000.0) == []


def test_resent_pack_goes_late_once_it_is_old() -> None:
    made = gateway()
    collect(made, 0.0, 2)
    made.due(at(5.0), 5.0)
    (again,) = made.due(at(100.0), 100.0)
    assert again.topic.endswith("/late")


def test_new_connection_resends_what_has_no_receipt_at_once() -> None:
    made = gateway()
    collect(made, 0.0, 2)
    made.due(at(5.0), 5.0)
    made.disconnected()
    made.connected("s2", at(8.0))
    hello, again = made.due(at(8.0), 8.0)
    assert json.loads(hello.payload)["session"] == "s2"
    assert seq(again) == 1


def test_no_more_is_sent_than_there_is_room_and_the_rest_follows() -> None:
    made = gateway()
    for second in range(10):
        collect(made, second, 1, instrument=f"g{second}")
    assert len(made.due(at(20.0), 20.0, room=4)) == 4
    assert len(made.due(at(20.0), 20.0, room=0)) == 0
    assert len(made.due(at(20.0), 20.0, room=100)) == 6


def test_full_store_loses_the_oldest_and_counts_it() -> None:
    made = gateway(spool=3)
    collect(made, 0.0, 5)
    assert (made.stored, made.lost) == (3, 2)


def test_outcome_goes_out_at_once() -> None:
    made = gateway()
    made.outcome("v1", Outcome("o1", "refused", "site is switched to local hands"), T0)
    (message,) = made.due(T0, 0.0)
    assert message.topic == "hf/1/gw-1/v1/outcome"
    assert json.loads(message.payload) == {
        "id": "o1",
        "result": "refused",
        "reason": "site is switched to local hands",
        "at": T0 / US,
    }


def test_every_reading_arrives_once_a_receipt_comes_whatever_is_lost_on_the_way() -> None:
    made = gateway()
    arrived: set[int] = set()
    have: set[int] = set()
    for step in range(400):
        if step % 50 == 20:
            made.disconnected()
        if step % 50 == 35:
            made.connected(f"s{step}", at(step))
        if step < 200:
            collect(made, float(step), 1)
        for number, message in enumerate(made.due(at(step), float(step))):
            if message.topic.endswith("presence") or (step + number) % 3 == 0:
                continue  # every third message is lost
            have.add(seq(message))
            base = json.loads(message.payload)[0]["bt"]
            for record in json.loads(message.payload):
                if record["n"] == "pressure":
                    arrived.add(round((base + record.get("t", 0)) * US))
        upto = next(number for number in range(10_000) if number + 1 not in have)
        if step % 7 == 0:
            made.receipt(receipt(upto=upto, have=[[number, number] for number in have if number > upto]))
    assert made.stored == 0
    assert arrived == {at(second) for second in range(200)}

"""A record's file: what was altered is seen. Against RFC 8785, RFC 8032 and the definition of the hash."""

from __future__ import annotations

import base64
import copy
import hashlib
import json
import struct
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.records import packing, signing
from api.records.signing import PAIR, Channel, Signer
from model.errors import BadInput

SEED = bytes.fromhex("9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60")
TIMES = [1_780_000_000_000_000, 1_780_000_001_000_000, 1_780_000_001_000_000, 1_780_000_002_500_000]
VALUES = [66.66, 67.0, 67.25, 1e-7]

Told = dict[str, Any]


def pairs(times: list[int], values: list[float]) -> np.ndarray:
    made = np.empty(len(times), PAIR)
    made["time_us"], made["value"] = times, values
    return made


def a_file() -> Told:
    channel = Channel("gw-1/g1 pressure", pairs(TIMES, VALUES))
    record = {
        "format": signing.FORMAT,
        "version": signing.VERSION,
        "number": "12-1",
        "hold_tests": [{"verdict": "failed", "limit_pa": 333.3}],
        "readings": [{"channel": channel.name, "count": 4, "sha256": signing.hash_of(channel.pairs)}],
    }
    signer = Signer(SEED)
    body = signing.canonical(record)
    told: Told = json.loads(signing.file_of(record, signer.public, signer.sign(body), [channel]))
    return told


def raw(told: Told) -> bytes:
    return json.dumps(told).encode()


# Against what we did not write --------------------------------------------------------------------------


def test_canonical_as_the_example_of_rfc_8785() -> None:
    # RFC 8785, section 3.2.2: the input, and 3.2.4: its bytes.
    given_text = (
        '{"numbers": [333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001],'
        '"string": "\\u20ac$\\u000F\\u000aA\'\\u0042\\u0022\\u005c\\\\\\"\\/",'
        '"literals": [null, true, false]}'
    )
    expected = bytes.fromhex(
        "7b226c69746572616c73223a5b6e756c6c2c747275652c66616c73655d2c226e756d62657273223a5b33333333333333"
        "33332e333333333333332c31652b33302c342e352c302e3030322c31652d32375d2c22737472696e67223a22e282ac24"
        "5c75303030665c6e4127425c225c5c5c5c5c222f227d"
    )
    assert signing.canonical(json.loads(given_text)) == expected


def test_signature_as_the_first_test_of_rfc_8032() -> None:
    # RFC 8032, section 7.1, TEST 1: the empty message.
    signer = Signer(SEED)
    assert signer.public.hex() == "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a"
    assert signer.sign(b"").hex() == (
        "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46b"
        "d25bf5f0595bbe24655141438e7a100b"
    )


def test_hash_of_readings_by_its_definition() -> None:
    told = b"".join(struct.pack(">qd", at, value) for at, value in zip(TIMES, VALUES, strict=True))
    assert signing.hash_of(pairs(TIMES, VALUES)) == hashlib.sha256(told).hexdigest()


# What is seen -------------------------------------------------------------------------------------------


def test_a_file_as_it_was_signed_is_unaltered() -> None:
    found = signing.check(raw(a_file()), {signing.key_id(Signer(SEED).public): Signer(SEED).public}.get)
    assert (found.unaltered, found.key_known, found.number) == (True, True, "12-1")


def another_key(told: Told) -> None:
    """As a forger would: everything anew, signed with a key of their own."""
    told["record"]["hold_tests"][0]["verdict"] = "passed"
    signer = Signer(bytes(32))
    body = signing.canonical(told["record"])
    told["signature"] |= {
        "key_id": signing.key_id(signer.public),
        "public_key": base64.b64encode(signer.public).decode(),
        "value": base64.b64encode(signer.sign(body)).decode(),
    }


def lies_about_its_key(told: Told) -> None:
    another_key(told)
    told["signature"]["key_id"] = signing.key_id(Signer(SEED).public)


@pytest.mark.parametrize("forge", [another_key, lies_about_its_key])
def test_what_another_key_signed_is_not_ours(forge: Callable[[Told], None]) -> None:
    told = a_file()
    forge(told)
    ours = Signer(SEED).public
    found = signing.check(raw(told), {signing.key_id(ours): ours}.get)
    assert found.unaltered
    assert found.key_known is False
    assert found.key_id == signing.key_id(Signer(bytes(32)).public)


def one_reading(told: Told) -> None:
    told["readings"][0]["values"][2] = 67.250000000000014


def one_time(told: Told) -> None:
    told["readings"][0]["times_us"][0] += 1


def order_of_readings(told: Told) -> None:
    told["readings"][0]["values"].reverse()


def a_reading_less(told: Told) -> None:
    told["readings"][0]["values"].pop()
    told["readings"][0]["times_us"].pop()


def lists_of_two_lengths(told: Told) -> None:
    told["readings"][0]["values"].pop()


def no_readings(told: Told) -> None:
    told["readings"] = []


def readings_of_another_channel(told: Told) -> None:
    told["readings"].append({"channel": "gw-1/g2 pressure", "times_us": [1], "values": [1.0]})


def words_for_readings(told: Told) -> None:
    told["readings"][0]["values"][0] = "66.66"


def truth_for_a_reading(told: Told) -> None:
    told["readings"][0]["values"][0] = True


def the_verdict(told: Told) -> None:
    told["record"]["hold_tests"][0]["verdict"] = "passed"


def something_more(told: Told) -> None:
    told["record"]["remark"] = "all good"


def hash_with_the_reading(told: Told) -> None:
    one_reading(told)
    channel = told["readings"][0]
    told["record"]["readings"][0]["sha256"] = signing.hash_of(pairs(channel["times_us"], channel["values"]))


def no_signature(told: Told) -> None:
    told["signature"]["value"] = ""


def another_algorithm(told: Told) -> None:
    told["signature"]["algorithm"] = "none"


@pytest.mark.parametrize(
    "alter",
    [
        one_reading,
        one_time,
        order_of_readings,
        a_reading_less,
        lists_of_two_lengths,
        no_readings,
        readings_of_another_channel,
        words_for_readings,
        truth_for_a_reading,
        the_verdict,
        something_more,
        hash_with_the_reading,
        no_signature,
        another_algorithm,
    ],
)
def test_what_was_altered_is_seen(alter: Callable[[Told], None]) -> None:
    told = copy.deepcopy(a_file())
    alter(told)
    found = signing.check(raw(told))
    assert not found.unaltered
    assert any(not one.good and one.text.endswith(".") for one in found.findings)


def test_spaces_and_order_are_no_alteration() -> None:
    told = a_file()
    turned = {name: told[name] for name in reversed(told)}
    turned["record"] = {name: told["record"][name] for name in reversed(told["record"])}
    assert signing.check(json.dumps(turned, indent=4).encode()).unaltered


@pytest.mark.parametrize(
    "text",
    [
        b"",
        b"%PDF-1.7",
        b"[]",
        b"{}",
        b'{"record": {}, "signature": []}',
        b'{"record": {"format": "holdfast-record", "version": 2}, "signature": {}, "readings": []}',
        b'{"record": {"format": "holdfast-record", "version": 1, "n": NaN}, "signature": {}, "readings": []}',
        b'{"record": {"format": "holdfast-record", "version": 1}, "signature": {}, "signature": {}}',
        b'{"record": {"format": "holdfast-record", "version": 1, "n": 1e999}, "signature": {}}',
        b'{"record": {"format": "holdfast-record", "version": 1, "n": 9999999999999999999}, "signature": {}}',
        b'{"record": {"format": "holdfast-record", "version": 1, "s": "\\ud800"}, "signature": {}}',
        b"[" * 100_000,
        b"\xff\xfe{",
    ],
)
def test_what_is_no_record_gets_one_sentence(text: bytes) -> None:
    with pytest.raises(BadInput, match=r"\.$"):
        signing.check(text)


@given(st.binary(max_size=200))
def test_whatever_comes_is_a_record_or_none(text: bytes) -> None:
    with pytest.raises(BadInput):
        signing.check(text)


NUMBERS = st.floats(allow_nan=False, allow_infinity=False)


@given(st.lists(st.lists(st.tuples(st.integers(0, 2**62), NUMBERS), min_size=1, max_size=30), max_size=4))
def test_packed_readings_come_back_as_they_were(channels: list[list[tuple[int, float]]]) -> None:
    made = [
        Channel(f"gw/g{number} pressure", pairs([at for at, _ in rows], [value for _, value in rows]))
        for number, rows in enumerate(channels)
    ]
    found = packing.unpack(packing.pack(made))
    assert [one.name for one in found] == [one.name for one in made]
    assert [one.pairs.tobytes() for one in found] == [one.pairs.tobytes() for one in made]


def test_a_key_is_32_bytes_in_base64() -> None:
    assert Signer.read(base64.b64encode(SEED).decode()).public == Signer(SEED).public
    for text in ("", "hello", base64.b64encode(bytes(31)).decode(), "é" * 44):
        with pytest.raises(BadInput, match="32 random bytes"):
            Signer.read(text)

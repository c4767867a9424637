"""Hostile inputs: a slice of the run of ``make fuzz``, and that the run sees what is wrong."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from bench import fuzz
from bench.fuzz_inputs import VALID, Input, Kind, made
from model.errors import Refused

INPUTS = 3_000


def test_decoders_raise_nothing_but_refusals_and_give_nothing_that_cannot_be_stored(seed: int) -> None:
    found = fuzz.fuzz(seed, INPUTS)
    assert not found.faults, f"python -m bench.fuzz --seed {seed} --replay {found.faults[0][0]}"
    assert sum(found.taken.values()) == INPUTS
    # Not all of it is so broken that only the parsers see it.
    for kind in (Kind.JSON, Kind.CBOR, Kind.PRESENCE, Kind.OUTCOME):
        assert found.taken[kind, "taken"] > INPUTS / 1_000
        assert found.taken[kind, "refused"] > INPUTS / 1_000


def test_an_input_is_made_again_of_its_seed_and_number(seed: int) -> None:
    assert [made(seed, number) for number in range(50)] == [made(seed, number) for number in range(50)]
    assert made(seed, 1) != made(seed + 1, 1)


@pytest.mark.parametrize("kind", [kind for kind in Kind if kind is not Kind.TOPIC])
def test_what_the_broken_copies_are_made_of_is_valid(kind: Kind) -> None:
    assert [fuzz.read(Input(kind, raw)) for raw in VALID[kind]] == len(VALID[kind]) * ["taken"]


def test_an_exception_that_is_no_refusal_is_reported_with_the_input() -> None:
    def reader(given: Input) -> str:
        if given.payload == b"bad 7":
            raise KeyError("missed")
        return "taken"

    found = fuzz.fuzz(1, 10, reader, make=lambda _, number: Input(Kind.JSON, b"bad %d" % number))
    [(number, given, error)] = found.faults
    assert (number, given.payload) == (7, b"bad 7")
    assert "KeyError: 'missed'" in error
    assert fuzz.shown(number, given)["hex"] == b"bad 7".hex()


def test_an_input_that_takes_longer_than_a_valid_one_of_its_length_stands_out() -> None:
    now_s = 0.0

    def clock() -> float:
        return now_s

    def reader(given: Input) -> str:
        nonlocal now_s
        now_s += len(given.payload) * (40e-6 if given.payload.startswith(b"slow") else 1e-6)
        return "refused"

    lengths: Iterator[int] = iter(range(1_000, 2_000))
    found = fuzz.fuzz(
        1,
        100,
        reader,
        clock,
        lambda _, number: Input(Kind.CBOR, (b"slow" if number == 60 else b"fast") + bytes(next(lengths))),
    )
    slowest = sorted(found.slowest[Kind.CBOR], reverse=True)
    assert slowest[0].number == 60
    assert slowest[0].ratio > fuzz.LIMIT_RATIO
    assert slowest[1].ratio < 1.1


def test_memory_that_a_reader_keeps_is_seen(seed: int) -> None:
    kept: list[bytes] = []

    def hoard(given: Input) -> str:
        kept.append(bytes(2_000))
        return "taken"

    def forgets(given: Input) -> str:
        raise Refused("x", "x")

    assert fuzz.memory(seed, 400, hoard)[0] > 300
    assert fuzz.memory(seed, 400, forgets)[0] < 60

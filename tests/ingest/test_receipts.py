"""Receipts from ledgers; the first example is the contract's own."""

from __future__ import annotations

import json

from ingest.receipts import MAX_RUNS, Receipt
from store.packs import Ledger, ranges


def body(have: set[int], refused: set[int], now: set[int] | None = None) -> dict[str, object]:
    made = Receipt("gw1", "g1", Ledger(1, "a1f3", ranges(have), ranges(refused)), now or set())
    assert made.topic == "hf/1/gw1/receipt"
    answer: dict[str, object] = json.loads(made.payload)
    return answer


def test_receipt_of_the_contract() -> None:
    assert body({*range(1, 1235), *range(1236, 1241)}, {1235}) == {
        "instrument": "g1", "boot": "a1f3", "upto": 1234, "have": [[1236, 1240]], "refused": [1235],
    }  # fmt: skip


def test_run_begins_at_zero_or_one() -> None:
    assert body({0, 1, 2}, set())["upto"] == 2
    assert body({1, 2}, set())["upto"] == 2
    assert (body({2, 3}, set())["upto"], body({2, 3}, set())["have"]) == (-1, [[2, 3]])
    assert body({0, 2}, set()) == {
        "instrument": "g1",
        "boot": "a1f3",
        "upto": 0,
        "have": [[2, 2]],
        "refused": [],
    }
    assert body(set(), {5})["upto"] == -1


def test_receipt_stays_small_and_still_says_what_just_came() -> None:
    numbers = set(range(10, 100_000, 2))
    answer = body(numbers, {n + 1 for n in numbers}, now={90_000, 90_001})
    have, refused = answer["have"], answer["refused"]
    assert isinstance(have, list)
    assert isinstance(refused, list)
    assert len(have) == MAX_RUNS
    assert [90_000, 90_000] in have
    assert len(refused) == MAX_RUNS
    assert 90_001 in refused
    long = body(set(), set(range(50_000)), now={40_000})["refused"]
    assert isinstance(long, list)
    assert 40_000 in long
    assert len(long) <= MAX_RUNS + 1

"""Receipts: what the database holds of an instrument's packs, told to its gateway."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass

import msgspec

from ingest.topics import receipt_topic
from store.packs import Ledger, Ranges

MAX_RUNS = 100
"""Most runs and most refused numbers in a receipt: it must fit a message whatever a gateway numbers."""


@dataclass(frozen=True, slots=True)
class Receipt:
    """A receipt, ready to be published."""

    topic: str
    payload: bytes


def receipt(gateway: str, instrument: str, ledger: Ledger, now: Collection[int]) -> Receipt:
    """The receipt that a ledger stands for.

    Parameters
    ----------
    now : collection of int
        Numbers that came just now: what is said of them is never left out.
    """
    upto, rest = contiguous(ledger.have)
    runs = _at_most(rest, now)
    refused = [
        number for first, last in _at_most(ledger.refused, now) for number in _numbers(first, last, now)
    ]
    body = {
        "instrument": instrument,
        "boot": ledger.boot,
        "upto": upto,
        "have": runs,
        "refused": refused,
    }
    return Receipt(receipt_topic(gateway), msgspec.json.encode(body))


def contiguous(have: Ranges) -> tuple[int, Ranges]:
    """End of the run that begins at 0 or 1 (-1: none), and the runs beyond it."""
    if have and have[0][0] in (0, 1):
        return have[0][1], have[1:]
    return -1, have


def _at_most(runs: Ranges, now: Iterable[int]) -> list[tuple[int, int]]:
    if len(runs) <= MAX_RUNS:
        return list(runs)
    numbers = sorted(now)
    touched = [run for run in runs if any(run[0] <= number <= run[1] for number in numbers)]
    others = [run for run in runs if run not in set(touched)]
    return sorted(touched + others[: max(0, MAX_RUNS - len(touched))])


def _numbers(first: int, last: int, now: Collection[int]) -> Iterable[int]:
    if last - first < MAX_RUNS:
        return range(first, last + 1)
    near = {*range(first, first + MAX_RUNS), *(number for number in now if first <= number <= last)}
    return sorted(near)

"""Receipts: what the database holds of an instrument's packs, told to its gateway."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass, replace

import msgspec

from ingest.topics import receipt_topic
from store.packs import Ledger, Ranges, ranges

MAX_RUNS = 100
"""Most runs and most refused numbers in a receipt: it must fit a message whatever a gateway numbers."""


@dataclass(frozen=True, slots=True)
class Receipt:
    """What a ledger stands for, told to the gateway of its instrument.

    Parameters
    ----------
    now : collection of int
        Numbers that came just now: what is said of them is never left out.
    """

    gateway: str
    instrument: str
    ledger: Ledger
    now: Collection[int]

    @property
    def key(self) -> tuple[str, str, str]:
        """What it is a receipt of: a newer one of the same says all that an older one said."""
        return self.gateway, self.instrument, self.ledger.boot

    @property
    def topic(self) -> str:
        """Where its gateway reads it."""
        return receipt_topic(self.gateway)

    @property
    def payload(self) -> bytes:
        """The message."""
        upto, rest = contiguous(self.ledger.have)
        refused = [
            number
            for first, last in _at_most(self.ledger.refused, self.now)
            for number in _numbers(first, last, self.now)
        ]
        body = {
            "instrument": self.instrument,
            "boot": self.ledger.boot,
            "upto": upto,
            "have": _at_most(rest, self.now),
            "refused": refused,
        }
        return msgspec.json.encode(body)

    def after(self, older: Receipt) -> Receipt:
        """This one, and one of the same that has not been sent, in one."""
        now = {*older.now, *self.now}
        ledger = self.ledger
        if not ledger.instrument_id:  # unregistered, so that nothing is kept of what was told before
            ledger = replace(ledger, refused=ranges(now))
        return replace(self, ledger=ledger, now=now)


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

"""What gateways made, sent and were promised: the one side of the account.

Every reading of an instrument has a value of its own, so that the store tells which reading a row is even
where its time counted from its arrival.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field

STEP_PA = 1 / 16
"""Values go up by this; exact in binary, and far below the contract's limit for a million readings."""

Line = tuple[str, str]
"""Gateway and instrument."""


@dataclass(slots=True, eq=False)
class Pack:
    """A numbered pack.

    Parameters
    ----------
    first, size : int
        Number of its first reading in the instrument's life, and how many it has.
    begins_us, step_us : int
        Time of the first reading, and from one to the next [µs].
    made_s : float
        When it was packed, on a steady clock [s].
    """

    line: Line
    boot: str
    seq: int
    first: int
    size: int
    begins_us: int
    step_us: int
    made_s: float
    sent: int = 0
    """How often it was handed to the network."""
    acknowledged: bool = False
    """The broker gave its PUBACK."""
    receipted: bool = False
    forgotten: bool = False
    """The gateway lost it when it started anew."""

    @property
    def values(self) -> list[float]:
        """Its readings [Pa]."""
        return [(self.first + k) * STEP_PA for k in range(self.size)]

    @property
    def times_us(self) -> list[int]:
        """When they were taken [µs]."""
        return [self.begins_us + k * self.step_us for k in range(self.size)]


@dataclass(slots=True)
class Ledger:
    """All packs of a run, and what does not fit any of them."""

    packs: dict[tuple[Line, str], dict[int, Pack]] = field(default_factory=dict)
    """By line and boot, then by number."""
    relative: set[Line] = field(default_factory=set)
    """Lines whose times count from their arrival."""
    by_acknowledgement: set[Line] = field(default_factory=set)
    """Lines whose gateway speaks no receipts and forgets at the broker's PUBACK."""
    acknowledgements_lost: int = 0
    """Sendings whose PUBACK never came: whether the broker has them is unknown."""
    _told: dict[tuple[Line, str], int] = field(default_factory=dict)
    """Up to which number receipts have settled all, so that none is looked at again and again."""
    made: int = 0
    moving: int = 0
    """Readings handed to the network whose gateway waits for a promise."""
    newest_receipted_s: float = 0.0
    """When the newest pack was made that has a receipt."""
    receipts: int = 0
    groundless: list[str] = field(default_factory=list)
    """Receipts for packs that were never made or sent."""
    refused: list[str] = field(default_factory=list)
    """Packs that receipts call refused: none should be."""

    def make(self, pack: Pack) -> None:
        """Enter a pack."""
        self.packs.setdefault((pack.line, pack.boot), {})[pack.seq] = pack
        self.made += pack.size

    def send(self, pack: Pack) -> None:
        """It goes out."""
        if not pack.sent:
            self.moving += pack.size
        pack.sent += 1

    def acknowledge(self, pack: Pack) -> None:
        """The broker has acknowledged it."""
        if pack.line in self.by_acknowledgement and not pack.acknowledged and not pack.forgotten:
            self.moving -= pack.size
        pack.acknowledged = True

    def forget(self, pack: Pack) -> None:
        """Its gateway has lost it, promised or not."""
        kept = pack.acknowledged if pack.line in self.by_acknowledgement else pack.receipted
        if pack.sent and not pack.forgotten and not kept:
            self.moving -= pack.size
        pack.forgotten = True

    def receipt(
        self, line: Line, boot: str, runs: Iterable[tuple[int, int]], refused: list[int]
    ) -> list[Pack]:
        """Enter a receipt; gives back the packs that it settles anew."""
        self.receipts += 1
        packs = self.packs.get((line, boot), {})
        told = self._told.get((line, boot), 0)
        settled = []
        for first, last in runs:
            if first <= told + 1:
                self._told[line, boot] = max(told, last)
            for seq in range(max(first, told + 1), last + 1):
                pack = packs.get(seq)
                if pack is None or not pack.sent:
                    self.groundless.append(f"{line} {boot} {seq}")
                elif not pack.receipted:
                    settled.append(pack)
        for pack in settled:
            pack.receipted = True
            if line not in self.by_acknowledgement and not pack.forgotten:
                self.moving -= pack.size
            self.newest_receipted_s = max(self.newest_receipted_s, pack.made_s)
        self.refused += [f"{line} {boot} {seq}" for seq in refused]
        return settled

    def count(self) -> Counter[str]:
        """Packs and readings by what was promised of them."""
        counts: Counter[str] = Counter()
        for packs in self.packs.values():
            for pack in packs.values():
                promise = promised(pack)
                counts[f"packs {promise}"] += 1
                counts[f"readings {promise}"] += pack.size
                counts["packs sent more than once"] += pack.sent > 1
        return counts


def promised(pack: Pack) -> str:
    """The strongest word that was given of a pack."""
    if pack.receipted:
        return "receipted"
    if pack.acknowledged:
        return "acknowledged"
    return "unknown" if pack.sent else "never sent"

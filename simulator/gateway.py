"""A gateway without a network: store and forward, receipts, presence.

Time comes in three kinds: ``now_us`` is the gateway's time of day, ``wall_s`` a steadily running
clock of real seconds on which it waits for receipts, and records carry their own times.

Life of a reading: collected (no pack yet) → packed and sent (has its ``seq``) → receipted, and only
then forgotten. A pack that has no receipt after 30 s is sent again under the same number with the
same records, then ever more rarely. While the radio is off, readings are collected; packs are made
of them when it is back.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import islice

import msgspec

from simulator import senml
from simulator.clock import US
from simulator.senml import Record
from simulator.valve import Outcome

SOFTWARE = "simulated-gateway 1"
RESEND_S = 30.0
LONGEST_RESEND_S = 480.0
LATE_AFTER_US = 60 * US
LATE_PACK = 500
"""Records in a pack of late data; the contract allows 100 to 2,000."""


class Receipt(msgspec.Struct, frozen=True):
    """A receipt as it comes from the broker."""

    instrument: str
    boot: str
    upto: int
    have: list[tuple[int, int]] = []
    refused: list[int] = []

    def covers(self, seq: int) -> bool:
        """Whether the pack of this number is stored."""
        return seq <= self.upto or any(low <= seq <= high for low, high in self.have)


@dataclass(frozen=True, slots=True)
class Publication:
    """A message for the broker, QoS 1."""

    topic: str
    payload: bytes
    retain: bool = False


@dataclass(slots=True)
class _Pack:
    records: list[Record]
    sent_wall_s: float
    wait_s: float = RESEND_S


@dataclass(slots=True)
class _Line:
    """One instrument's store."""

    collected: deque[Record] = field(default_factory=deque)
    waiting: dict[int, _Pack] = field(default_factory=dict)
    next_seq: int = 1
    look_again_s: float = 0.0
    """Before this moment no pack of the line is due again."""


class Gateway:
    """The state of a gateway.

    Parameters
    ----------
    name, boot : str
        Its name and the name of its boot.
    batch_us : int
        Readings are collected for so long before they are sent [µs].
    spool : int
        Most records that it stores of one instrument; beyond it the oldest collected are lost, and
        counted in `lost`.
    """

    def __init__(self, name: str, boot: str, batch_us: int = 4 * US, spool: int = 200_000) -> None:
        self.name = name
        self.boot = boot
        self.batch_us = batch_us
        self.lost = 0
        self.refused = 0
        self.session = ""
        self._spool = spool
        self._lines: dict[str, _Line] = {}
        self._urgent: deque[Publication] = deque()

    @property
    def online(self) -> bool:
        """Whether it has a session."""
        return bool(self.session)

    @property
    def stored(self) -> int:
        """Records that are not receipted yet."""
        return sum(
            len(line.collected) + sum(len(pack.records) for pack in line.waiting.values())
            for line in self._lines.values()
        )

    def topic(self, *rest: str) -> str:
        """A topic of this gateway."""
        return "/".join(("hf", "1", self.name, *rest))

    def collect(self, instrument: str, record: Record) -> None:
        """Take in a reading."""
        line = self._lines.setdefault(instrument, _Line())
        line.collected.append(record)
        if len(line.collected) > self._spool:
            line.collected.popleft()
            self.lost += 1

    def will(self, session: str) -> Publication:
        """The last will of a session."""
        return self._presence({"online": False, "session": session})

    def connected(self, session: str, now_us: int) -> None:
        """A connection stands; everything sent before and not receipted is due again."""
        self.session = session
        self._urgent.append(
            self._presence(
                {
                    "online": True,
                    "session": session,
                    "at": now_us / US,
                    "boot": self.boot,
                    "software": SOFTWARE,
                }
            )
        )
        for line in self._lines.values():
            for pack in line.waiting.values():
                pack.sent_wall_s = -math.inf
                pack.wait_s = RESEND_S
            line.look_again_s = -math.inf

    def disconnected(self) -> None:
        """The connection is lost."""
        self.session = ""

    def farewell(self) -> Publication:
        """What it says before it leaves in an orderly way."""
        return self._presence({"online": False, "session": self.session})

    def outcome(self, instrument: str, outcome: Outcome, now_us: int) -> None:
        """Report what became of an order."""
        body = {"id": outcome.id, "result": outcome.result, "reason": outcome.reason, "at": now_us / US}
        self._urgent.append(Publication(self.topic(instrument, "outcome"), msgspec.json.encode(body)))

    def receipt(self, payload: bytes) -> None:
        """Forget what the other side has stored or refused for good; ignore what is no receipt."""
        try:
            receipt = msgspec.json.decode(payload, type=Receipt)
        except msgspec.DecodeError:
            return
        line = self._lines.get(receipt.instrument)
        if line is None or receipt.boot != self.boot:
            return
        for seq in [seq for seq in line.waiting if receipt.covers(seq)]:
            del line.waiting[seq]
        for seq in receipt.refused:
            if line.waiting.pop(seq, None) is not None:
                self.refused += 1

    def due(
        self, now_us: int, wall_s: float, room: int = 100, sent_us: int | None = None
    ) -> list[Publication]:
        """What is to be published now; nothing while offline.

        Parameters
        ----------
        now_us : int
            Up to when readings were collected [µs]; their age counts from here.
        wall_s : float
            Steady clock of real seconds [s].
        room : int
            At most so many messages.
        sent_us : int, optional
            What the packs say when they were sent [µs]; ``now_us`` if not given. A simulation that
            runs fast collects in strides and sends a little after.
        """
        if not self.online:
            return []
        return list(islice(self._due(now_us, wall_s, now_us if sent_us is None else sent_us), room))

    def _due(self, now_us: int, wall_s: float, sent_us: int) -> Iterator[Publication]:
        while self._urgent:
            yield self._urgent.popleft()
        for name, line in self._lines.items():
            while line.collected and now_us - line.collected[0].time_us >= self.batch_us:
                seq, line.next_seq = line.next_seq, line.next_seq + 1
                pack = line.waiting[seq] = _Pack(self._take(line.collected, now_us), wall_s)
                yield self._message(name, seq, pack.records, now_us, sent_us)
        for name, line in self._lines.items():
            if wall_s < line.look_again_s:
                continue
            for seq, pack in line.waiting.items():
                if wall_s - pack.sent_wall_s >= pack.wait_s:
                    pack.sent_wall_s = wall_s
                    pack.wait_s = min(2.0 * pack.wait_s, LONGEST_RESEND_S)
                    yield self._message(name, seq, pack.records, now_us, sent_us)
            # Packs made from now on wait for longer than this.
            ends = [pack.sent_wall_s + pack.wait_s for pack in line.waiting.values()]
            line.look_again_s = min([wall_s + RESEND_S, *ends])

    def _late_after_us(self) -> int:
        # A gateway that batches for minutes does so on purpose; its packs are no stored data.
        return max(LATE_AFTER_US, 2 * self.batch_us)

    def _take(self, collected: deque[Record], now_us: int) -> list[Record]:
        """The next pack: late readings and fresh ones are never mixed."""
        border_us = now_us - self._late_after_us()
        late = collected[0].time_us < border_us
        records: list[Record] = []
        while collected and len(records) < LATE_PACK and (collected[0].time_us < border_us) == late:
            records.append(collected.popleft())
        return records

    def _message(self, name: str, seq: int, records: list[Record], now_us: int, sent_us: int) -> Publication:
        late = records[0].time_us < now_us - self._late_after_us()
        payload = senml.encode(f"{self.name}/{name}/", seq, self.boot, sent_us, records)
        return Publication(self.topic(name, "late" if late else "data"), payload)

    def _presence(self, body: dict[str, object]) -> Publication:
        return Publication(self.topic("presence"), msgspec.json.encode(body), retain=True)

"""What one gateway may cost the others, beside its share of the quarantine.

Good packs are never limited, however many come: nothing costs less than to store them, and after an outage
many come at once through nobody's fault. What costs and brings nothing are refusals:

- To keep one costs more than to read it. Of a gateway that sends more than so many a second, those that
  nobody here could mend are only counted.
- To read a large pack without readings takes some milliseconds. Of a gateway that has sent too many of these,
  large packs are laid aside unread, in the quarantine, from where they can be read later. They get no
  receipt, so that a gateway that heeds receipts sends them again.
"""

from __future__ import annotations

import time
from collections.abc import Callable

from ingest.inbox import Message
from ingest.interpret import Item
from ingest.pack import RecordRefused
from ingest.registry import Equipment
from ingest.topics import PREFIX
from store.quarantine import NOBODY

REFUSED_AT_ONCE, REFUSED_A_SECOND = 1000, 100
LARGE_BYTES = 4096
"""Smaller messages are always read: that takes well below a millisecond."""
A_READING_BYTES = 400
"""What is more than this for each reading that a pack brings was sent in vain; gateways need 40 to 200."""
VAIN_AT_ONCE, VAIN_A_SECOND = 1 << 20, 128 << 10
"""Bytes that a gateway may send in vain in large packs."""

SHOWN_S = 60.0
"""So long a gateway is shown that was over a limit."""

_SENTENCE = (
    f"Laid aside unread: its gateway sends more than {VAIN_A_SECOND >> 10} KiB/s that bring no readings."
)


class Buckets:
    """A bucket of tokens for each gateway [1]_; names of no registered gateway have one in common.

    Parameters
    ----------
    at_once, a_second : float
        What a bucket holds, and how fast it fills.
    clock_s : callable
        A steady clock [s].

    References
    ----------
    .. [1] RFC 2697, section 3: a bucket of tokens with a committed rate and burst size.
    """

    def __init__(self, at_once: float, a_second: float, clock_s: Callable[[], float]) -> None:
        self.parts = 1
        """Only one of so many parts is given here."""
        self._at_once = at_once
        self._a_second = a_second
        self._clock_s = clock_s
        self._left: dict[str, tuple[float, float]] = {}

    def left(self, holder: str) -> float:
        """What is left; below zero where more was taken than there was."""
        most, a_second = self._at_once / self.parts, self._a_second / self.parts
        left, at_s = self._left.get(holder, (most, 0.0))
        return min(left + a_second * (self._clock_s() - at_s), most)

    def take(self, holder: str, amount: float) -> None:
        """Take some, whether it is there or not."""
        self._left[holder] = self.left(holder) - amount, self._clock_s()


class Limits:
    """See the module. Of one thread, but for `over`.

    Parameters
    ----------
    clock_s : callable
        A steady clock [s].
    """

    def __init__(self, clock_s: Callable[[], float] = time.monotonic) -> None:
        self._refused = Buckets(REFUSED_AT_ONCE, REFUSED_A_SECOND, clock_s)
        self._vain = Buckets(VAIN_AT_ONCE, VAIN_A_SECOND, clock_s)
        self._clock_s = clock_s
        self._over: dict[str, float] = {}
        """When each gateway was over a limit last [s]."""

    @property
    def among(self) -> int:
        """How many processes share the load: each gives its part of what a gateway may cost."""
        return self._vain.parts

    @among.setter
    def among(self, processes: int) -> None:
        self._vain.parts = self._refused.parts = processes

    def laid_aside(self, message: Message, equipment: Equipment) -> Item | None:
        """The message unread, if its gateway is over its limit; None if it is to be read."""
        if len(message.payload) <= LARGE_BYTES:
            return None
        name = message.topic.removeprefix(PREFIX).partition("/")[0]
        holder = holder_of(name, equipment)
        if self._vain.left(holder) > 0:
            return None
        self._over[holder] = self._clock_s()
        item = Item(message, refused=[RecordRefused(None, "over-limit", _SENTENCE)])
        item.gateway, item.gateway_id = name, equipment.gateways.get(name)
        return item

    def charge(self, item: Item, equipment: Equipment) -> None:
        """Reckon up what a message that was read has brought in vain, and whether its refusals are kept."""
        size = len(item.message.payload)
        if size > LARGE_BYTES:
            vain = size - A_READING_BYTES * (len(item.pack.columns) if item.pack is not None else 0)
            if vain > 0:
                self._vain.take(holder_of(item.gateway, equipment), vain)
        if item.refused or (item.pack is not None and item.pack.refused):
            holder = holder_of(item.gateway, equipment)
            item.keep = self._refused.left(holder) >= 1
            if item.keep:
                self._refused.take(holder, 1)
            else:
                self._over[holder] = self._clock_s()

    def over(self) -> list[str]:
        """Gateways that were over a limit just now; `NOBODY` for those that are not registered."""
        since_s = self._clock_s() - SHOWN_S
        return sorted(name for name, at_s in self._over.copy().items() if at_s > since_s)


def holder_of(gateway: str | None, equipment: Equipment) -> str:
    """Whom a message is charged to: its gateway, or `NOBODY` if that is not registered."""
    return gateway if gateway is not None and gateway in equipment.gateways else NOBODY

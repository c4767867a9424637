"""How long packs were on their way, by the gateways' clocks, until it is noted in the database."""

from __future__ import annotations

import time
from collections.abc import Iterable

from ingest.interpret import Item
from store import clocks
from store.clocks import Lag
from store.database import Connection

NOTE_S = 5.0
"""How often it is noted; in between it is kept in memory, one entry a registered gateway."""


class Lags:
    """The least lag of each gateway since it was noted last."""

    def __init__(self) -> None:
        self._found: dict[str, Lag] = {}
        self._noted = -float("inf")

    def take(self, items: Iterable[Item]) -> None:
        """Take up what live packs of registered instruments say.

        A pack that the broker sends again, or that its gateway had kept, tells only that it was late.
        """
        for item in items:
            pack, message = item.pack, item.message
            if pack is None or pack.sent_us is None or item.instrument is None:
                continue
            if message.again or not message.topic.endswith("/data"):
                continue
            name = item.instrument.gateway
            lag = Lag(message.arrived_us - pack.sent_us, 1, message.arrived_us)
            before = self._found.get(name)
            self._found[name] = lag if before is None else before.joined(lag)

    def note(self, conn: Connection) -> None:
        """Write it down if it is time; what cannot be written is tried again with the next."""
        now = time.monotonic()
        if not self._found or now - self._noted < NOTE_S:
            return
        self._noted = now
        with conn.transaction():
            clocks.note(conn, self._found)
        self._found = {}

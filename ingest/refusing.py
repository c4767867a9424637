"""Whose messages are refused, until it is noted in the database: an entry a gateway, however many come."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterable

from ingest.interpret import OVER_LIMIT, Item, storable
from ingest.limits import holder_of
from ingest.registry import Registry
from store import refusing
from store.database import Connection
from store.refusing import Refused

NOTE_S = 2.0
"""How often it is noted; a process that is killed takes with it what it has counted since."""


class Refusing:
    """What was refused of each gateway since it was noted last; for all writers of the process.

    Of a revoked gateway nothing is reckoned: the broker cuts it off, and what still comes is in quarantine.
    """

    def __init__(self, registry: Registry) -> None:
        self._registry = registry
        self._found: dict[str, Refused] = {}
        self._lock = threading.Lock()
        self._noted = -float("inf")

    def take(self, items: Iterable[Item]) -> None:
        """Take up messages whose refusal is committed."""
        equipment = self._registry.equipment
        for item in items:
            # Most are not refused at all, and cost no more than this.
            if not item.refused and (item.pack is None or not item.pack.refused):
                continue
            refused = item.all_refused()
            if not refused or (item.gateway is not None and item.gateway in equipment.revoked):
                continue
            at_us = item.message.arrived_us
            beyond = int(not item.keep or refused[0].code == OVER_LIMIT)
            news = Refused(at_us, at_us, 1, beyond, refused[0].code, storable(refused[0].message))
            holder = holder_of(item.gateway, equipment)
            with self._lock:
                before = self._found.get(holder)
                self._found[holder] = news if before is None else before.joined(news)

    def note(self, conn: Connection, now_us: int) -> None:
        """Write it down if it is time; what cannot be written is tried again."""
        now = time.monotonic()
        if not self._found or now - self._noted < NOTE_S:
            return
        self._noted = now
        with self._lock:
            found, self._found = self._found, {}
        try:
            with conn.transaction():
                refusing.note(conn, found, now_us)
        except BaseException:
            with self._lock:
                for holder, before in found.items():
                    later = self._found.get(holder)
                    self._found[holder] = before if later is None else before.joined(later)
            raise

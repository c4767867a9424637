"""How much room the quarantine has left, as all writers of the process reckon it."""

from __future__ import annotations

import threading
import time
from collections import Counter
from collections.abc import Mapping

from store import quarantine
from store.database import Connection

READ_S = 10.0
"""How often its size is read; in between, what was added is reckoned on."""


class Space:
    """Bytes taken by gateway; read by a connection that holds up no writer, for it takes the whole table.

    Parameters
    ----------
    total_bytes : int
        Most that the quarantine may hold.
    """

    def __init__(self, total_bytes: int) -> None:
        self._total_bytes = total_bytes
        self._used: Counter[str] = Counter()
        self._read_at = -float("inf")
        self._lock = threading.Lock()

    @property
    def room(self) -> quarantine.Room:
        """What may be put there now."""
        with self._lock:
            return quarantine.Room(self._total_bytes, dict(self._used))

    def took(self, taken: Mapping[str, int]) -> None:
        """Reckon on what gateways put there just now."""
        if taken:
            with self._lock:
                self._used.update(taken)

    def read(self, conn: Connection) -> None:
        """Read it anew if it is time."""
        if time.monotonic() - self._read_at < READ_S:
            return
        used = quarantine.used_bytes(conn)
        with self._lock:
            self._used = Counter(used)
        self._read_at = time.monotonic()

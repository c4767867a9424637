"""The brake on guessing passwords: after some failed tries, longer and longer waits."""

from __future__ import annotations

import threading
from collections import OrderedDict
from dataclasses import dataclass

from model.clock import US

FREE_TRIES = 5
"""Failed tries before the first wait."""
FIRST_WAIT_S = 15.0
LONGEST_WAIT_S = 900.0
FORGET_S = 3600.0
"""A key without failures for so long starts afresh."""
MOST_KEYS = 10_000


@dataclass(slots=True)
class _Record:
    failures: int
    last_us: int


class Throttle:
    """Counts failed logins by key (a login name, an address). Bounded: the oldest key is forgotten first."""

    def __init__(self) -> None:
        self._records: OrderedDict[str, _Record] = OrderedDict()
        self._lock = threading.Lock()

    def wait_s(self, keys: tuple[str, ...], now_us: int) -> float:
        """How long the holder of these keys must wait before the next try [s], 0 if not at all."""
        with self._lock:
            return max(self._wait(self._records.get(key), now_us) for key in keys)

    def failed(self, keys: tuple[str, ...], now_us: int) -> None:
        """Count a failed try."""
        with self._lock:
            for key in keys:
                record = self._records.pop(key, None)
                if record is None or now_us - record.last_us > FORGET_S * US:
                    record = _Record(0, now_us)
                record.failures += 1
                record.last_us = now_us
                self._records[key] = record
            while len(self._records) > MOST_KEYS:
                self._records.popitem(last=False)

    def succeeded(self, key: str) -> None:
        """Forget the failures of a key."""
        with self._lock:
            self._records.pop(key, None)

    @staticmethod
    def _wait(record: _Record | None, now_us: int) -> float:
        if record is None or record.failures < FREE_TRIES:
            return 0.0
        wait = min(FIRST_WAIT_S * 2.0 ** min(record.failures - FREE_TRIES, 10), LONGEST_WAIT_S)
        return max(0.0, wait - (now_us - record.last_us) / US)

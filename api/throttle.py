"""The brake on guessing passwords: after some failed tries, longer and longer waits."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from model.clock import US

FREE_TRIES = 5
"""Failed tries before the first wait."""
FIRST_WAIT_S = 15.0
LONGEST_WAIT_S = 900.0
FORGET_S = 3600.0
"""A key without failures for so long starts afresh."""
MOST_KEYS = 10_000
BUSY_WAIT_S = 1.0
"""Wait while as many tries as are free are being checked."""


@dataclass(slots=True)
class _Record:
    failures: int
    last_us: int
    trying: int = 0
    """Tries that passed and are being checked."""


class Throttle:
    """Counts failed logins by key (a login name, an address). Bounded: the oldest key is forgotten first."""

    def __init__(self) -> None:
        self._records: OrderedDict[str, _Record] = OrderedDict()
        self._lock = threading.Lock()

    def wait_s(self, keys: tuple[str, ...], now_us: int) -> float:
        """How long the holder of these keys must wait before the next try [s], 0 if not at all."""
        with self._lock:
            return max(self._wait(self._records.get(key), now_us) for key in keys)

    @contextmanager
    def trying(self, keys: tuple[str, ...], now_us: int) -> Iterator[float]:
        """Give the wait before a try [s]; with 0 the try counts at once, until it is known how it ended.

        A password takes long to check: tries that come at once must not all pass before the first has failed.
        """
        with self._lock:
            wait_s = max(self._wait(self._records.get(key), now_us) for key in keys)
            if wait_s == 0:
                for key in keys:
                    self._touch(key, now_us).trying += 1
        try:
            yield wait_s
        finally:
            if wait_s == 0:
                self._leave(keys)

    def failed(self, keys: tuple[str, ...], now_us: int) -> None:
        """Count a failed try."""
        with self._lock:
            for key in keys:
                record = self._touch(key, now_us)
                record.failures += 1
                record.last_us = now_us

    def _touch(self, key: str, now_us: int) -> _Record:
        record = self._records.pop(key, None) or _Record(0, now_us)
        if now_us - record.last_us > FORGET_S * US:
            record.failures = 0
        self._records[key] = record
        while len(self._records) > MOST_KEYS:
            self._records.popitem(last=False)
        return record

    def _leave(self, keys: tuple[str, ...]) -> None:
        with self._lock:
            for key in keys:
                record = self._records.get(key)
                if record is None:
                    continue
                record.trying = max(0, record.trying - 1)
                if not record.trying and not record.failures:
                    del self._records[key]

    def succeeded(self, key: str) -> None:
        """Forget the failures of a key."""
        with self._lock:
            if key in self._records:
                self._records[key].failures = 0

    @staticmethod
    def _wait(record: _Record | None, now_us: int) -> float:
        if record is None:
            return 0.0
        forgotten = now_us - record.last_us > FORGET_S * US
        failures = 0 if forgotten else record.failures
        busy = record.trying > 0 and record.trying + failures >= FREE_TRIES
        wait = BUSY_WAIT_S if busy else 0.0
        if failures >= FREE_TRIES:
            longest = min(FIRST_WAIT_S * 2.0 ** min(failures - FREE_TRIES, 10), LONGEST_WAIT_S)
            wait = max(wait, longest - (now_us - record.last_us) / US)
        return wait

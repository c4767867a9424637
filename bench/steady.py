"""Live gauges at a steady rate, and how long each reading takes until another connection sees it committed.

The number of a pack is the value of its one reading. Each commit is told of by PostgreSQL's NOTIFY; the table
of latest values then says up to which pack of each gauge everything is there.
"""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Iterator

import numpy as np
import paho.mqtt.client as mqtt
import psycopg
from numpy.typing import NDArray

from bench.backlog import Packs, topic

PATIENCE_S = 60.0
GLANCE_S = 0.5


class Steady:
    """So many gauges that publish so many packs a second, in turn.

    Parameters
    ----------
    dsn : str
        The database.
    made : mqtt.Client
        Connected; its loop must run.
    gauges, rate : int
        The gauges of `bench.backlog.topic`, and packs a second of all of them.
    begin : int
        Number of the first pack: no two of a run may have the same.
    """

    def __init__(self, dsn: str, made: mqtt.Client, gauges: int, rate: int, begin: int = 0) -> None:
        self.next = begin
        self._begin = begin
        self._made = made
        self._gauges = gauges
        self._rate = rate
        self._packs = Packs(begin, 1, gauges)
        self._published: list[float] = []
        self._seen: list[float] = []
        """Of each pack when it was seen [s]; 0: not yet."""
        self._done: dict[int, int] = {}
        """By gauge the pack up to which all were seen."""
        self._stop = threading.Event()
        self._conn = psycopg.connect(dsn, autocommit=True)
        self._conn.execute("LISTEN work")
        rows = self._conn.execute(
            "SELECT i.id, 'hf/1/' || g.name || '/' || i.name || '/data' "
            "FROM instrument i JOIN gateway g ON g.id = i.gateway_id"
        )
        numbers = {topic(gauge): gauge for gauge in range(gauges)}
        self._ids = {ident: numbers[name] for ident, name in rows if name in numbers}
        self._publisher = threading.Thread(target=self._publish, name="publisher", daemon=True)
        self._watcher = threading.Thread(target=self._watch, name="watcher", daemon=True)

    @contextlib.contextmanager
    def running(self) -> Iterator[None]:
        """Publish; at the end wait until all is committed."""
        self._publisher.start()
        self._watcher.start()
        try:
            yield
        finally:
            self._stop.set()
            self._publisher.join()
            self._watcher.join()
            self._conn.close()
            self.next = self._begin + len(self._published)

    def delays_ms(self) -> NDArray[np.float64]:
        """Of each pack [ms], once all is over."""
        missing = self._seen.count(0.0)
        if missing or len(self._seen) != len(self._published):
            raise SystemExit(f"{missing} of {len(self._published)} live packs did not come")
        delays: NDArray[np.float64] = 1000 * (np.array(self._seen) - np.array(self._published))
        return delays

    def _publish(self) -> None:
        begun = time.monotonic()
        while not self._stop.is_set():
            n = len(self._published)
            time.sleep(max(0.0, begun + n / self._rate - time.monotonic()))
            number = self._begin + n
            payload = self._packs.payload(number, round(time.time(), 6)).replace(
                b'"v":%.1f' % self._packs.values(number)[0], b'"v":%d' % number, 1
            )
            self._seen.append(0.0)
            self._published.append(time.time())
            self._made.publish(topic(number % self._gauges), payload, qos=1)

    def _watch(self) -> None:
        deadline = None
        while True:
            list(self._conn.notifies(timeout=GLANCE_S, stop_after=1))
            rows = self._conn.execute(
                "SELECT instrument_id, value FROM latest WHERE instrument_id = ANY(%s)", (list(self._ids),)
            ).fetchall()
            now = time.time()
            for ident, value in rows:
                self._note(self._ids[ident], int(value), now)
            if self._publisher.is_alive():
                continue
            deadline = deadline or time.monotonic() + PATIENCE_S
            if 0.0 not in self._seen or time.monotonic() > deadline:
                return

    def _note(self, gauge: int, newest: int, now: float) -> None:
        if newest < self._begin:
            return
        first = self._done.get(gauge, self._begin + (gauge - self._begin) % self._gauges - self._gauges)
        for number in range(first + self._gauges, newest + 1, self._gauges):
            self._seen[number - self._begin] = now
        self._done[gauge] = max(first, newest)

"""Live gauges at a steady rate, and how long each reading takes until another connection sees it committed.

The number of a pack stands in the value of its one reading. Each commit is told of by PostgreSQL's NOTIFY;
the table of latest values then says up to which pack of each gauge everything is there.
"""

from __future__ import annotations

import contextlib
import json
import math
import threading
import time
from collections.abc import Iterator, Sequence

import numpy as np
import paho.mqtt.client as mqtt
import psycopg
from numpy.typing import NDArray

PATIENCE_S = 180.0
GLANCE_S = 0.5
STEP_PA = 2.0**-20
"""Values go up by this from `FIRST_PA`: a binary fraction, so that nothing is rounded."""
FIRST_PA = 60.0


class Steady:
    """So many gauges that publish so many packs a second, in turn.

    Parameters
    ----------
    dsn : str
        The database.
    made : mqtt.Client
        Connected; its loop must run.
    topics : sequence of str
        Where each gauge publishes, as ``hf/1/{gateway}/{instrument}/data``.
    rate : int
        Packs a second of all of them.
    begin : int
        Number of the first pack: no two of a run may have the same.
    """

    def __init__(self, dsn: str, made: mqtt.Client, topics: Sequence[str], rate: int, begin: int = 0) -> None:
        self.next = begin
        self._begin = begin
        self._made = made
        self._topics = topics
        self._rate = rate
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
        numbers = {topic: gauge for gauge, topic in enumerate(topics)}
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

    def delays_ms(self, until_s: float = math.inf) -> NDArray[np.float64]:
        """Of each pack that was published before a moment of the wall clock [ms], once all is over."""
        missing = self._seen.count(0.0)
        if missing or len(self._seen) != len(self._published):
            raise SystemExit(f"{missing} of {len(self._published)} live packs did not come")
        published = np.array(self._published)
        delays: NDArray[np.float64] = 1000 * (np.array(self._seen) - published)
        return delays[published < until_s]

    def _publish(self) -> None:
        begun = time.monotonic()
        while not self._stop.is_set():
            n = len(self._published)
            time.sleep(max(0.0, begun + n / self._rate - time.monotonic()))
            number = self._begin + n
            turn, gauge = divmod(number, len(self._topics))
            payload = _pack(turn, FIRST_PA + number * STEP_PA)
            self._seen.append(0.0)
            self._published.append(time.time())
            self._made.publish(self._topics[gauge], payload, qos=1)

    def _watch(self) -> None:
        deadline = None
        while True:
            list(self._conn.notifies(timeout=GLANCE_S, stop_after=1))
            rows = self._conn.execute(
                "SELECT instrument_id, value FROM latest WHERE instrument_id = ANY(%s)", (list(self._ids),)
            ).fetchall()
            now = time.time()
            for ident, value in rows:
                self._note(self._ids[ident], round((value - FIRST_PA) / STEP_PA), now)
            if self._publisher.is_alive():
                continue
            deadline = deadline or time.monotonic() + PATIENCE_S
            if 0.0 not in self._seen or time.monotonic() > deadline:
                return

    def _note(self, gauge: int, newest: int, now: float) -> None:
        if newest < self._begin:
            return
        every = len(self._topics)
        first = self._done.get(gauge, self._begin + (gauge - self._begin) % every - every)
        for number in range(first + every, newest + 1, every):
            self._seen[number - self._begin] = now
        self._done[gauge] = max(first, newest)


def _pack(number: int, pressure_pa: float) -> bytes:
    records = [
        {"bt": round(time.time(), 6), "bu": "Pa", "n": "pressure", "v": pressure_pa},
        {"n": "seq", "v": number},
        {"n": "boot", "vs": "steady"},
    ]
    return json.dumps(records, separators=(",", ":")).encode()

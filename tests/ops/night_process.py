"""A process of the service on a clock that is moved on by hand: ``python -m tests.ops.night_process ROOM …``.

It is killed and started anew by tests; nothing of it is left but what it has committed.
"""

from __future__ import annotations

import mmap
import signal
import sys
import threading
from pathlib import Path

from analytics.worker.config import AnalyseConfig
from analytics.worker.service import run as run_analysis
from desk.config import DeskConfig
from desk.worker.service import run as run_desk
from ingest.config import BrokerConfig, IngestConfig
from ingest.service import run as run_ingest
from model.clock import US, HandClock

BYTES = 8


class SharedClock(HandClock):
    """A clock that several processes read and one sets."""

    def __init__(self, path: Path, us: int | None = None) -> None:
        if us is not None:
            path.write_bytes(us.to_bytes(BYTES, "little"))
        self.path = path
        with path.open("r+b") as file:
            self._map = mmap.mmap(file.fileno(), BYTES)

    def now_us(self) -> int:
        # Eight bytes that are aligned are written in one piece.
        return int.from_bytes(self._map[:BYTES], "little")

    def advance(self, seconds: float) -> None:
        """Move it forward."""
        self._map[:BYTES] = (self.now_us() + round(seconds * US)).to_bytes(BYTES, "little")


def main() -> None:
    """Run one room until told to stop."""
    room, dsn, url, path = sys.argv[1:]
    stop = threading.Event()
    signal.signal(signal.SIGTERM, lambda *_: stop.set())
    clock = SharedClock(Path(path))
    if room == "ingest":
        run_ingest(IngestConfig(dsn, BrokerConfig.from_url(url), order_look_s=0.2), clock, stop)
    elif room == "analytics":
        run_analysis(AnalyseConfig(dsn=dsn), clock, stop)
    else:
        run_desk(DeskConfig(dsn), clock, stop)


if __name__ == "__main__":
    main()

"""How long from the command to a board with live numbers, and from Ctrl-C to the last process.

``make bench-start``. The demo is started in an empty folder, stopped with a page open, and started again.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from http.cookiejar import CookieJar
from pathlib import Path
from urllib.error import URLError
from urllib.parse import urlencode
from urllib.request import HTTPCookieProcessor, OpenerDirector, Request, build_opener

from bench.report import below, write

PATIENCE_S = 120.0
FIRST_S, SECOND_S, STOP_S = 10.0, 5.0, 5.0


class Demo:
    """A running demo, and what it said."""

    def __init__(self, data_dir: Path) -> None:
        self.began = time.monotonic()
        self.process = subprocess.Popen(
            [sys.executable, "-m", "ops.cli", "demo"],
            env={**os.environ, "HOLDFAST_DATA_DIR": str(data_dir)},
            stdout=subprocess.PIPE,
            text=True,
        )
        self.said: dict[str, str] = {}
        self._read_greeting()
        self.greeted_s = time.monotonic() - self.began
        self.browser = build_opener(HTTPCookieProcessor(CookieJar()))

    def _read_greeting(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            word, _, rest = line.strip().partition(" ")
            self.said[word] = rest.strip()
            if "Password" in self.said:
                # Keep reading, so that the pipe never fills.
                threading.Thread(target=self.process.stdout.read, daemon=True).start()
                return
        raise SystemExit(f"the demo ended with status {self.process.wait()}: {self.said}")

    def log_in(self) -> None:
        """As a browser does it."""
        form = urlencode({"login": self.said["Login"], "password": self.said["Password"], "next": "/healthz"})
        request = Request(self.said["Pages"] + "/login", form.encode(), {"Origin": self.said["Pages"]})
        with self.browser.open(request, timeout=10) as answer:
            assert answer.status == 200

    def seconds_to_live_numbers(self) -> float:
        """Wait for a board on which a number is live."""
        while time.monotonic() - self.began < PATIENCE_S:
            try:
                with self.browser.open(self.said["Pages"] + "/api/v1/board", timeout=5) as answer:
                    rows = json.load(answer)
                if any(row["figure"] and row["figure"]["live"] for row in rows):
                    return time.monotonic() - self.began
            except URLError:
                pass
            time.sleep(0.05)
        raise SystemExit("no live number came")

    @contextmanager
    def page_open(self) -> Iterator[None]:
        """An event stream that somebody watches."""
        address = self.said["Pages"] + "/api/v1/events"
        stream = self.browser.open(Request(address), timeout=30)
        watcher = threading.Thread(target=_drain, args=(stream,), daemon=True)
        watcher.start()
        yield
        watcher.join(5)

    def seconds_to_stop(self) -> float:
        """Ctrl-C, and wait for the end."""
        asked = time.monotonic()
        self.process.send_signal(signal.SIGINT)
        self.process.wait(60)
        return time.monotonic() - asked


def _drain(stream: OpenerDirector) -> None:
    try:
        while stream.read1(4096):  # type: ignore[attr-defined]
            pass
    except OSError:
        pass


def main() -> None:
    """Measure and write."""
    measures = {}
    with tempfile.TemporaryDirectory(prefix="holdfast-bench-") as folder:
        data_dir = Path(folder) / "data"
        for name, limit in (("first start", FIRST_S), ("second start", SECOND_S)):
            demo = Demo(data_dir)
            try:
                demo.log_in()
                measures[f"{name}: address and login"] = below(demo.greeted_s, "s", limit)
                measures[f"{name}: live numbers"] = below(demo.seconds_to_live_numbers(), "s", limit)
                with demo.page_open():
                    stopped_s = demo.seconds_to_stop()
            finally:
                demo.process.kill()
            measures[f"{name}: stop with a page open"] = below(stopped_s, "s", STOP_S)
    sys.exit(0 if write("start", measures) else 1)


if __name__ == "__main__":
    main()

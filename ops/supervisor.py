"""Starts processes, keeps them alive, and ends them all.

The supervisor is one thread: the kernel ties a child's life to the thread that started it.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Collection
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

FIRST_PAUSE_S = 0.5
LONGEST_PAUSE_S = 30.0
SETTLED_S = 60.0
"""A process that has lived this long starts again with the first pause."""

FAREWELL_S = 2.5
"""Patience with our own processes; with the services' it stays below five seconds in all."""

LOG_LIMIT = 10_000_000
TICK_S = 0.1


class Part(Protocol):
    """Something that runs as a process: a service or a worker."""

    @property
    def name(self) -> str:
        """What it is called in messages."""
        ...

    @property
    def process(self) -> subprocess.Popen[bytes] | None:
        """Its process, once started."""
        ...

    def spawn(self) -> None:
        """Start it without waiting."""
        ...


@dataclass(slots=True)
class Worker:
    """One of our own processes, ``python -m ops.child NAME``.

    It loads its modules at once and then waits for its order, a line on its standard input, so that loading
    and the making of the database overlap. The end of that pipe tells it that we are gone.
    """

    name: str
    room: str
    log: Path
    process: subprocess.Popen[bytes] | None = None
    pass_fds: tuple[int, ...] = ()

    def spawn(self) -> None:
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "ops.child", self.room],
                stdin=subprocess.PIPE,
                stdout=log,
                stderr=subprocess.STDOUT,
                start_new_session=True,
                pass_fds=self.pass_fds,
                env={**os.environ, "PYTHONUNBUFFERED": "1"},
            )

    def give_order(self, order: str) -> None:
        """Let it begin."""
        if self.process is not None and self.process.stdin is not None:
            with suppress(BrokenPipeError):
                self.process.stdin.write(order.encode() + b"\n")
                self.process.stdin.flush()


@dataclass(slots=True)
class _Life:
    started: float
    pause_s: float = FIRST_PAUSE_S
    again_at: float | None = None


class Supervisor:
    """Keeps parts alive until it is told to stop.

    Parameters
    ----------
    say : callable
        Gets one line for people when a part died.
    """

    def __init__(self, say: Callable[[str], None]) -> None:
        self.stopping = threading.Event()
        self._say = say
        self._workers: list[Worker] = []
        self._services: list[Part] = []
        self._lives: dict[str, _Life] = {}
        self._orders: dict[str, str] = {}
        self._logs_checked = time.monotonic()

    def handle_signals(self) -> None:
        """Stop on Ctrl-C, on SIGTERM, and when the terminal goes away."""

        def stop(_number: int, _frame: object) -> None:
            self.stopping.set()

        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            signal.signal(number, stop)

    def watch_service(self, service: Part) -> None:
        """Keep a service, started already, alive."""
        self._services.append(service)
        self._lives[service.name] = _Life(time.monotonic())

    def preload(self, worker: Worker) -> None:
        """Start a worker, which loads its modules and waits."""
        worker.spawn()
        self._workers.append(worker)
        self._lives[worker.name] = _Life(time.monotonic())

    def begin(self, order: str, but: Collection[str] = ()) -> None:
        """Let all workers begin that have not yet, now and after each restart, except some."""
        for worker in self._workers:
            if worker.name not in but and worker.name not in self._orders:
                self._orders[worker.name] = order
                worker.give_order(order)

    def tick(self) -> None:
        """Restart what died and whose pause is over; call it about ten times a second."""
        for part in (*self._services, *self._workers):
            self._keep(part)
        if time.monotonic() - self._logs_checked > 30:
            self._logs_checked = time.monotonic()
            for worker in self._workers:
                trim_log(worker.log)

    def run(self, each_tick: Callable[[], None] = lambda: None) -> None:
        """Keep everything alive until `stopping` is set."""
        while not self.stopping.wait(TICK_S):
            self.tick()
            each_tick()

    def end_workers(self) -> None:
        """Ask all workers to go, all at once; kill those that stay."""
        running = [w.process for w in self._workers if w.process and w.process.poll() is None]
        for process in running:
            process.terminate()
        deadline = time.monotonic() + FAREWELL_S
        for process in running:
            with suppress(subprocess.TimeoutExpired):
                process.wait(max(0.0, deadline - time.monotonic()))
        for process in running:
            if process.poll() is None:
                process.kill()
                process.wait()

    def _keep(self, part: Part) -> None:
        life = self._lives[part.name]
        now = time.monotonic()
        if life.again_at is not None:
            if now >= life.again_at:
                life.again_at, life.started = None, now
                part.spawn()
                if isinstance(part, Worker) and part.name in self._orders:
                    part.give_order(self._orders[part.name])
            return
        if part.process is None or part.process.poll() is None:
            return
        if now - life.started > SETTLED_S:
            life.pause_s = FIRST_PAUSE_S
        where = f" (see {part.log})" if isinstance(part, Worker) else ""
        self._say(f"{part.name} {farewell(part.process.returncode)}; it starts again{where}")
        life.again_at = now + life.pause_s
        life.pause_s = min(life.pause_s * 2, LONGEST_PAUSE_S)


def farewell(status: int) -> str:
    """How a process ended, in words."""
    if status < 0:
        return f"was ended by {signal.Signals(-status).name}"
    return f"ended with status {status}"


def trim_log(log: Path) -> None:
    """Set a log that grew too large aside, keeping one older; writers append, so they go on."""
    if log.exists() and log.stat().st_size > LOG_LIMIT:
        log.with_suffix(".old.log").write_bytes(log.read_bytes())
        os.truncate(log, 0)

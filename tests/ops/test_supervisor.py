"""The supervisor: what dies starts again, what must end ends."""

from __future__ import annotations

import signal
import subprocess
import sys
from pathlib import Path

import pytest

from ops import supervisor
from ops.supervisor import Supervisor, Worker
from tests.waiting import wait_until

SLEEP = "import time; print('up', flush=True); time.sleep(600)"
STUBBORN = (
    "import signal, time; signal.signal(signal.SIGTERM, signal.SIG_IGN); "
    "print('up', flush=True); time.sleep(600)"
)


class Program:
    """A part that is a line of Python."""

    def __init__(self, name: str, code: str) -> None:
        self.name = name
        self.code = code
        self.process: subprocess.Popen[bytes] | None = None
        self.starts = 0

    def spawn(self) -> None:
        self.starts += 1
        self.process = subprocess.Popen([sys.executable, "-c", self.code], stdout=subprocess.PIPE)


def test_a_killed_part_starts_again_and_somebody_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(supervisor, "FIRST_PAUSE_S", 0.0)
    said: list[str] = []
    boss, part = Supervisor(said.append), Program("thing", SLEEP)
    part.spawn()
    boss.watch_service(part)
    first = part.process
    assert first is not None
    first.kill()
    first.wait()

    def again() -> bool:
        boss.tick()
        return part.process is not first

    wait_until(again, what="the second start")
    assert said == ["thing was ended by SIGKILL; it starts again"]
    assert part.process is not None
    part.process.kill()
    part.process.wait()


def test_pauses_between_starts_of_a_part_that_always_dies_grow() -> None:
    boss, part = Supervisor(lambda line: None), Program("thing", "raise SystemExit(3)")
    part.spawn()
    boss.watch_service(part)
    pauses = []
    for _ in range(9):
        assert part.process is not None
        part.process.wait()
        boss.tick()
        life = boss._lives["thing"]
        assert life.again_at is not None
        pauses.append(life.pause_s)
        life.again_at = 0.0
        boss.tick()
    assert pauses[:4] == [1.0, 2.0, 4.0, 8.0]
    assert pauses[-1] == supervisor.LONGEST_PAUSE_S
    assert part.starts == 10


def test_a_worker_that_does_not_listen_is_killed(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(supervisor, "FAREWELL_S", 0.2)
    boss = Supervisor(lambda line: None)
    programs = [Program("polite", SLEEP), Program("stubborn", STUBBORN)]
    for program in programs:
        program.spawn()
        assert program.process is not None
        assert program.process.stdout is not None
        program.process.stdout.readline()
        boss._workers.append(Worker(program.name, "desk", tmp_path / "log", process=program.process))
    boss.end_workers()
    ends = [program.process.returncode for program in programs if program.process]
    assert ends == [-signal.SIGTERM, -signal.SIGKILL]


def test_a_worker_without_a_parent_goes(tmp_path: Path) -> None:
    worker = Worker("desk", "desk", tmp_path / "log")
    worker.spawn()
    assert worker.process is not None
    assert worker.process.stdin is not None
    worker.process.stdin.close()
    assert worker.process.wait(20) == 0


def test_a_log_that_grew_is_set_aside_and_writers_go_on(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(supervisor, "LOG_LIMIT", 10)
    log = tmp_path / "desk.log"
    with log.open("ab", buffering=0) as writer:
        writer.write(b"more than ten bytes\n")
        supervisor.trim_log(log)
        writer.write(b"after\n")
    assert log.read_bytes() == b"after\n"
    assert (tmp_path / "desk.old.log").read_bytes() == b"more than ten bytes\n"

"""Child processes: started under an identity, tied to our life, ended for certain."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import IO, Any

LAUNCHER = Path(__file__).with_name("launcher.py")
POLL_S = 0.02


def spawn(
    command: Sequence[str | Path],
    *,
    output: IO[Any],
    death_signal: signal.Signals = signal.SIGTERM,
    identity: str = "same",
    cwd: Path | None = None,
    env: Mapping[str, str] | None = None,
) -> subprocess.Popen[bytes]:
    """Start a program that gets ``death_signal`` when we die, however we die.

    Call it from a thread that lives as long as the child should: the kernel sends the signal when the
    *thread* that forked ends (prctl(2), PR_SET_PDEATHSIG). The child has a session of its own, so that
    Ctrl-C reaches only us and we choose the order of the farewell.
    """
    arguments = [
        sys.executable, "-I", "-S", str(LAUNCHER), str(os.getpid()), str(int(death_signal)), identity,
        *map(str, command),
    ]  # fmt: skip
    return subprocess.Popen(
        arguments,
        stdin=subprocess.DEVNULL,
        stdout=output,
        stderr=subprocess.STDOUT,
        start_new_session=True,
        cwd=cwd,
        env=None if env is None else dict(env),
    )


def end(process: subprocess.Popen[bytes], *steps: tuple[signal.Signals, float]) -> int:
    """Send signals, each with its patience in seconds, until the process is gone; then SIGKILL."""
    for number, patience_s in steps:
        if process.poll() is not None:
            break
        with contextlib.suppress(ProcessLookupError):
            process.send_signal(number)
        with contextlib.suppress(subprocess.TimeoutExpired):
            return process.wait(patience_s)
    if process.poll() is None:
        process.kill()
    return process.wait()


def processes_working_in(folder: Path) -> list[int]:
    """Process ids whose working directory is this folder, ourselves excepted."""
    wanted = os.stat(folder)
    found = []
    for entry in Path("/proc").iterdir():
        if not entry.name.isdigit() or int(entry.name) == os.getpid():
            continue
        with contextlib.suppress(OSError):
            there = os.stat(entry / "cwd")
            if (there.st_dev, there.st_ino) == (wanted.st_dev, wanted.st_ino):
                found.append(int(entry.name))
    return found


def signal_all(pids: Sequence[int], number: signal.Signals) -> None:
    """Signal those that still exist."""
    for pid in pids:
        with contextlib.suppress(ProcessLookupError):
            os.kill(pid, number)


def poll(condition: Callable[[], bool], timeout_s: float) -> bool:
    """Whether the condition came true within the time."""
    deadline = time.monotonic() + timeout_s
    while not condition():
        if time.monotonic() > deadline:
            return False
        time.sleep(POLL_S)
    return True


def tail(file: Path, lines: int = 1) -> str:
    """The last lines of a log that are not empty; empty when there is none."""
    if not file.exists():
        return ""
    text = file.read_text(encoding="utf-8", errors="replace")
    return "\n".join([line for line in text.splitlines() if line.strip()][-lines:])


def free_port(preferred: int | None = None, address: str = "127.0.0.1") -> int:
    """The preferred port if nobody listens on it, else any free one."""
    import socket

    for port in (preferred, 0):
        if port is None:
            continue
        with socket.socket() as probe, contextlib.suppress(OSError):
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            probe.bind((address, port))
            return int(probe.getsockname()[1])
    raise OSError(f"no free port on {address}")

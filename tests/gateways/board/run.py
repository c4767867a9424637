"""Run a program for MicroPython under CPython: ``run.py PROGRAM``, in a folder of its own.

Adds what CPython's ``time`` lacks. The time of day is set while the file ``clock`` lies in the folder
``BENCH``; the ticks begin shortly before they wrap.
"""

from __future__ import annotations

import os
import runpy
import sys
import time
from pathlib import Path

PERIOD = 1 << 30
CLOCK = Path(os.environ["BENCH"]) / "clock"

_real_time = time.time
_began = time.monotonic()


def _ticks_ms() -> int:
    return (int((time.monotonic() - _began) * 1000) + PERIOD - 1500) % PERIOD


def _ticks_diff(late: int, early: int) -> int:
    return (late - early + PERIOD // 2) % PERIOD - PERIOD // 2


def _time() -> float:
    return float(int(_real_time())) if CLOCK.exists() else time.monotonic() - _began


setattr(time, "ticks_ms", _ticks_ms)  # noqa: B010
setattr(time, "ticks_diff", _ticks_diff)  # noqa: B010
setattr(time, "sleep_ms", lambda ms: time.sleep(ms / 1000))  # noqa: B010
time.time = _time
sys.stdout.reconfigure(line_buffering=True)  # type: ignore[union-attr]
sys.path[:0] = [str(Path(__file__).parent), str(Path(sys.argv[1]).parent)]
runpy.run_path(sys.argv[1], run_name="__main__")

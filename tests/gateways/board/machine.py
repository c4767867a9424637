"""A board's pins, converters and timers under CPython: each pin is a file of the folder ``BENCH``."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable
from pathlib import Path

BENCH = Path(os.environ["BENCH"])
NAMES = {
    34: "gauge_raw", 25: "pump", 26: "open_switch", 27: "closed_switch", 33: "hands", 32: "coil",
}  # fmt: skip


class Pin:
    """A digital pin."""

    IN, OUT, PULL_DOWN = 0, 1, 2

    def __init__(self, number: int, mode: int = -1, pull: int = -1, value: int | None = None) -> None:
        self.path = BENCH / NAMES[number]
        if value is not None:
            self.value(value)

    def value(self, new: int | None = None) -> int | None:
        """Read it, or set it."""
        if new is not None:
            self.path.write_text(str(new))
            return None
        try:
            return int(self.path.read_text() or 0)
        except FileNotFoundError:
            return 0


class ADC:
    """A converter."""

    def __init__(self, pin: Pin) -> None:
        self._pin = pin

    def read_u16(self) -> int:
        """The voltage, 0 to 65,535."""
        return self._pin.value() or 0


class Timer:
    """A periodic timer."""

    PERIODIC = 1

    def __init__(self, number: int) -> None:
        self._number = number

    def init(self, *, period: int, mode: int, callback: Callable[[Timer], None]) -> None:
        """Call ``callback`` every ``period`` milliseconds."""
        assert mode == self.PERIODIC

        def go_round() -> None:
            while True:
                threading.Event().wait(period / 1000)
                callback(self)

        threading.Thread(target=go_round, daemon=True).start()


def reset() -> None:
    """Start the board anew: here the process ends."""
    os._exit(3)

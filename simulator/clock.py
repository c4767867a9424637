"""What the simulator asks of a clock, and of time in general."""

from __future__ import annotations

from typing import Protocol

US = 1_000_000
"""Microseconds in a second."""


class Clock(Protocol):
    """A clock that may run faster than the wall's."""

    def now_us(self) -> int:
        """Microseconds since the Unix epoch, UTC."""
        ...

    def real_seconds(self, seconds: float) -> float:
        """How long ``seconds`` of this clock, from now on, last on the wall."""
        ...


class StopSignal(Protocol):
    """What `threading.Event` and its likes offer."""

    def is_set(self) -> bool:
        """Whether to stop."""
        ...

    def wait(self, timeout: float | None = None) -> bool:
        """Wait until it is set or the time is over."""
        ...

"""Clocks. Every process is given one; nothing else asks for the time of day."""

from __future__ import annotations

import time
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Protocol

US = 1_000_000
"""Microseconds in a second."""


class Clock(Protocol):
    """What the rooms ask of a clock."""

    def now_us(self) -> int:
        """Microseconds since the Unix epoch, UTC."""
        ...

    def real_seconds(self, seconds: float) -> float:
        """How long ``seconds`` of this clock, from now on, last on the wall."""
        ...


@dataclass(frozen=True, slots=True)
class SystemClock:
    """The machine's clock."""

    def now_us(self) -> int:
        return time.time_ns() // 1000

    def real_seconds(self, seconds: float) -> float:
        return seconds


@dataclass(frozen=True, slots=True)
class ReplayClock:
    """A clock that starts in the past, runs fast, meets the present and then goes with it.

    It keeps no state: two processes with the same three numbers agree, also after a restart.

    Parameters
    ----------
    real0_us : int
        Wall time at which the replay began [µs].
    start_us : int
        What the clock showed then [µs], earlier than ``real0_us``.
    speed : float
        How fast it runs until it meets the present, above 1.
    """

    real0_us: int
    start_us: int
    speed: float

    def __post_init__(self) -> None:
        if self.speed <= 1 or self.start_us > self.real0_us:
            raise ValueError("a replay starts in the past and runs faster than time itself")

    def now_us(self) -> int:
        real = time.time_ns() // 1000
        return min(real, self.start_us + int((real - self.real0_us) * self.speed))

    @property
    def meets_us(self) -> int:
        """The moment at which it meets the present [µs]."""
        return self.real0_us + int((self.real0_us - self.start_us) / (self.speed - 1))

    def caught_up(self) -> bool:
        """Whether it goes with the present now."""
        return time.time_ns() // 1000 >= self.meets_us

    def real_seconds(self, seconds: float) -> float:
        left_us = self.meets_us - self.now_us()
        fast = min(seconds, max(left_us, 0) / US)
        return fast / self.speed + (seconds - fast)

    def text(self) -> str:
        """The three numbers, for handing to another process."""
        return f"{self.real0_us}:{self.start_us}:{self.speed!r}"

    @classmethod
    def parse(cls, text: str) -> ReplayClock:
        """The inverse of `text`; raises ``ValueError``."""
        real0, start, speed = text.split(":")
        return cls(int(real0), int(start), float(speed))


@dataclass(slots=True)
class HandClock:
    """A clock that is set by hand: for tests, and for judging the past."""

    us: int

    def now_us(self) -> int:
        return self.us

    def real_seconds(self, seconds: float) -> float:
        return 0.0

    def advance(self, seconds: float) -> None:
        """Move it forward."""
        self.us += round(seconds * US)


def to_datetime(us: int) -> datetime:
    """Microseconds since the epoch as an aware datetime in UTC, exactly."""
    seconds, rest = divmod(us, US)
    return datetime.fromtimestamp(seconds, UTC).replace(microsecond=rest)


def to_us(moment: datetime) -> int:
    """An aware datetime as microseconds since the epoch, exactly."""
    delta = moment - datetime(1970, 1, 1, tzinfo=UTC)
    return (delta.days * 86_400 + delta.seconds) * US + delta.microseconds

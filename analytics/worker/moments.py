"""The clock, and how far readings lag behind it."""

from __future__ import annotations

from model.clock import US, Clock


def lasting(clock: Clock, real_s: float) -> float:
    """Seconds of the clock that last at least ``real_s`` seconds on the wall.

    However fast a replay runs, our own delay must not look like missing readings.
    """
    seconds = real_s
    while 0 < clock.real_seconds(seconds) < real_s * 0.999:
        seconds *= 1.5
    return seconds


def settled_us(clock: Clock, transit_s: float) -> int:
    """The moment up to which all readings should have arrived [µs]."""
    return clock.now_us() - round(lasting(clock, transit_s) * US)

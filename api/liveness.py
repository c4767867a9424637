"""What is still the present: a figure that is young enough, an estimate that readings still bear out.

By time alone, looked at whenever something is shown: nothing is written when a gauge falls silent.
"""

from __future__ import annotations

from dataclasses import dataclass

from analytics.core.pull_live import due_us
from model.clock import US, Clock
from model.reading import Quantity
from store.board import BoardRow, Channel, Last

LIVE_WALL_S = 5.0
"""What a reading may take on its way to us, on the wall; it counts more while a replayed clock runs fast."""


@dataclass(frozen=True, slots=True)
class Unkept:
    """An estimate that is no longer kept up.

    Parameters
    ----------
    since_us : int
        Up to here readings bore it out [µs].
    silent : bool
        No readings come; else they do, and it was not made anew.
    """

    since_us: int
    silent: bool


def clock_speed(clock: Clock) -> float:
    """Seconds of this clock in one second on the wall; 0 for one that stands still."""
    wall = clock.real_seconds(1.0)
    return 0.0 if wall == 0 else 1.0 / wall


def allowed_us(channel: Channel, speed: float) -> float:
    """How long a channel may be quiet before its last figure is no longer the present one [µs]."""
    return (max(5 * channel.interval_s, 60.0) + LIVE_WALL_S * speed) * US


def is_heard(row: BoardRow, now_us: int, speed: float) -> bool:
    """Whether the job's gauge was heard of lately enough, as its rhythm allows."""
    gauge = row.gauge
    if gauge is None or gauge.arrived_us is None:
        return False
    return gauge.instrument_id not in row.silent and now_us - gauge.arrived_us <= allowed_us(gauge, speed)


def is_live(channel: Channel, last: Last, now_us: int, speed: float) -> bool:
    """Whether a channel's last figure is the present one: both read and arrived of late."""
    allowed = allowed_us(channel, speed)
    return now_us - max(last.time_us, last.arrived_us) <= allowed and now_us - last.time_us <= 2 * allowed


def unkept(row: BoardRow, now_us: int, speed: float) -> Unkept | None:
    """Since when what is said of the running pull-down is not kept up; None: it is, or nothing is said."""
    pull, gauge = row.pull, row.gauge
    if pull is None:
        return None
    last = None if gauge is None else gauge.last.get(Quantity.PRESSURE)
    if gauge is None or last is None:
        return Unkept(pull.at_us, silent=True)
    if not is_live(gauge, last, now_us, speed):
        return Unkept(max(pull.at_us, last.time_us), silent=True)
    if now_us > due_us(pull.start_us, pull.at_us) + allowed_us(gauge, speed):
        return Unkept(pull.at_us, silent=False)
    return None

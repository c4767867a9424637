"""Which night a morning tells of, and when the next one comes."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from desk.core.wall_time import next_after
from model.clock import US, to_datetime

EVENING = time(18, 0)
"""A night begins then. Our own choice."""
LATEST_S = 12 * 3600.0
"""So long after its time a morning is told still; who was away for longer tells the next one."""


@dataclass(frozen=True, slots=True)
class Night:
    """The night before a morning: from the evening to the time of the morning [µs].

    Parameters
    ----------
    day : date
        Of the morning, in the company's time zone.
    """

    day: date
    since_us: int
    until_us: int


def before(day: date, at: time, time_zone: str) -> Night:
    """The night before the morning of that day."""
    evening_us = _first_shown(day - timedelta(days=1), EVENING, time_zone)
    return Night(day, evening_us, _first_shown(day, at, time_zone))


def day_of(us: int, time_zone: str) -> date:
    """On which day of the zone a moment [µs] lies."""
    return to_datetime(us).astimezone(ZoneInfo(time_zone)).date()


def latest(now_us: int, at: time, time_zone: str) -> Night:
    """The night of the newest morning that has come."""
    night = before(day_of(now_us, time_zone), at, time_zone)
    if night.until_us > now_us:
        night = before(night.day - timedelta(days=1), at, time_zone)
    return night


def next_us(now_us: int, at: time, time_zone: str) -> int:
    """When the next morning comes [µs]: once a day, also where an hour comes twice."""
    today = before(day_of(now_us, time_zone), at, time_zone)
    if today.until_us > now_us:
        return today.until_us
    return before(today.day + timedelta(days=1), at, time_zone).until_us


def _first_shown(day: date, wall: time, time_zone: str) -> int:
    """The first moment of a day at which clocks show that time, or skip it [µs]."""
    midnight = datetime.combine(day, time(0), ZoneInfo(time_zone))
    return next_after(wall, round(midnight.timestamp() * US) - 1, time_zone)

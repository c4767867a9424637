"""Moments as people write them: ISO 8601 with an offset, or local time at a site."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from model.clock import to_us
from model.errors import BadInput

EXAMPLE = "2026-11-24 18:30"


def parse(text: str, time_zone: str, field: str) -> int:
    """A moment [µs]; without an offset it is the time at the site.

    Raises
    ------
    BadInput
        It cannot be read, or the clocks there jumped over it.
    """
    try:
        read = datetime.fromisoformat(text.strip())
    except ValueError as error:
        raise BadInput(
            f"{text.strip()!r} is no date and time; write it like {EXAMPLE}.", field=field
        ) from error
    if read.tzinfo is None:
        read = _at(read, time_zone, field)
    if not can_be_meant(read):
        raise BadInput(f"The year {read.year} cannot be meant.", field=field)
    return to_us(read.astimezone(UTC))


def can_be_meant(moment: datetime) -> bool:
    """Whether anything here may happen then; at the ends of the calendar no zone can be reckoned with."""
    return 2000 <= moment.year <= 2200


def _at(read: datetime, time_zone: str, field: str) -> datetime:
    zone = ZoneInfo(time_zone)
    local = read.replace(tzinfo=zone)
    # Where the clocks go forward there is an hour that is none; where they go back the first of two is meant.
    if local.astimezone(UTC).astimezone(zone).replace(tzinfo=None) != read:
        raise BadInput(
            f"{read:%Y-%m-%d %H:%M} does not exist in {time_zone}: the clocks went forward.", field=field
        )
    return local

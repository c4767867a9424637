"""From "18:00 at the site" to a moment, also in the nights in which clocks are changed.

Our own choices: an hour that the clocks skip is the moment at which they skip it; of an hour that comes
twice, the next one from now on. A span (eight hours of hold) is a span and knows no clocks.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

from model.clock import to_datetime, to_us
from model.errors import BadInput

CLOCK = re.compile(r"([01][0-9]|2[0-3]):([0-5][0-9])")


def parse(text: str, name: str) -> time:
    """``HH:MM``; raises `BadInput` about the field ``name``."""
    found = CLOCK.fullmatch(text.strip())
    if found is None:
        raise BadInput("A time is written as HH:MM, 00:00 to 23:59.", field=name)
    return time(int(found[1]), int(found[2]))


def next_after(wall: time, after_us: int, time_zone: str) -> int:
    """The first moment after ``after_us`` [µs] at which clocks of the zone show ``wall``, or skip it."""
    zone = ZoneInfo(time_zone)
    today = to_datetime(after_us).astimezone(zone).date()
    moments = (
        moment
        for days in (-1, 0, 1, 2)
        for moment in _shown(datetime.combine(today + timedelta(days), wall), zone)
    )
    return min(us for us in map(to_us, moments) if us > after_us)


def _shown(local: datetime, zone: ZoneInfo) -> list[datetime]:
    """The moments at which clocks show ``local``: one, two, or the skip."""
    early, late = (local.replace(tzinfo=zone, fold=fold).astimezone(UTC) for fold in (0, 1))
    if early <= late:
        return [early, late]
    # Skipped: with the offset from before the skip it lies after it, with the one from after it before.
    before, after = late, early
    offset = before.astimezone(zone).utcoffset()
    while after - before > timedelta(microseconds=1):
        middle = before + (after - before) / 2
        if middle.astimezone(zone).utcoffset() == offset:
            before = middle
        else:
            after = middle
    return [after]

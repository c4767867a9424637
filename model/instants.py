"""Moments in sentences that are kept: as instants of RFC 3339 in UTC, which each reader's page writes anew.

A sentence in the log of a plan may be read by somebody in another country, or after the clocks have changed.
"""

from __future__ import annotations

import re
from datetime import datetime
from zoneinfo import ZoneInfo

from model.clock import to_datetime

PATTERN = re.compile(r"\b\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ")


def instant(us: int) -> str:
    """A moment [µs] for a sentence that is kept, to the second."""
    return f"{to_datetime(us):%Y-%m-%dT%H:%M:%SZ}"


def moment_of(text: str) -> datetime:
    """What `instant` wrote."""
    return datetime.fromisoformat(text)


def undated(text: str) -> str:
    """A sentence without its moments, to see whether it says something new."""
    return PATTERN.sub("", text)


def at_site(text: str, time_zone: str) -> str:
    """A sentence as the site's own clocks have it: for events, alerts and messages."""

    def local(found: re.Match[str]) -> str:
        moment = moment_of(found[0]).astimezone(ZoneInfo(time_zone))
        return f"{moment:%a} {moment.day} {moment:%b}, {moment:%H:%M}"

    return PATTERN.sub(local, text)

"""Which night a morning tells of, and when the next one comes; summer time from the IANA database."""

from __future__ import annotations

import itertools
from datetime import UTC, date, datetime, time

import pytest

from desk.core import night
from model.clock import to_datetime, to_us


def us(text: str) -> int:
    return to_us(datetime.fromisoformat(text).replace(tzinfo=UTC))


@pytest.mark.parametrize(
    ("day", "at", "zone", "since", "until"),
    [
        # Ordinary; then the nights of 29 March and 25 October 2026, in which Berlin changes its clocks.
        (date(2026, 3, 10), time(6, 30), "Europe/Berlin", "2026-03-09T17:00", "2026-03-10T05:30"),
        (date(2026, 3, 29), time(6, 30), "Europe/Berlin", "2026-03-28T17:00", "2026-03-29T04:30"),
        (date(2026, 10, 25), time(6, 30), "Europe/Berlin", "2026-10-24T16:00", "2026-10-25T05:30"),
        # An hour that is skipped is the moment of the skip; of one that comes twice it is the first.
        (date(2026, 3, 29), time(2, 30), "Europe/Berlin", "2026-03-28T17:00", "2026-03-29T01:00"),
        (date(2026, 10, 25), time(2, 30), "Europe/Berlin", "2026-10-24T16:00", "2026-10-25T00:30"),
        # Clocks there go forward at midnight: 6 September 2026 has no 00:00.
        (date(2026, 9, 6), time(6, 0), "America/Santiago", "2026-09-05T22:00", "2026-09-06T09:00"),
    ],
)
def test_a_night_goes_from_the_evening_to_the_morning_by_the_clocks_there(
    day: date, at: time, zone: str, since: str, until: str
) -> None:
    found = night.before(day, at, zone)
    assert (found.since_us, found.until_us) == (us(since), us(until))


@pytest.mark.parametrize("zone", ["Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "UTC"])
@pytest.mark.parametrize("at", [time(0, 0), time(1, 45), time(2, 30), time(6, 30), time(23, 59)])
def test_one_morning_a_day_all_year(zone: str, at: time) -> None:
    now_us, days = us("2026-01-01T12:00"), []
    while now_us < us("2027-01-03T00:00"):
        due_us = night.next_us(now_us, at, zone)
        assert due_us > now_us
        told = night.latest(due_us, at, zone)
        assert told.until_us == due_us
        days.append(told.day)
        now_us = due_us
    assert all((later - earlier).days == 1 for earlier, later in itertools.pairwise(days))


def test_before_its_time_the_newest_morning_is_yesterdays() -> None:
    at, zone = time(6, 30), "Europe/London"
    assert night.latest(us("2026-07-02T05:29"), at, zone).day == date(2026, 7, 1)
    assert night.latest(us("2026-07-02T05:30"), at, zone).day == date(2026, 7, 2)
    assert to_datetime(night.next_us(us("2026-07-02T05:30"), at, zone)).date() == date(2026, 7, 3)

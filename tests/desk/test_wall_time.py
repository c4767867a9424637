"""Times at the site, in ordinary nights and in those in which clocks are changed."""

from __future__ import annotations

from datetime import datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from desk.core.wall_time import next_after, parse
from model.clock import to_datetime, to_us
from model.errors import BadInput


def us(text: str) -> int:
    return to_us(datetime.fromisoformat(text))


@pytest.mark.parametrize(
    ("wall", "after", "zone", "moment"),
    [
        ("18:00", "2026-11-02T12:00+01:00", "Europe/Berlin", "2026-11-02T18:00+01:00"),
        ("06:30", "2026-11-02T12:00+01:00", "Europe/Berlin", "2026-11-03T06:30+01:00"),
        # Exactly now is not after now.
        ("12:00", "2026-11-02T12:00+01:00", "Europe/Berlin", "2026-11-03T12:00+01:00"),
        # The night to summer time (EU: last Sunday of March, 01:00 UTC): 02:30 is skipped.
        ("06:30", "2026-03-28T18:00+01:00", "Europe/Berlin", "2026-03-29T06:30+02:00"),
        ("02:30", "2026-03-28T18:00+01:00", "Europe/Berlin", "2026-03-29T03:00+02:00"),
        # The night from summer time: 02:30 comes twice.
        ("02:30", "2026-10-24T18:00+02:00", "Europe/Berlin", "2026-10-25T02:30+02:00"),
        ("02:30", "2026-10-25T02:30+02:00", "Europe/Berlin", "2026-10-25T02:30+01:00"),
        ("02:30", "2026-10-25T02:30+01:00", "Europe/Berlin", "2026-10-26T02:30+01:00"),
        ("06:30", "2026-10-24T18:00+02:00", "Europe/Berlin", "2026-10-25T06:30+01:00"),
        # A change by half an hour.
        ("02:15", "2026-10-03T18:00+10:30", "Australia/Lord_Howe", "2026-10-04T02:30+11:00"),
    ],
)
def test_the_next_time_at_which_clocks_show_it(wall: str, after: str, zone: str, moment: str) -> None:
    assert to_datetime(next_after(parse(wall, "t"), us(after), zone)) == datetime.fromisoformat(moment)


@given(
    st.times().map(lambda t: t.replace(second=0, microsecond=0, tzinfo=None)),
    st.integers(us("2026-01-01T00:00+00:00"), us("2027-12-31T00:00+00:00")),
    st.sampled_from(["Europe/Berlin", "America/New_York", "Asia/Kolkata", "Australia/Lord_Howe"]),
)
def test_it_comes_after_and_within_a_day_and_an_hour(wall, after_us, zone) -> None:  # type: ignore[no-untyped-def]
    moment = next_after(wall, after_us, zone)
    assert 0 < moment - after_us <= 25 * 3600 * 1_000_000
    assert next_after(wall, moment - 1, zone) == moment


@pytest.mark.parametrize("text", ["", "24:00", "6:30", "06:60", "0630", "06:30:00"])
def test_what_is_no_time_is_said(text: str) -> None:
    with pytest.raises(BadInput, match="HH:MM"):
        parse(text, "report_at")

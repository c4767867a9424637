"""Moments in sentences that are kept."""

from __future__ import annotations

from model.clock import US
from model.instants import at_site, instant, moment_of, undated

AUTUMN_US = 1_792_886_400 * US
"""2026-10-25T00:00:00Z: an hour before the clocks go back in Berlin."""


def test_a_sentence_is_written_by_the_clocks_of_the_site_on_both_sides_of_a_change() -> None:
    said = f"From {instant(AUTUMN_US)} until {instant(AUTUMN_US + 3600 * US)}."
    assert said == "From 2026-10-25T00:00:00Z until 2026-10-25T01:00:00Z."
    assert at_site(said, "Europe/Berlin") == "From Sun 25 Oct, 02:00 until Sun 25 Oct, 02:00."
    assert at_site(said, "America/New_York") == "From Sat 24 Oct, 20:00 until Sat 24 Oct, 21:00."
    assert moment_of("2026-10-25T00:00:00Z").timestamp() * US == AUTUMN_US


def test_what_is_no_moment_stays() -> None:
    for text in ("At 06:30.", "Order 2026-10-25.", "2026-10-25T00:00:00+01:00", ""):
        assert at_site(text, "Europe/Berlin") == text
    assert undated(f"Since {instant(AUTUMN_US)}: flat.") == "Since : flat."

"""The trend of the last ten minutes: its word follows what the gauge can tell apart."""

from __future__ import annotations

import re

import pytest

from api.ten_minutes import HEIGHT, LENGTH_US, WIDTH, ten_minutes
from model.clock import US

NOW_US = 1_780_000_000 * US
GAP_US = 60 * US


def times(count: int = 61, step_s: int = 10) -> list[int]:
    return [NOW_US - (count - 1 - n) * step_s * US for n in range(count)]


@pytest.mark.parametrize(
    ("end_pa", "word"), [(62.0, "steady"), (64.9, "steady"), (70.0, "rising"), (50.0, "falling")]
)
def test_a_gauge_of_ten_percent_tells_no_change_below_its_step(end_pa: float, word: str) -> None:
    # Half the standard uncertainty of ±10 % at 66 Pa: 66 × 0.1/√3/2 = 1.9 Pa.
    at = times()
    values = [63.5 + (end_pa - 63.5) * n / 60 for n in range(61)]
    found = ten_minutes(at, values, NOW_US, 0.1, 66.66, GAP_US)
    assert found is not None
    assert found.word == word


def test_one_reading_that_jumps_is_no_trend() -> None:
    values = [66.0] * 60 + [90.0]
    found = ten_minutes(times(), values, NOW_US, 0.1, 66.66, GAP_US)
    assert found is not None
    assert found.word == "steady"


def test_older_readings_do_not_count_and_one_alone_is_no_trend() -> None:
    assert ten_minutes([], [], NOW_US, 0.1, 66.66, GAP_US) is None
    old = [NOW_US - LENGTH_US - 1, NOW_US]
    assert ten_minutes(old, [1e5, 50.0], NOW_US, 0.1, 66.66, GAP_US) is None


def test_a_gap_lifts_the_pen_and_the_curve_stays_in_its_frame() -> None:
    at = [one for one in times() if not NOW_US - 400 * US < one < NOW_US - 200 * US]
    found = ten_minutes(at, [1e5 / (n + 1) for n in range(len(at))], NOW_US, 0.1, 66.66, GAP_US)
    assert found is not None
    assert found.path.count("M") == 2
    places = [(float(x), float(y)) for x, y in re.findall(r"[ML]([\d.]+) (-?[\d.]+)", found.path)]
    assert all(0 <= x <= WIDTH and 0 <= y <= HEIGHT for x, y in places)
    assert found.target_y is None


def test_a_flat_line_is_not_blown_up_to_a_mountain() -> None:
    found = ten_minutes(times(), [66.0 + 0.2 * (n % 2) for n in range(61)], NOW_US, 0.1, 66.66, GAP_US)
    assert found is not None
    heights = [float(y) for y in re.findall(r"[ML][\d.]+ (-?[\d.]+)", found.path)]
    assert max(heights) - min(heights) < HEIGHT / 25
    assert found.target_y is not None

"""Looking ahead from means of readings: probability and time of a fail."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from scipy import stats

from analytics.core.curves import Data, Outlook, normal_cdf
from analytics.core.forecast import look_ahead

LENGTH_S = 1800.0
LIMIT_PA = 333.0


def seen(
    curve: Callable[[float], float], until_s: float, seed: int, *, noise: float = 0.01, every_s: float = 30.0
) -> Outlook:
    generator = np.random.default_rng(seed)
    times = np.arange(60.0, until_s, every_s)
    true = np.array([curve(float(t)) for t in times])
    shown = true * (1 + noise / np.sqrt(3.0) * generator.standard_normal(len(times)))
    return look_ahead(Data(times, shown, np.full(len(times), 3.0), noise, 0.0), LENGTH_S, LIMIT_PA)


def test_normal_distribution_against_scipy() -> None:
    z = np.linspace(-8, 8, 401)
    assert normal_cdf(z) == pytest.approx(stats.norm.cdf(z), abs=1e-6)


@pytest.mark.parametrize("seed", range(5))
def test_a_straight_rise_is_expected_where_a_straight_line_meets_the_limit(seed: int) -> None:
    outlook = seen(lambda t: 66 + 0.4 * t, 400, seed)
    assert outlook.probability > 0.9
    assert outlook.crossing is not None
    middle, low, high = outlook.crossing
    assert low < 667.5 < high
    assert middle == pytest.approx(667.5, rel=0.15)


def test_a_flat_hold_is_not_expected_to_fail() -> None:
    outlook = seen(lambda t: 66.0, 400, 1)
    assert outlook.probability < 0.01
    assert outlook.crossing is None


def test_a_bend_that_begins_to_show_takes_the_alarm_back() -> None:
    # Levels off at 290 Pa; the straight line through the first third meets the limit at 60 %.
    curve = lambda t: 66 + 224 * (1 - np.exp(-t / 400))  # noqa: E731
    assert seen(curve, 1200, 2).probability < 0.05


def test_the_interval_narrows_as_the_hold_goes_on() -> None:
    widths = []
    for until in (300, 500, 700):
        crossing = seen(lambda t: 66 + 0.3 * t, until, 3).crossing
        assert crossing is not None
        widths.append(crossing[2] - crossing[1])
    assert widths[0] > widths[1] > widths[2]


def test_a_slope_that_begins_late_is_believed() -> None:
    curve = lambda t: 66 + 0.4 * max(t - 700, 0)  # noqa: E731
    assert seen(curve, 700, 4).probability < 0.05
    outlook = seen(curve, 1000, 4)
    assert outlook.probability > 0.95
    assert outlook.crossing is not None
    assert outlook.crossing[1] < 700 + 267 / 0.4 < outlook.crossing[2]


def test_probabilities_of_an_early_look_are_right_on_the_average() -> None:
    """Straight leaks of all sizes at a fifth of the hold: of those at 20 to 80 %, about the mean fails."""
    generator = np.random.default_rng(8)
    told, came = [], []
    for seed in range(150):
        slope = 267 / LENGTH_S * float(np.exp(generator.uniform(-0.5, 0.5)))
        outlook = seen(lambda t, slope=slope: 66 + slope * t, 400, seed, noise=0.02)  # type: ignore[misc]
        told.append(outlook.probability)
        came.append(66 + slope * LENGTH_S > LIMIT_PA)
    probabilities, outcomes = np.array(told), np.array(came)
    assert probabilities[outcomes].mean() - probabilities[~outcomes].mean() > 0.2
    assert abs(probabilities.mean() - outcomes.mean()) < 0.15

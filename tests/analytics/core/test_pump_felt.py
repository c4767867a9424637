"""A valve that reports closed and did not close: the pressure goes on falling as under a pump."""

from __future__ import annotations

import math
import random
from collections.abc import Callable

import pytest

from model.judgement import HoldTest, Verdict
from model.reading import Quantity
from tests.analytics.core.curves import THERMOMETER, held, judge, state

Curve = Callable[[float], float]


def seen(curve: Curve, rng: random.Random, *more: object) -> HoldTest:
    samples = held(lambda t: curve(t) * (1 + 0.01 * rng.gauss(0, 1)), 2000, 5, to_pa=60)
    (hold,) = judge([*samples, *more]).holds  # type: ignore[list-item]
    return hold


def hose(t: float) -> float:
    """A pump behind a hose goes on drawing: P falls like 1/t (viscous flow, vacuum handbooks)."""
    return 1 / (1 / 60 + t / 30_000)


def test_a_fall_that_goes_on_is_a_pump_that_is_felt_and_changes_no_verdict(rng: random.Random) -> None:
    for _ in range(20):
        hold = seen(hose, rng)
        assert hold.pump_felt
        assert hold.verdict is Verdict.PASSED


@pytest.mark.parametrize(
    "curve",
    [
        lambda t: 60.0,
        lambda t: 60 + 0.02 * t,
        lambda t: 30 + 30 * math.exp(-t / 250),  # evening out through long thin pipe, towards the mean
        lambda t: 20 + 40 * math.exp(-t / 30),  # a pump at its end pressure: flat, and nothing tells
    ],
    ids=["tight", "leak", "evening out", "flat at its end"],
)
def test_what_levels_off_or_rises_is_not(curve: Curve, rng: random.Random) -> None:
    assert not seen(curve, rng).pump_felt


def test_a_fall_with_a_falling_temperature_is_not(rng: random.Random) -> None:
    cooling = [
        state(t, Quantity.TEMPERATURE, 293 - 0.002 * max(t, 0), THERMOMETER) for t in range(-100, 2000, 50)
    ]
    assert not seen(hose, rng, *cooling).pump_felt
    steady = [state(t, Quantity.TEMPERATURE, 293.0, THERMOMETER) for t in range(-100, 2000, 50)]
    assert seen(hose, rng, *steady).pump_felt

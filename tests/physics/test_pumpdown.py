"""Pump-down times against worked examples."""

from __future__ import annotations

import math

import pytest

from physics import pumpdown

LITRE = 1e-3


@pytest.mark.parametrize(("target_mbar", "seconds"), [(500.0, 6.9), (100.0, 23.0)])
def test_worked_example_of_the_vacuum_handbook(target_mbar: float, seconds: float) -> None:
    # Vacuum handbook, as given on the trade page: 1 m³, 0.1 m³/s, from 1000 mbar.
    time = pumpdown.time_to_pressure(1.0, 0.1, 1000e2, target_mbar * 100)
    assert time == pytest.approx(seconds, abs=0.05)


def test_twenty_litres_with_six_cfm_to_500_micron() -> None:
    # Trade page, ideal: 51.75 s.
    speed = 6 * 0.3048**3 / 60
    assert pumpdown.time_to_pressure(20 * LITRE, speed, 101_325.0, 66.66) == pytest.approx(51.75, abs=0.01)


def test_end_pressure_with_load() -> None:
    # P_ultimate + Q/S_eff with 1/S_eff = 1/S + 1/C, by hand: 1/(1/2 + 1/2) = 1 l/s.
    speed = pumpdown.effective_speed(2 * LITRE, 2 * LITRE)
    assert speed == pytest.approx(1 * LITRE)
    assert pumpdown.end_pressure(3.0, 5e-3, speed) == pytest.approx(8.0)


def test_a_target_below_the_end_pressure_is_never_reached() -> None:
    assert pumpdown.time_to_pressure(0.01, 1e-3, 1e5, 7.9, 3.0, 5e-3) == math.inf
    assert pumpdown.time_to_pressure(0.01, 1e-3, 50.0, 60.0) == 0.0


def test_load_makes_it_slower() -> None:
    ideal = pumpdown.time_to_pressure(0.01, 1e-3, 1e5, 60.0)
    assert pumpdown.time_to_pressure(0.01, 1e-3, 1e5, 60.0, 3.0, 5e-3) > ideal

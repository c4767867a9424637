"""What a gauge makes of a pressure."""

from __future__ import annotations

import math

import pytest

from physics.units import MICRON_PA
from simulator.gauge import Gauge, GaugeData, in_unit

EXACT = GaugeData(noise=0.0, lag_s=0.0, steps=((math.inf, 1e-6),))


def test_scale_and_offset() -> None:
    gauge = Gauge(GaugeData(scale=1.1, offset_pa=-0.3, noise=0.0, lag_s=0.0, steps=((math.inf, 1e-6),)), "s")
    assert gauge.read(100.0, 0.0, 1.0).pressure_pa == pytest.approx(109.7)


def test_vapour_is_felt_with_its_own_sensitivity() -> None:
    gauge = Gauge(GaugeData(noise=0.0, lag_s=0.0, vapour_factor=1.2, steps=((math.inf, 1e-6),)), "s")
    assert gauge.read(10.0, 100.0, 1.0).pressure_pa == pytest.approx(130.0)


@pytest.mark.parametrize(("micron", "step"), [(437.4, 1), (1234.0, 10), (7777.0, 50)])
def test_display_steps_by_range(micron: float, step: int) -> None:
    # Trade page: many gauges step by 1, 10, 50 or 100 micron by range (common practice, no source).
    shown = Gauge(GaugeData(noise=0.0, lag_s=0.0), "s").read(micron * MICRON_PA, 0.0, 1.0).pressure_pa
    assert shown is not None
    assert shown / MICRON_PA == pytest.approx(round(micron / step) * step)


def test_lag_is_a_first_order_one() -> None:
    gauge = Gauge(GaugeData(noise=0.0, lag_s=2.0, steps=((math.inf, 1e-9),)), "s")
    gauge.read(0.0, 0.0, 1.0)
    assert gauge.read(100.0, 0.0, 2.0).pressure_pa == pytest.approx(100 * (1 - math.exp(-1)))


def test_at_and_above_the_top_is_overrange() -> None:
    gauge = Gauge(GaugeData(noise=0.0, lag_s=0.0, top_pa=1000.0), "s")
    assert not gauge.read(990.0, 0.0, 1.0).overrange
    assert gauge.read(1000.0, 0.0, 1.0).overrange


def test_noise_is_a_share_of_the_reading_and_the_same_for_the_same_seed() -> None:
    data = GaugeData(noise=0.01, lag_s=0.0, steps=((math.inf, 1e-9),))
    one, same, other = Gauge(data, "a"), Gauge(data, "a"), Gauge(data, "b")
    first = [one.read(100.0, 0.0, 1.0).pressure_pa or 0.0 for _ in range(2000)]
    assert first == [same.read(100.0, 0.0, 1.0).pressure_pa for _ in range(2000)]
    assert first != [other.read(100.0, 0.0, 1.0).pressure_pa for _ in range(2000)]
    spread = math.sqrt(sum((value - 100.0) ** 2 for value in first) / len(first))
    assert spread == pytest.approx(1.0, rel=0.1)


def test_battery_runs_flat() -> None:
    gauge = Gauge(GaugeData(battery_hours=2.0), "s")
    gauge.read(60.0, 0.0, 3600.0)
    assert gauge.battery_percent == pytest.approx(50.0)
    gauge.read(60.0, 0.0, 3600.0)
    assert gauge.flat


def test_values_are_sent_without_the_dust_of_conversion() -> None:
    shown = Gauge(GaugeData(noise=0.0, lag_s=0.0), "s").read(500.2 * MICRON_PA, 0.0, 1.0).pressure_pa
    assert shown is not None
    assert in_unit(shown, "micron") == 500.0

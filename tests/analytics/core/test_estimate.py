"""Shapes, weights, the leak rate's interval and the coefficients that come with the program."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.core import estimate
from analytics.core.binned import Binned, binned
from analytics.core.cause import diagnose
from analytics.core.shapes import LEAK, TAIL, WATER, Fits, error_covariance, fit_shapes
from model.judgement import Cause, Diagnosis
from physics.types import FloatArray
from physics.water import saturation_pressure

T = np.arange(0.0, 7201.0, 5.0)
SETTLE, HOLD = 120.0, 7200.0


@pytest.fixture(params=[1, 2])
def rng(request: pytest.FixtureRequest) -> np.random.Generator:
    return np.random.default_rng(int(request.param))


def read(curve: FloatArray, rng: np.random.Generator, share: float = 0.005) -> FloatArray:
    return np.asarray(curve * (1 + share * rng.standard_normal(len(curve))))


def fitted(curve: FloatArray, rng: np.random.Generator, kelvin: FloatArray | None = None) -> Fits:
    return fit_shapes(binned(T, read(curve, rng), kelvin, SETTLE, None), settle_s=SETTLE, end_s=HOLD)


def said(
    curve: FloatArray,
    rng: np.random.Generator,
    kelvin: FloatArray | None = None,
    *,
    limit: float = 250.0,
    volume_m3: float | None = None,
) -> Diagnosis:
    start = float(np.interp(SETTLE, T, curve))
    return diagnose(
        T,
        read(curve, rng),
        kelvin,
        start_pa=start,
        limit_pa=limit,
        settle_s=SETTLE,
        hold_s=HOLD,
        volume_m3=volume_m3,
    )


STEADY = np.full(len(T), 293.15)


def test_weights_add_to_one_and_no_part_is_negative(rng: np.random.Generator) -> None:
    fits = fitted(60 + 0.01 * T, rng)
    assert fits.weights.sum() == pytest.approx(1)
    assert np.all(fits.size >= 0)
    assert np.exp(fits.evidence).sum() == pytest.approx(1)


@pytest.mark.parametrize(
    ("curve", "kind", "added"),
    [
        (60 + 0.02 * T, LEAK, 0.02 * (HOLD - SETTLE)),
        (60 + 200 * -np.expm1(-T / 900), WATER, 200 * (np.exp(-SETTLE / 900) - np.exp(-HOLD / 900))),
        (60 + 50 * np.log1p(T / 500), TAIL, 50 * np.log((500 + HOLD) / (500 + SETTLE))),
    ],
)
def test_a_pure_part_is_found_with_its_size(
    curve: FloatArray, kind: int, added: float, rng: np.random.Generator
) -> None:
    fits = fitted(curve, rng, STEADY)
    best = np.argmax(fits.weights)
    assert fits.size[best, kind] == pytest.approx(added, rel=0.05)
    assert fits.size[best].sum() == pytest.approx(fits.size[best, kind])


@pytest.mark.parametrize("sign", [-1, 1])
def test_evening_out_of_either_sign_is_no_cause(sign: int, rng: np.random.Generator) -> None:
    # Ten minutes of it, as through 50 m of 8 mm bore (trade page).
    curve = 60 * (1 + sign * 0.15 * np.exp(-T / 200))
    assert said(curve, rng, STEADY).probabilities[Cause.TIGHT] > 0.7


def test_vapour_never_ends_above_saturation(rng: np.random.Generator) -> None:
    # A rise that goes on bending far above what water at 20 °C can hold.
    fits = fitted(100 + 9000 * -np.expm1(-T / 6000), rng, STEADY)
    assert float(saturation_pressure(293.15)) == pytest.approx(2339.2, abs=0.1)  # IAPWS
    assert float(fits.weights @ fits.size[:, WATER]) < 1.2 * 2500


def test_a_sunrise_over_dry_gas_is_no_leak(rng: np.random.Generator) -> None:
    kelvin = 285 + 10 / (1 + np.exp(-(T - 3600) / 600))
    curve = 150 * kelvin / kelvin[0]
    found = said(curve, rng, kelvin)
    assert found.cause is Cause.TIGHT
    assert "temperature changed by +9.9 K" in " ".join(found.evidence) or "+10.0 K" in " ".join(
        found.evidence
    )


def test_a_leak_that_opens_late_is_found_with_its_rate_and_time(rng: np.random.Generator) -> None:
    curve = 60 + 0.05 * np.maximum(T - 4000, 0)
    found = said(curve, rng, STEADY)
    assert found.cause is Cause.LEAK
    assert found.leak_pa_per_s is not None
    assert found.leak_pa_per_s.value == pytest.approx(0.05, rel=0.15)
    assert "joint" in " ".join(found.evidence)


@pytest.mark.parametrize("kelvin", [None, STEADY])
def test_nothing_that_leaks_has_an_interval_that_begins_at_zero(
    kelvin: FloatArray | None, rng: np.random.Generator
) -> None:
    found = said(np.full_like(T, 60.0), rng, kelvin).leak_pa_per_s
    assert found is not None
    assert found.low == 0
    assert found.high < 0.5 * (250 - 60) / HOLD


def test_without_a_thermometer_the_interval_is_wider() -> None:
    curve = np.interp(np.arange(0, 36_001.0, 30), [0, 36_001], [200, 206])
    t = np.arange(0, 36_001.0, 30)
    p = read(curve, np.random.default_rng(3))
    wide, narrow = (
        diagnose(t, p, kelvin, start_pa=200, limit_pa=230, settle_s=120, hold_s=36_000).leak_pa_per_s
        for kelvin in (None, np.full(len(t), 293.15))
    )
    assert wide is not None
    assert narrow is not None
    assert wide.high - wide.low > 1.1 * (narrow.high - narrow.low)


def test_volume_and_scale_errors_enter_what_is_absolute(rng: np.random.Generator) -> None:
    found = said(60 + 0.05 * T, rng, STEADY, volume_m3=0.010)
    slope, rate = found.leak_pa_per_s, found.leak_pa_m3_per_s
    assert slope is not None
    assert rate is not None
    assert rate.value == pytest.approx(slope.value * 0.010)
    assert slope.high - slope.value >= 0.07 * slope.value  # ±10 % of the gauge
    assert rate.high - rate.value >= 0.3 * rate.value  # ±30 % of the volume
    # 1 Pa·m³/s is 10 mbar·l/s [Fundamentals of leak detection].
    told = found.leak_mbar_l_per_s
    assert told is not None
    assert (told.value, told.low, told.high) == pytest.approx(
        (10 * rate.value, 10 * rate.low, 10 * rate.high)
    )


def test_the_covariance_of_the_errors_is_positive(rng: np.random.Generator) -> None:
    t = np.linspace(120, 36_000, 60)
    for kelvin in (None, 290 + t / 7200):
        seen = Binned(t, 60 + t / 1000, np.full(60, 0.05), kelvin, 6000, 0.01, 0.0, 0.0)
        covariance = error_covariance(seen, seen.p)
        assert np.all(np.linalg.eigvalsh(covariance) > 0)


def test_the_coefficients_tell_where_they_come_from() -> None:
    known = estimate.calibration()
    assert known.origin["made by"] == "python -m bench.calibrate"
    assert int(str(known.origin["holds"])) >= 5000
    seen = len(known.causes.middle)
    for one, outputs in ((known.causes, len(estimate.CAUSES)), (known.levels, 2)):
        figures, hidden = len(one.middle), one.hidden.shape[1]
        assert one.hidden.shape == (figures + 1, hidden)
        assert one.last.shape == (figures + hidden + 1, outputs)
        assert np.all(one.spread > 0)
    assert len(known.levels.middle) == seen + len(estimate.CAUSES)


def test_the_same_readings_give_the_same_answer(rng: np.random.Generator) -> None:
    p = read(60 + 0.01 * T, rng)
    one, other = (
        diagnose(T, p, start_pa=60.0, limit_pa=250.0, settle_s=SETTLE, hold_s=HOLD) for _ in range(2)
    )
    assert one == other

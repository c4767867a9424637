"""Means of the readings of a hold, and what they say of the gauge: noise, display step, lag."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from analytics.core.binned import BINS, binned

T = np.arange(0.0, 7200.0)
CURVE = 60 + 0.01 * T


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(4)


@pytest.mark.parametrize("noise", [0.003, 0.01, 0.03])
def test_noise_is_found_as_a_share_of_the_pressure(noise: float, rng: np.random.Generator) -> None:
    seen = binned(T, CURVE * (1 + noise * rng.standard_normal(len(T))), None, 120, None)
    assert seen.noise == pytest.approx(noise, rel=0.05)
    assert seen.lag_s == pytest.approx(0, abs=1)
    assert seen.step_pa == 0


@pytest.mark.parametrize("step", [0.1333, 1.333, 6.666, 13.33])
def test_display_step(step: float, rng: np.random.Generator) -> None:
    p = np.round(CURVE * (1 + 0.005 * rng.standard_normal(len(T))) / step) * step
    assert binned(T, p, None, 120, None).step_pa == pytest.approx(step, rel=0.01)


@pytest.mark.parametrize("lag", [5.0, 20.0])
def test_lag_shows_in_errors_that_are_alike(lag: float, rng: np.random.Generator) -> None:
    keep = np.exp(-1 / lag)
    slow = lfilter([np.sqrt(1 - keep**2)], [1, -keep], rng.standard_normal(len(T)))
    seen = binned(T, CURVE * (1 + 0.01 * slow), None, 120, None)
    assert 0.5 * lag < seen.lag_s < 1.5 * lag
    # Of n readings that err alike a mean is worth n·(1 − r)/(1 + r).
    fresh = binned(T, CURVE * (1 + 0.01 * rng.standard_normal(len(T))), None, 120, None)
    assert float(np.median(seen.sd / fresh.sd)) == pytest.approx(np.sqrt(2 * lag), rel=0.4)


@pytest.mark.parametrize("lag", [0.0, 8.0])
def test_errors_of_the_means_are_as_large_as_said(lag: float, rng: np.random.Generator) -> None:
    pulls = []
    for _ in range(20):
        noise = rng.standard_normal(len(T))
        if lag:
            keep = np.exp(-1 / lag)
            noise = lfilter([np.sqrt(1 - keep**2)], [1, -keep], noise)
        seen = binned(T, CURVE * (1 + 0.01 * noise), None, 120, None)
        pulls.append((seen.p - np.interp(seen.t, T, CURVE)) / seen.sd)
    assert float(np.std(pulls)) == pytest.approx(1, abs=0.2)
    assert float(np.mean(pulls)) == pytest.approx(0, abs=0.15)


def test_spikes_do_not_move_the_means(rng: np.random.Generator) -> None:
    p = CURVE * (1 + 0.01 * rng.standard_normal(len(T)))
    hit = p.copy()
    hit[::97] *= 8
    clean, spiked = (binned(T, one, None, 120, None) for one in (p, hit))
    assert np.all(np.abs(np.interp(clean.t, spiked.t, spiked.p) - clean.p) < 3 * clean.sd)
    assert spiked.noise == pytest.approx(0.01, rel=0.1)


def test_settling_the_top_and_what_is_no_number_are_left_out(rng: np.random.Generator) -> None:
    p = CURVE * (1 + 1e-3 * rng.uniform(-1, 1, len(T)))
    p[700:720] = np.nan
    p[5000:] = 200.0
    seen = binned(T, p, None, 600, 200.0)
    assert seen.n == 4380
    assert seen.t[0] >= 600
    assert len(seen.t) <= BINS


def test_temperature_at_the_means(rng: np.random.Generator) -> None:
    kelvin = 290 + T / 1000 + 0.2 * rng.standard_normal(len(T))
    kelvin[100:4000:3] = np.nan
    seen = binned(T, CURVE, kelvin, 120, None)
    assert seen.kelvin is not None
    assert np.all(np.abs(seen.kelvin - 290 - seen.t / 1000) < 0.3)
    assert binned(T, CURVE, np.full_like(T, np.nan), 120, None).kelvin is None


@pytest.mark.parametrize("n", [0, 1, 2, 9])
def test_few_readings(n: int) -> None:
    seen = binned(T[:n] + 200, CURVE[:n], None, 120, None)
    assert len(seen.t) == n
    assert np.all(seen.sd > 0)

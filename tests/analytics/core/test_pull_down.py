"""A running pull-down: bounded memory, the time to the target, the speed, and why the pressure stands."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analytics.core import pull_model
from analytics.core.pull_cells import Cells, fold, means
from analytics.core.pull_down import TRIPLE_PA, Known, PullDown, Standing, State, judge
from analytics.core.pull_words import ISOLATE, advice, sentences
from physics.constants import ATMOSPHERE_PA
from physics.flow import viscous_conductance
from physics.pumpdown import time_to_pressure
from physics.types import FloatArray
from physics.water import saturation_pressure

NOBODY = 1e-9
TARGET_PA = 66.66


def figures(s: float, h: float = NOBODY, m: float = NOBODY) -> FloatArray:
    """A pump of S/V = s behind a hose, without ultimate pressure or gas load."""
    whole = np.full(pull_model.FIGURES, math.log(NOBODY))
    whole[pull_model.SPEED] = math.log(s)
    whole[pull_model.HOSE], whole[pull_model.MOLECULAR] = math.log(h), math.log(m)
    whole[pull_model.LEVEL] = math.log(ATMOSPHERE_PA)
    return whole[None]


def when(pressure_pa: float, start_pa: float, s: float) -> float:
    """Time at which the model comes to a pressure [s]."""
    t = np.linspace(0.0, 3 * math.log(start_pa / pressure_pa) / s, 400)
    one = figures(s)
    one[0, pull_model.LEVEL] = math.log(start_pa)
    y = pull_model.run(one, t, np.zeros_like(t), pull_model.Scene(TARGET_PA, float(t[-1])))[0]
    return float(np.interp(-math.log(pressure_pa), -y, t))


@pytest.mark.parametrize(("end_pa", "seconds"), [(50_000.0, 6.9), (10_000.0, 23.0)])
def test_the_model_meets_the_handbooks_example_of_a_cubic_metre(end_pa: float, seconds: float) -> None:
    # V = 1 m³, S = 0.1 m³/s: 1000 → 500 mbar 6.9 s, → 100 mbar 23 s; trade page, from a vacuum handbook.
    assert when(end_pa, 100_000.0, 0.1) == pytest.approx(seconds, abs=0.05)


def test_the_model_meets_the_ideal_of_twenty_litres_and_six_cubic_feet_a_minute() -> None:
    # 51.75 s, computed on the trade page; `physics.pumpdown` says the same.
    speed = 6 * 0.3048**3 / 60
    assert when(66.66, ATMOSPHERE_PA, speed / 0.020) == pytest.approx(51.75, abs=0.05)
    assert time_to_pressure(0.020, speed, ATMOSPHERE_PA, 66.66) == pytest.approx(51.75, abs=0.01)


def test_a_hose_alone_passes_what_the_handbooks_figure_says() -> None:
    # 6.35 mm × 1.5 m at 133.3 Pa mean passes 0.195 l/s viscous (135 d⁴P̄/L, vacuum handbooks; trade page).
    # With a pump without limit the pressure at its inlet is nothing, so the mean is half of the circuit's.
    hose = viscous_conductance(6.35e-3, 1.5, 1.0)
    pump, volume = 10.0, 0.01
    one = figures(pump / volume, pump / hose, NOBODY)
    curves = pull_model.Curves.of(one, pull_model.Scene(TARGET_PA, 100.0))
    fall, _ = curves.net(np.array([2 * 133.3]), 100.0)
    assert fall[0] * volume / (2 * 133.3) == pytest.approx(0.195e-3, rel=0.01)


def test_behind_a_long_hose_the_pressure_falls_like_one_over_time() -> None:
    t = np.geomspace(1.0, 1e4, 200)
    one = figures(10.0, 1e7)
    y = pull_model.run(one, t, np.zeros_like(t), pull_model.Scene(TARGET_PA, 1e4))[0]
    assert (y[-1] - y[-60]) / math.log(t[-1] / t[-60]) == pytest.approx(-1.0, abs=0.02)


def test_the_triple_point_is_the_published_one() -> None:
    # 611.657 Pa: Guildner, Johnson and Jones, J. Res. NBS 80A (1976) 505.
    assert TRIPLE_PA == 611.657
    assert saturation_pressure(273.16) == pytest.approx(TRIPLE_PA, rel=1e-3)


# Memory --------------------------------------------------------------------------------------------------


def pulled(
    rng: np.random.Generator, until_s: float, every_s: float = 1.0, end_pa: float = 20.0, noise: float = 0.01
) -> tuple[FloatArray, FloatArray]:
    """A pump that is slowed by its hose below some hundred pascal, and its readings."""
    t = np.arange(0.0, until_s, every_s)
    p = [ATMOSPHERE_PA]
    for _ in t[1:]:
        step = every_s / 20
        now = p[-1]
        for _ in range(20):
            now -= step * 0.05 * (now - end_pa) * now / (now + 300.0)
        p.append(now)
    return t, np.array(p) * (1 + noise * rng.standard_normal(len(t)))


@pytest.mark.parametrize("seed", range(4))
def test_readings_one_by_one_and_all_at_once_come_to_the_same(seed: int) -> None:
    rng = np.random.default_rng(seed)
    t, p = pulled(rng, 900.0)
    p[rng.integers(len(p), size=5)] *= 4.0
    whole = fold(Cells(), t, p, 50_000.0)
    bits, at = Cells(), 0
    while at < len(t):
        size = int(rng.integers(1, 40)) if seed else 1
        bits = fold(bits, t[at : at + size], p[at : at + size], 50_000.0)
        at += size
    assert bits.rows.shape == whole.rows.shape
    assert np.allclose(bits.rows, whole.rows)
    assert bits.noise == pytest.approx(whole.noise)
    assert bits.low == whole.low


def test_a_day_at_ten_readings_a_second_is_kept_in_two_hundred_cells() -> None:
    rng = np.random.default_rng(1)
    t = np.arange(0.0, 86_400.0, 0.1)
    p = (ATMOSPHERE_PA * np.exp(-t / 60) + 4e4 / (1 + t) + 30) * (1 + 0.01 * rng.standard_normal(len(t)))
    cells = fold(Cells(), t, p)
    assert len(cells.rows) <= 220
    assert len(means(cells, 40).t) <= 40


@pytest.mark.parametrize("noise", [0.003, 0.01, 0.03])
def test_the_noise_is_told_from_the_readings(noise: float) -> None:
    rng = np.random.default_rng(2)
    t, p = pulled(rng, 1800.0, noise=noise)
    assert fold(Cells(), t, p).noise == pytest.approx(noise, rel=0.15)


def test_a_spike_does_not_move_the_lowest_pressure() -> None:
    t, p = pulled(np.random.default_rng(3), 600.0)
    cut = p.copy()
    cut[300] /= 50
    assert fold(Cells(), t, cut).low == pytest.approx(fold(Cells(), t, p).low, abs=0.02)


def test_gas_let_in_begins_the_pull_down_again() -> None:
    _, p = pulled(np.random.default_rng(3), 600.0)
    again = np.concatenate([p, p[:300]])
    t = np.arange(len(again), dtype=float)
    cells = fold(Cells(), t, again)
    bits = Cells()
    for one in range(len(t)):
        bits = fold(bits, t[one : one + 1], again[one : one + 1])
    assert np.allclose(bits.rows, cells.rows)
    assert cells.begun_s == pytest.approx(600.0, abs=2.0)


def test_readings_of_one_moment_that_run_up_and_down_are_taken_in_to_the_end() -> None:
    p = np.tile([100.0, 100.0, 100.0, 5000.0, 5000.0, 5000.0], 50)
    cells = fold(Cells(), np.full(len(p), 1e9), p)
    assert cells.last_s == 1e9
    assert math.exp(cells.low) == pytest.approx(5000.0)


def test_readings_at_the_top_of_the_range_tell_only_that_the_pump_runs() -> None:
    t, p = pulled(np.random.default_rng(4), 600.0)
    cells = fold(Cells(), t, np.minimum(p, 3333.0), 3333.0)
    assert cells.begun_s == 0.0
    assert math.exp(means(cells, 400).y[0]) < 3333.0


# The time to the target ----------------------------------------------------------------------------------


def said_at(t: FloatArray, p: FloatArray, ten: float, known: Known | None = None) -> tuple[PullDown, float]:
    """What is said when the pressure comes to so many times the target, and the time then left [s]."""
    at = int(np.argmax(p <= ten * TARGET_PA))
    left = float(t[np.argmax(p <= TARGET_PA)] - t[at])
    return judge(fold(Cells(), t[: at + 1], p[: at + 1]), TARGET_PA, known), left


@pytest.mark.parametrize("every_s", [0.2, 1.0, 10.0])
def test_a_dry_pull_down_behind_a_hose_is_foretold(every_s: float) -> None:
    t, p = pulled(np.random.default_rng(5), 1800.0, every_s, end_pa=5.0)
    said, left = said_at(t, p, 10.0)
    assert said.state is State.FALLING
    assert said.until is not None
    assert said.until.value == pytest.approx(left, rel=0.35)
    assert said.until.high is not None
    assert said.until.low < left < said.until.high


def test_an_exponential_drawn_on_would_come_too_early() -> None:
    t, p = pulled(np.random.default_rng(5), 1800.0, end_pa=5.0)
    said, left = said_at(t, p, 10.0)
    at = int(np.argmax(p <= 10 * TARGET_PA))
    slope = math.log(p[at - 20] / p[at]) / (t[at] - t[at - 20])
    straight = math.log(10.0) / slope
    assert straight < 0.6 * left
    assert said.until is not None
    assert said.until.value is not None
    assert abs(said.until.value - left) < abs(straight - left)


def test_it_is_said_from_the_first_minutes_on_and_gets_narrower() -> None:
    t, p = pulled(np.random.default_rng(6), 1800.0, end_pa=5.0)
    widths = []
    for ten in (100.0, 10.0, 2.0):
        until = said_at(t, p, ten)[0].until
        assert until is not None
        widths.append(math.inf if until.high is None else until.high / until.low)
    assert widths[0] > widths[1] > widths[2]


def test_before_the_pressure_has_fallen_nothing_is_said() -> None:
    t = np.arange(20.0)
    said = judge(fold(Cells(), t, np.full(20, ATMOSPHERE_PA)), TARGET_PA)
    assert said.state is State.EARLY
    assert said.until is None
    assert judge(Cells(), TARGET_PA).state is State.EARLY


def test_at_the_target_it_is_reached_and_not_called_finished() -> None:
    t, p = pulled(np.random.default_rng(7), 1800.0, end_pa=5.0)
    said = judge(fold(Cells(), t, p), TARGET_PA)
    assert said.state is State.REACHED
    assert "not finished before a hold" in sentences(said, TARGET_PA)[0]


def test_an_end_pressure_above_the_target_is_said_to_be_no_matter_of_time() -> None:
    t = np.arange(0.0, 400.0)
    p = (200.0 + ATMOSPHERE_PA * np.exp(-t / 40)) * (
        1 + 0.003 * np.random.default_rng(8).standard_normal(400)
    )
    said = judge(fold(Cells(), t, p), TARGET_PA)
    assert said.until is not None
    assert said.until.value is None
    assert said.until.high is None
    assert said.until.never > 0.5


def test_the_same_readings_say_the_same() -> None:
    t, p = pulled(np.random.default_rng(9), 300.0)
    assert judge(fold(Cells(), t, p), TARGET_PA) == judge(fold(Cells(), t, p), TARGET_PA)


# The speed -----------------------------------------------------------------------------------------------


def test_speed_over_volume_needs_no_volume_and_the_speed_does() -> None:
    t, p = pulled(np.random.default_rng(10), 200.0, 0.5, end_pa=5.0)
    plain = judge(fold(Cells(), t, p), TARGET_PA)
    assert plain.now is not None
    assert plain.now.m3_s is None
    pressure = plain.now.pressure_pa
    true = 0.05 * pressure / (pressure + 300.0)
    assert plain.now.per_s.low < true < plain.now.per_s.high
    with_volume = judge(fold(Cells(), t, p), TARGET_PA, Known(volume_m3=0.02, pump_m3_s=1e-3)).now
    assert with_volume is not None
    assert with_volume.m3_s is not None
    assert with_volume.m3_s.low < true * 0.02 < with_volume.m3_s.high
    assert with_volume.of_rating == pytest.approx(true * 0.02 / 1e-3, rel=0.3)


def test_a_speed_far_below_what_pump_and_hose_give_is_called_held_back() -> None:
    # Pump and hose would give S/V = 0.4 1/s even at 10 Pa; what is there falls from 0.05 1/s below 300 Pa.
    t, p = pulled(np.random.default_rng(11), 2400.0, 2.0, end_pa=5.0)
    known = Known(volume_m3=0.2, pump_m3_s=0.1, bore_m=25e-3, length_m=1.0)
    said = judge(fold(Cells(), t, p), 2.0, known)
    assert said.now is not None
    assert said.now.held_back
    assert "core" in " ".join(sentences(said, 2.0))
    free = judge(fold(Cells(), t, p), 2.0, Known(volume_m3=0.02, pump_m3_s=1e-3, bore_m=4e-3, length_m=2.0))
    assert free.now is not None
    assert not free.now.held_back


# Where it stands -----------------------------------------------------------------------------------------


def standing(end_pa: float, seconds: float = 1800.0, ambient_k: float = 293.15) -> PullDown:
    t, p = pulled(np.random.default_rng(12), seconds, end_pa=end_pa)
    return judge(fold(Cells(), t, p), TARGET_PA, Known(ambient_k=ambient_k))


@pytest.mark.parametrize("end_pa", [611.657, 1000.0, 2300.0])
def test_a_plateau_between_ice_and_saturation_is_called_free_water_with_a_lower_bound_only(
    end_pa: float,
) -> None:
    said = standing(end_pa)
    assert said.state is State.STANDING
    assert said.stall is not None
    assert said.stall.named is Standing.WATER
    assert said.until is not None
    assert said.until.value is None
    assert said.until.high is None
    # 66.66 Pa from there at S/V = 0.05 1/s and falling: not before half a minute.
    assert 30.0 < said.until.low < 600.0
    assert said.now is None
    assert ("triple point" in " ".join(sentences(said, TARGET_PA))) is (end_pa == 611.657)
    assert "warm" in advice(said)


@pytest.mark.parametrize("end_pa", [110.0, 150.0])
def test_a_flat_line_far_below_saturation_cannot_be_told_apart_and_is_to_be_isolated(end_pa: float) -> None:
    said = standing(end_pa, 3600.0)
    assert said.stall is not None
    assert said.stall.named is Standing.BALANCE
    assert ISOLATE in advice(said)
    words = " ".join(sentences(said, TARGET_PA))
    assert "pump at its limit" in words
    assert "leak" in words
    assert "gauge wet or oily" in words


def test_a_pressure_that_still_falls_like_a_power_of_time_speaks_for_gas_from_oil_and_walls() -> None:
    # t^-0.2: what elastomers and oil give off dies away still more slowly than t^-½ (trade page).
    rng = np.random.default_rng(14)
    t = np.arange(1.0, 3600.0)
    p = (110.0 * (t / 3600.0) ** -0.2 + ATMOSPHERE_PA * np.exp(-t / 20.0)) * np.exp(
        0.01 * rng.standard_normal(len(t))
    )
    said = judge(fold(Cells(), t, p), TARGET_PA, Known(ambient_k=293.15))
    assert said.state is State.STANDING
    assert said.stall is not None
    assert said.stall.named is Standing.DEGASSING
    assert "speaks for gas from oil and walls" in " ".join(sentences(said, TARGET_PA))
    assert ISOLATE in advice(said)


def test_a_plateau_above_the_saturation_pressure_is_no_water() -> None:
    # 3800 Pa is the saturation pressure at 28 °C (IAPWS: 3783 Pa); the surroundings are at 10 °C.
    said = standing(3800.0, ambient_k=283.15)
    assert said.stall is not None
    assert said.stall.water == 0.0
    assert "free water does not hold it" in " ".join(sentences(said, TARGET_PA))
    assert "at its limit" not in " ".join(sentences(said, TARGET_PA))


def test_water_far_from_saturation_stays_possible_where_nobody_says_how_warm_it_is() -> None:
    t, p = pulled(np.random.default_rng(12), 1800.0, end_pa=480.0)
    cells = fold(Cells(), t, p)
    warm, unsaid = judge(cells, TARGET_PA, Known(ambient_k=298.15)).stall, judge(cells, TARGET_PA).stall
    assert warm is not None
    assert unsaid is not None
    assert warm.named is Standing.BALANCE
    assert unsaid.named is Standing.UNCLEAR


def test_a_pressure_that_falls_like_one_over_time_does_not_stand() -> None:
    t = np.arange(1.0, 3600.0)
    p = 3e5 / t
    said = judge(fold(Cells(), t, p), TARGET_PA)
    assert said.state is State.FALLING
    assert said.stall is None


def test_no_advice_opens_a_valve_to_a_stopped_pump() -> None:
    for end_pa in (120.0, 611.657):
        assert "never open it to a stopped pump" in advice(standing(end_pa, 3600.0))

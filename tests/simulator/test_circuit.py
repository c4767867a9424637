"""Physics of a rig against closed forms; `physics` itself is tested against published references."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from physics import flow, pumpdown, water
from simulator.circuit import Rig, RigData, Store
from simulator.saturation import pressure_and_slope


def without_hose(volume_m3: float) -> RigData:
    """A hose so wide and short that it does not matter."""
    return RigData(
        volume_m3, pump_m3_s=2e-3, ultimate_pa=2.0, hose_bore_m=0.1, hose_length_m=0.1, pump_side_m3=1e-6
    )


def pumping(data: RigData, pressure_pa: float = 101_325.0, kelvin: float = 293.15) -> Rig:
    rig = Rig(data, kelvin, pressure_pa)
    rig.setting.pumping, rig.setting.opening = True, 1.0
    return rig


@pytest.mark.parametrize("volume", [0.002, 0.02, 0.3])
def test_pull_down_without_load_is_the_closed_form(volume: float) -> None:
    # t = (V/S) ln((P0 - Pu)/(P1 - Pu)), Handbook of Vacuum Technology, chapter 19.
    for goal in (10_000.0, 1_000.0, 66.66, 10.0):
        rig = pumping(without_hose(volume))
        rig.advance(pumpdown.time_to_pressure(volume, 2e-3, 101_325.0, goal, ultimate_pa=2.0))
        assert rig.circuit_pa == pytest.approx(goal, rel=0.01)


def test_end_pressure_with_leak_and_hose_is_the_closed_form() -> None:
    # P_end = Pu + Q/S on the pump's side, and Q = C(P̄) ΔP along the hose.
    data = RigData(0.01, pump_m3_s=2e-3, ultimate_pa=3.0, leak_pa_m3_s=5e-3, hose_bore_m=6.35e-3)
    rig = pumping(data)
    rig.advance(3600.0)
    assert rig.pump_side_pa == pytest.approx(pumpdown.end_pressure(3.0, 5e-3, 2e-3), rel=1e-3)
    mean = 0.5 * (rig.pump_side_pa + rig.circuit_pa)
    conductance = flow.conductance(data.hose_bore_m, data.hose_length_m, mean)
    assert conductance * (rig.circuit_pa - rig.pump_side_pa) == pytest.approx(5e-3, rel=1e-3)


def test_gauge_at_the_pump_flatters() -> None:
    rig = pumping(RigData(0.02, leak_pa_m3_s=5e-3, hose_bore_m=6.35e-3))
    rig.advance(3600.0)
    assert rig.circuit_pa > 2 * rig.pump_side_pa


def test_isolated_leak_rises_straight_by_q_over_v() -> None:
    rig = Rig(RigData(0.01, leak_pa_m3_s=1e-4), pressure_pa=60.0)
    rises = []
    for _ in range(5):
        before = rig.circuit_pa
        rig.advance(600.0)
        rises.append(rig.circuit_pa - before)
    assert rises == pytest.approx([1e-4 * 600.0 / 0.01] * 5, rel=1e-6)


def test_opening_the_valve_evens_both_volumes_out() -> None:
    rig = Rig(RigData(0.010, pump_side_m3=0.001, suck_back_m3_s=0.0, hose_bore_m=0.02), pressure_pa=100.0)
    rig.setting.pumping = True
    rig.advance(60.0)
    low = rig.pump_side_pa
    rig.setting.pumping, rig.setting.opening = False, 1.0
    rig.disturb()
    rig.advance(60.0)
    mean = (0.010 * 100.0 + 0.001 * low) / 0.011
    assert rig.circuit_pa == pytest.approx(mean, rel=1e-4)
    assert rig.pump_side_pa == pytest.approx(mean, rel=1e-4)


def test_stopped_pump_sucks_back_through_an_open_valve() -> None:
    rig = pumping(RigData(0.01), pressure_pa=60.0)
    rig.setting.pumping = False
    rig.advance(600.0)
    assert rig.circuit_pa > 5_000.0


def test_dry_gas_follows_the_gas_law() -> None:
    rig = Rig(RigData(0.01), temperature_k=290.0, pressure_pa=100.0)
    rig.setting.temperature_k = 300.0
    rig.advance(10.0)
    assert rig.circuit_pa == pytest.approx(100.0 * 300.0 / 290.0, rel=1e-6)


def test_one_store_empties_with_its_time_constant() -> None:
    # Into a circuit much larger than the store, r(t) = r0 exp(-t/τ).
    data = RigData(1.0, bound_water=(Store(1e-3, 1000.0, 600.0),))
    rig = Rig(data, pressure_pa=0.0)
    rig.advance(600.0)
    assert rig.vapour_pa == pytest.approx(1e-3 * 1000.0 * (1 - math.exp(-1)), rel=0.01)


@given(
    water_g=st.floats(0.05, 20.0),
    litres=st.floats(1.0, 100.0),
    watt_per_kelvin=st.floats(0.05, 5.0),
    celsius=st.floats(-15.0, 35.0),
    pull_s=st.floats(0.0, 3600.0),
)
@settings(max_examples=60)
def test_vapour_never_exceeds_saturation_at_the_wall(
    water_g: float, litres: float, watt_per_kelvin: float, celsius: float, pull_s: float
) -> None:
    kelvin = 273.15 + celsius
    data = RigData(litres * 1e-3, free_water_kg=water_g * 1e-3, wet_spot_w_k=watt_per_kelvin)
    rig = pumping(data, kelvin=kelvin)
    rig.advance(pull_s)
    rig.setting.opening = 0.0
    rig.disturb()
    highest = water.saturation_pressure(kelvin) * 1.01  # the integrator tolerates 0.1 K at the wet spot
    for _ in range(20):
        rig.advance(300.0)
        assert 0.0 <= rig.vapour_pa <= highest
        assert rig.water_kg >= 0.0


def test_free_water_left_alone_ends_at_saturation() -> None:
    # IAPWS: 2339.2 Pa at 20 °C.
    rig = Rig(RigData(0.01, free_water_kg=0.01), pressure_pa=0.0)
    rig.advance(6 * 3600.0)
    assert rig.vapour_pa == pytest.approx(2339.2, rel=0.002)


def test_pumped_water_cools_itself_freezes_and_sublimes() -> None:
    data = RigData(0.02, free_water_kg=0.02, wet_spot_w_k=0.1, pump_m3_s=3e-3)
    rig = pumping(data)
    rig.advance(1200.0)
    assert rig.wet_spot_k < 273.16
    assert rig.vapour_pa < 611.657
    left = rig.water_kg
    assert left > 0.005
    rig.advance(1800.0)
    assert 0.0 < rig.water_kg < left


def test_water_mass_is_conserved_between_liquid_and_vapour() -> None:
    rig = Rig(RigData(0.05, free_water_kg=5e-3), pressure_pa=0.0)
    rig.advance(3600.0)
    vapour_kg = rig.vapour_pa * 0.05 * 0.018015268 / (8.314462618 * 293.15)
    assert rig.water_kg + vapour_kg == pytest.approx(5e-3, rel=1e-3)


def test_the_last_of_the_water_becomes_vapour_and_no_more() -> None:
    rig = Rig(RigData(0.05, free_water_kg=1e-4), pressure_pa=0.0)
    rig.advance(3600.0)
    assert rig.water_kg == 0.0
    expected = 1e-4 / 0.018015268 * 8.314462618 * 293.15 / 0.05  # ideal gas
    assert rig.vapour_pa == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize("tau", [0.01, 1.0, 1e3])
def test_gas_is_conserved_between_store_and_circuit(tau: float) -> None:
    rig = Rig(RigData(0.01, oil_gas=(Store(0.02, 300.0, tau),)), pressure_pa=0.0)
    rig.advance(20 * tau)
    assert rig.circuit_pa == pytest.approx(0.02 * 300.0 / 0.03, rel=1e-6)


def test_step_size_does_not_matter() -> None:
    data = RigData(
        0.02,
        free_water_kg=2e-3,
        bound_water=(Store(0.01, 500.0, 600.0),),
        oil_gas=(Store(0.001, 60.0, 900.0),),
    )
    coarse, fine = pumping(data), pumping(data)
    for _ in range(30):
        coarse.advance(60.0)
    for _ in range(900):
        fine.advance(2.0)
    assert coarse.circuit_pa == pytest.approx(fine.circuit_pa, rel=0.01)


def test_table_of_saturation_pressure() -> None:
    for kelvin in np.linspace(200.0, 340.0, 999):
        pressure, slope = pressure_and_slope(float(kelvin))
        assert pressure == pytest.approx(water.saturation_pressure(float(kelvin)), rel=2e-5)
        numeric = water.saturation_pressure(float(kelvin) + 0.05) - water.saturation_pressure(
            float(kelvin) - 0.05
        )
        # Liquid and ice meet at an angle, which the table rounds off.
        if abs(kelvin - 273.16) > 0.4:
            assert slope == pytest.approx(numeric / 0.1, rel=0.005)

"""Vapour pressure of water against the libraries iapws and CoolProp, and the IAPWS releases."""

from __future__ import annotations

import math

import CoolProp.CoolProp as CoolProp
import iapws
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from physics import units, water
from physics.constants import WATER_TRIPLE_POINT_K, WATER_TRIPLE_POINT_PA


@pytest.mark.parametrize("celsius", [-80.0, -60.0, -40.0, -30.0, -20.0, -10.0, -5.0, -1.0, 0.0])
def test_ice_agrees_with_iapws_library(celsius: float) -> None:
    kelvin = celsius + 273.15
    expected = 1e6 * iapws._iapws._Sublimation_Pressure(kelvin)
    assert water.sublimation_pressure(kelvin) == pytest.approx(expected, rel=1e-9)


def test_ice_check_value_of_the_release() -> None:
    # IAPWS R14-08(2011), table 3 with computer-program check values: 230 K, 8.947 35 Pa.
    assert water.sublimation_pressure(230.0) == pytest.approx(8.94735, abs=5e-6)


@pytest.mark.parametrize("celsius", [0.0, 5.0, 10.0, 20.0, 30.0, 60.0, 99.974, 200.0])
def test_liquid_agrees_with_iapws_library(celsius: float) -> None:
    kelvin = celsius + 273.15
    expected = 1e6 * iapws.iapws97._PSat_T(kelvin)
    assert water.liquid_saturation_pressure(kelvin) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize(
    ("kelvin", "megapascal"), [(300.0, 0.353658941e-2), (500.0, 0.263889776e1), (600.0, 0.123443146e2)]
)
def test_liquid_check_values_of_the_release(kelvin: float, megapascal: float) -> None:
    # IAPWS R7-97(2012), table 35.
    assert water.liquid_saturation_pressure(kelvin) == pytest.approx(1e6 * megapascal, rel=1e-8)


@pytest.mark.parametrize("celsius", [0.01, 10.0, 20.0, 30.0, 50.0])
def test_liquid_agrees_with_coolprop(celsius: float) -> None:
    # CoolProp uses IAPWS-95; the two formulations differ by less than 0.02 % here.
    expected = CoolProp.PropsSI("P", "T", celsius + 273.15, "Q", 0, "Water")
    assert water.saturation_pressure(celsius + 273.15) == pytest.approx(expected, rel=2e-4)


@pytest.mark.parametrize(
    ("celsius", "pascal"), [(-40.0, 12.841), (-30.0, 38.005), (-10.0, 259.874), (0.0, 611.153)]
)
def test_ice_figures_of_the_trade_page(celsius: float, pascal: float) -> None:
    # Computed with an open library from IAPWS R14-08.
    assert water.saturation_pressure(celsius + 273.15) == pytest.approx(pascal, abs=6e-4)


@pytest.mark.parametrize(
    ("celsius", "pascal"), [(0.0, 611.213), (10.0, 1228.18), (20.0, 2339.2), (30.0, 4246.7)]
)
def test_liquid_figures_of_the_trade_page(celsius: float, pascal: float) -> None:
    # Computed with an open library from IF97.
    assert water.liquid_saturation_pressure(celsius + 273.15) == pytest.approx(pascal, rel=3e-5)


def test_free_water_ends_near_17500_micron_and_ice_at_minus_five_near_3000() -> None:
    # Trade page, from IAPWS.
    assert units.from_pascal(water.saturation_pressure(293.15), "micron") == pytest.approx(17_500, rel=0.005)
    assert units.from_pascal(water.saturation_pressure(268.15), "micron") == pytest.approx(3000, rel=0.01)


def test_ice_below_which_a_limit_can_never_be_exceeded() -> None:
    # Trade page: ice below −7.2 °C never exceeds 2500 micron, below −17.3 °C never 1000.
    at_2500 = units.to_celsius(water.saturation_temperature(units.to_pascal(2500.0, "micron")))
    at_1000 = units.to_celsius(water.saturation_temperature(units.to_pascal(1000.0, "micron")))
    assert at_2500 == pytest.approx(-7.2, abs=0.06)
    assert at_1000 == pytest.approx(-17.3, abs=0.06)


def test_steepness_at_twenty_degrees() -> None:
    # Trade page: about 6 %/K.
    slope = math.log(water.saturation_pressure(293.65) / water.saturation_pressure(292.65))
    assert slope == pytest.approx(0.062, abs=0.002)


def test_ice_and_liquid_meet_at_the_triple_point() -> None:
    assert water.sublimation_pressure(WATER_TRIPLE_POINT_K) == pytest.approx(WATER_TRIPLE_POINT_PA, rel=1e-9)
    # IF97 gives 611.657 Pa there to 1e-6.
    assert water.liquid_saturation_pressure(WATER_TRIPLE_POINT_K) == pytest.approx(
        WATER_TRIPLE_POINT_PA, rel=2e-6
    )


def test_latent_heats_agree_with_iapws_95_and_06() -> None:
    vapour = iapws.IAPWS95(T=273.16, x=1).h
    liquid = iapws.IAPWS95(T=273.16, x=0).h
    ice = iapws._iapws._Ice(273.16, 611.657e-6)["h"]
    assert pytest.approx(1e3 * (vapour - ice), rel=1e-3) == water.HEAT_OF_SUBLIMATION
    assert pytest.approx(1e3 * (liquid - ice), rel=1e-3) == water.HEAT_OF_FUSION


@given(st.floats(min_value=100.0, max_value=273.15) | st.floats(min_value=273.17, max_value=640.0))
def test_saturation_temperature_inverts_saturation_pressure(kelvin: float) -> None:
    back = water.saturation_temperature(water.saturation_pressure(kelvin))
    assert back == pytest.approx(kelvin, abs=1e-8)


@given(st.floats(min_value=150.0, max_value=640.0), st.floats(min_value=0.01, max_value=5.0))
def test_saturation_pressure_rises_with_temperature(kelvin: float, step: float) -> None:
    assert water.saturation_pressure(kelvin + step) > water.saturation_pressure(kelvin)


def test_arrays_give_arrays_and_outside_the_range_is_nan() -> None:
    kelvin = np.array([20.0, 260.0, 273.16, 300.0, 700.0])
    pressure = water.saturation_pressure(kelvin)
    assert pressure.shape == kelvin.shape
    assert np.isnan(pressure[[0, 4]]).all()
    for index in (1, 2, 3):
        assert pressure[index] == water.saturation_pressure(float(kelvin[index]))
    assert np.isnan(water.saturation_temperature(np.array([-1.0, 0.0, 1e9]))).all()
    assert isinstance(water.saturation_pressure(300.0), float)

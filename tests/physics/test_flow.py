"""Conductances and choked flow against handbook figures and the library fluids."""

from __future__ import annotations

import math

import CoolProp.CoolProp as CoolProp
import fluids
import numpy as np
import pytest

from physics import constants, flow


def test_air_and_nitrogen_constants_agree_with_coolprop() -> None:
    atmosphere = constants.ATMOSPHERE_PA
    for kelvin, ours in ((293.15, constants.AIR_VISCOSITY_20C), (298.15, constants.AIR_VISCOSITY_25C)):
        assert ours == pytest.approx(CoolProp.PropsSI("V", "T", kelvin, "P", atmosphere, "Air"), rel=1e-4)
    assert pytest.approx(CoolProp.PropsSI("M", "Air"), rel=1e-4) == constants.AIR_MOLAR_MASS
    assert pytest.approx(CoolProp.PropsSI("M", "Nitrogen"), rel=1e-5) == constants.NITROGEN_MOLAR_MASS
    assert pytest.approx(CoolProp.PropsSI("M", "Water"), rel=1e-5) == constants.WATER_MOLAR_MASS


def test_viscous_conductance_of_air_is_the_handbooks_135() -> None:
    # Vacuum handbooks: C = 135 d⁴ P̄/L [l/s; cm, mbar; air 20 °C].
    for d_cm, l_cm, mbar in ((0.5, 100.0, 1.0), (2.0, 300.0, 0.2)):
        expected = 135.0 * d_cm**4 * mbar / l_cm * 1e-3
        assert flow.viscous_conductance(d_cm / 100, l_cm / 100, mbar * 100) == pytest.approx(
            expected, rel=0.005
        )


def test_molecular_conductance_of_air_is_the_handbooks_12_1() -> None:
    # Vacuum handbooks: C = 12.1 d³/L [l/s; cm].
    for d_cm, l_cm in ((0.5, 100.0), (2.0, 300.0)):
        assert flow.molecular_conductance(d_cm / 100, l_cm / 100) == pytest.approx(
            12.1 * d_cm**3 / l_cm * 1e-3, rel=0.005
        )


def test_charging_hose_of_the_trade_page() -> None:
    # Trade page: 6.35 mm bore, 1.5 m, 133.3 Pa mean: 0.195 l/s.
    assert flow.viscous_conductance(6.35e-3, 1.5, 133.3) == pytest.approx(0.195e-3, rel=0.005)


def test_viscous_conductance_agrees_with_fluids_laminar_friction() -> None:
    # fluids: Darcy friction 64/Re of laminar flow; mass flow by density at the mean pressure.
    d, length, mean, difference, kelvin = 8e-3, 5.0, 200.0, 1.0, 293.15
    rho = mean * constants.AIR_MOLAR_MASS / (constants.GAS_CONSTANT * kelvin)
    volume_flow = flow.viscous_conductance(d, length, mean) * difference / mean
    speed = volume_flow / (math.pi / 4 * d**2)
    reynolds = fluids.Reynolds(V=speed, D=d, rho=rho, mu=constants.AIR_VISCOSITY_20C)
    drop = fluids.friction_factor(Re=reynolds) * length / d * rho * speed**2 / 2
    assert drop == pytest.approx(difference, rel=1e-6)


def test_mean_free_path_of_the_handbook() -> None:
    # Vacuum handbooks: air at 20 °C, λ·p = 6.7e-3 m·Pa.
    assert flow.mean_free_path(1.0) == pytest.approx(6.7e-3, rel=0.02)
    assert flow.knudsen_number(6.35e-3, 66.66) == pytest.approx(0.0156, rel=0.05)


def test_sum_of_conductances_has_both_ends_and_takes_arrays() -> None:
    pressure = np.array([1e-4, 10.0, 1e5])
    both = flow.conductance(8e-3, 2.0, pressure)
    assert both[0] == pytest.approx(flow.molecular_conductance(8e-3, 2.0), rel=1e-3)
    assert both[2] == pytest.approx(flow.viscous_conductance(8e-3, 2.0, 1e5), rel=1e-3)
    assert (np.diff(both) > 0).all()


def test_in_series_is_below_the_smaller() -> None:
    assert flow.in_series(2.83, 0.195) == pytest.approx(1 / (1 / 2.83 + 1 / 0.195))


def test_choked_flow_agrees_with_fluids() -> None:
    area, upstream, kelvin = 1e-9, 101_325.0, 293.15
    critical = fluids.P_critical_flow(P=upstream, k=1.4)
    assert flow.critical_pressure_ratio() == pytest.approx(critical / upstream, rel=1e-9)
    # From the state in the throat: isentropic temperature (fluids), density, speed of sound.
    throat_k = fluids.T_critical_flow(T=kelvin, k=1.4)
    rho = critical * constants.AIR_MOLAR_MASS / (constants.GAS_CONSTANT * throat_k)
    sound = math.sqrt(1.4 * constants.GAS_CONSTANT * throat_k / constants.AIR_MOLAR_MASS)
    assert flow.choked_mass_flow(area, upstream, kelvin) == pytest.approx(rho * sound * area, rel=1e-9)


def test_evening_out_through_long_thin_pipe() -> None:
    # Trade page: 50 m of 8 mm bore feeding 5 l at 500 micron takes about 580 s [computed].
    conductance = flow.viscous_conductance(8e-3, 50.0, 66.66)
    molecular = flow.molecular_conductance(8e-3, 50.0)
    assert 5e-3 / (conductance + molecular) == pytest.approx(580.0, rel=0.1)

"""Leak rates and refrigerant loss against worked examples."""

from __future__ import annotations

import pytest

from physics import gas, leaks, units
from physics.constants import SECONDS_PER_YEAR
from physics.refrigerants import refrigerant

LITRE = 1e-3


def test_one_cubic_metre_rising_one_pascal_a_second() -> None:
    # Trade page, by definition: 1 Pa·m³/s = 10 mbar·l/s.
    assert leaks.rate_of_rise(1.0, 1.0) == 1.0
    assert leaks.to_mbar_l_s(1.0) == pytest.approx(10.0)
    assert leaks.from_mbar_l_s(leaks.to_mbar_l_s(3e-5)) == pytest.approx(3e-5)


def test_ten_litres_rising_100_micron_in_an_hour() -> None:
    # Trade page: 3.703e-5 Pa·m³/s [computed].
    slope = units.to_pascal(100.0, "micron") / 3600
    assert leaks.rate_of_rise(10 * LITRE, slope) == pytest.approx(3.703e-5, rel=2e-4)


def test_four_litres_losing_one_bar_in_thirty_days() -> None:
    # Leak-detection handbook, as given on the trade page: 1.54e-4 Pa·m³/s.
    assert leaks.rate_of_rise(4 * LITRE, 1e5 / (30 * 86_400)) == pytest.approx(1.54e-4, rel=0.003)


def test_smallest_leak_of_the_worked_hold() -> None:
    # Rule page: 10 l, 500 to 2500 micron, 30 min with 2 min settling: 1.59e-3 Pa·m³/s.
    start, limit = units.to_pascal(500.0, "micron"), units.to_pascal(2500.0, "micron")
    shown = leaks.smallest_leak_shown(10 * LITRE, start, limit, 1800.0, 120.0)
    assert shown == pytest.approx(1.59e-3, rel=0.003)
    assert leaks.to_mbar_l_s(shown) == pytest.approx(1.6e-2, rel=0.01)
    night = leaks.smallest_leak_shown(10 * LITRE, start, limit, 8 * 3600.0, 120.0)
    assert shown / night == pytest.approx(16, rel=0.1)  # the same page: sixteen times less


def test_a_hold_that_shows_nothing_says_so() -> None:
    with pytest.raises(ValueError, match="settling"):
        leaks.smallest_leak_shown(0.01, 60.0, 300.0, 120.0, 120.0)
    with pytest.raises(ValueError, match="below the permitted"):
        leaks.smallest_leak_shown(0.01, 300.0, 300.0, 600.0, 120.0)


def test_r134a_grams_a_year() -> None:
    # Trade page: at 20 °C 1e-5 mbar·l/s is 1.321 g/yr [computed].
    kg_s = leaks.mass_rate(leaks.from_mbar_l_s(1e-5), refrigerant("R-134a").molar_mass, 293.15)
    assert 1e3 * SECONDS_PER_YEAR * kg_s == pytest.approx(1.321, abs=0.001)


def test_r410a_range_from_orifice_to_laminar() -> None:
    # Trade page: at 16.5 bar absolute, 25 °C saturation: ×362 and about ×10 of the vacuum air leak. The
    # viscosity chosen for the vapour (saturated, or at one atmosphere) moves the first by 4 %.
    loss = leaks.refrigerant_loss(1e-5, refrigerant("R-410A"), charged_pa=16.5e5)
    assert loss.high_ratio == pytest.approx(362, rel=0.04)
    assert loss.low_ratio == pytest.approx(10, rel=0.05)
    assert loss.high_kg_s / loss.low_kg_s == pytest.approx(loss.high_ratio / loss.low_ratio)
    assert "orifice" in loss.assumptions


def test_ratios_by_hand() -> None:
    # Trade page: (η1/η2)·(Pu²−Pd²)₂/(Pu²−Pd²)₁ = 2·(25−9)/(4−1), and √(M1/M2)·ΔP2/ΔP1 = ½·6/3.
    assert leaks.viscous_ratio(2e-5, 2.0, 1.0, 1e-5, 5.0, 3.0) == pytest.approx(2 * 16 / 3)
    assert leaks.orifice_ratio(0.025, 3.0, 0.100, 6.0) == pytest.approx(1.0)


def test_worked_hold_passes_kilograms_a_year_of_r410a() -> None:
    # Rule page: 1.59e-3 Pa·m³/s passes unseen, "for R-410A kilograms a year".
    loss = leaks.refrigerant_loss(1.59e-3, refrigerant("R-410A"))
    assert SECONDS_PER_YEAR * loss.low_kg_s > 1.0


def test_loss_is_refused_where_nothing_can_leak_out() -> None:
    with pytest.raises(ValueError, match="not above the barometer"):
        leaks.refrigerant_loss(1e-5, refrigerant("R-600a"), charged_pa=60_000.0)
    with pytest.raises(ValueError, match="negative"):
        leaks.refrigerant_loss(-1e-5, refrigerant("R-32"))


def test_vapour_mass_of_the_trade_page() -> None:
    # Trade page: 10 l saturated at 20 °C hold 0.173 g; 500 micron of vapour, 4.9 mg.
    assert 1e3 * gas.vapour_mass(2339.2, 10 * LITRE, 293.15) == pytest.approx(0.173, abs=5e-4)
    pressure = units.to_pascal(500.0, "micron")
    assert 1e6 * gas.vapour_mass(pressure, 10 * LITRE, 293.15) == pytest.approx(4.9, abs=0.05)


def test_gas_law_is_a_third_of_a_percent_per_kelvin() -> None:
    # Trade page: dP/P = dT/T, 0.34 %/K at 20 °C.
    assert gas.at_reference_temperature(100.34, 294.15, 293.15) == pytest.approx(100.0, abs=0.005)

"""Units against pint's registry and the definitions in NIST SP 811."""

from __future__ import annotations

import numpy as np
import pint
import pytest

from physics import units

# Ours → the same unit in pint's registry (pint 0.25, default_en.txt).
PINT_NAMES = {
    "Pa": "pascal",
    "hPa": "hectopascal",
    "kPa": "kilopascal",
    "MPa": "megapascal",
    "mbar": "millibar",
    "bar": "bar",
    "micron": "micrometer_Hg",
    "mTorr": "millitorr",
    "Torr": "torr",
    "mmHg": "millimeter_Hg",
    "inHg": "inch_Hg",
    "psi": "psi",
    "atm": "atmosphere",
}


@pytest.fixture(scope="module")
def registry() -> pint.UnitRegistry[float]:
    ureg: pint.UnitRegistry[float] = pint.UnitRegistry()
    # pint knows the conventional mercury column only by the millimetre and the inch.
    ureg.define("micrometer_Hg = 1e-3 * millimeter_Hg")
    return ureg


def test_every_unit_is_compared_with_pint() -> None:
    assert set(PINT_NAMES) == set(units.PRESSURE_UNITS)


@pytest.mark.parametrize("unit", sorted(units.PRESSURE_UNITS))
def test_pressure_units_agree_with_pint(unit: str, registry: pint.UnitRegistry[float]) -> None:
    expected = registry.Quantity(1.0, PINT_NAMES[unit]).to("pascal").magnitude
    assert units.pascals_per(unit) == pytest.approx(expected, rel=1e-9)


def test_mmhg_is_the_conventional_column_and_differs_from_the_torr() -> None:
    # NIST SP 811 B.8: mercury of 13 595.1 kg/m³ under 9.806 65 m/s²; torr = 101 325/760 Pa.
    assert pytest.approx(13_595.1 * 9.80665 * 1e-3, rel=1e-12) == units.MMHG_PA
    assert units.TORR_PA == 101_325 / 760
    assert pytest.approx(1.4e-7, rel=0.03) == units.MMHG_PA / units.TORR_PA - 1
    assert pytest.approx(0.133322387, rel=1e-8) == units.MICRON_PA


def test_inch_of_mercury_and_psi_of_the_handbook() -> None:
    # NIST SP 811 B.8: conventional inHg 3 386.389 Pa, psi 6 894.757 Pa.
    assert pytest.approx(3386.389, abs=5e-4) == units.INHG_PA
    assert pytest.approx(6894.757, abs=5e-4) == units.PSI_PA


def test_triple_point_of_water_in_micron() -> None:
    # 611.657 Pa, Guildner, Johnson and Jones 1976.
    assert units.from_pascal(611.657, "micron") == pytest.approx(4587.8, abs=0.05)


@pytest.mark.parametrize(
    ("written", "symbol"),
    [
        ("Microns", "micron"),
        (" µmHg", "micron"),
        ("μmHg", "micron"),
        ("MBAR", "mbar"),
        ("torr", "Torr"),
        ("mtorr", "mTorr"),
        ("psia", "psi"),
        ("kpa", "kPa"),
        ("MPa", "MPa"),
    ],
)
def test_common_spellings_are_understood(written: str, symbol: str) -> None:
    assert units.pressure_unit(written) == symbol


@pytest.mark.parametrize("written", ["psig", "mPa", "mpa", "", "Cel", "barg", "furlong"])
def test_gauge_pressures_and_doubtful_units_are_refused(written: str) -> None:
    with pytest.raises(ValueError, match="not a known unit"):
        units.pascals_per(written)


@pytest.mark.parametrize("unit", sorted(units.PRESSURE_UNITS))
def test_there_and_back_is_the_same_for_arrays(unit: str) -> None:
    values = np.geomspace(1e-3, 1e6, 50)
    np.testing.assert_allclose(units.from_pascal(units.to_pascal(values, unit), unit), values, rtol=1e-14)


def test_temperatures_agree_with_pint(registry: pint.UnitRegistry[float]) -> None:
    for celsius in (-40.0, 0.0, 21.5):
        expected = registry.Quantity(celsius, "degC").to("kelvin").magnitude
        assert units.to_kelvin(celsius, "Cel") == pytest.approx(expected, rel=1e-12)
        assert units.to_celsius(units.to_kelvin(celsius, "Cel")) == pytest.approx(celsius, abs=1e-12)
    assert units.to_kelvin(300.0, "K") == 300.0
    with pytest.raises(ValueError, match="Cel and K"):
        units.to_kelvin(70.0, "degF")

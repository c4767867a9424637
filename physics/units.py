"""Units of absolute pressure and of temperature, as gauges and people of the trade write them.

The trade's "micron" is a pressure: the conventional micrometre of mercury, a column of 1 µm of
mercury of 13 595.1 kg/m³ under the standard acceleration of 9.80665 m/s².

Gauge units ("psig", "barg", "inHg of vacuum") are left out on purpose: they count from the
barometer, which nobody has recorded.

References
----------
.. [1] NIST Special Publication 811 (2008), appendix B.8: conventional millimetre of mercury
   133.3224 Pa, torr = 101 325/760 Pa, psi 6 894.757 Pa, inch of mercury (0 degrees Celsius)
   3 386.38 Pa, conventional inch of mercury 3 386.389 Pa.
.. [2] RFC 8428, section 12.1 (SenML units) and RFC 8798 (secondary units): Pa, hPa, Cel, K.
"""

from __future__ import annotations

from types import MappingProxyType

from physics.constants import ZERO_CELSIUS_K
from physics.types import F

MMHG_PA = 133.322387415
"""Conventional millimetre of mercury [Pa]: 13.5951 × 9.80665 exactly [1]_."""

MICRON_PA = MMHG_PA / 1000.0
"""Conventional micrometre of mercury, the trade's "micron" [Pa]."""

TORR_PA = 101_325.0 / 760.0
"""Torr [Pa]; smaller than the mmHg by 1.4e-7 [1]_."""

INHG_PA = 25.4 * MMHG_PA
"""Conventional inch of mercury, absolute [Pa]."""

PSI_PA = 0.45359237 * 9.80665 / 0.0254**2
"""Pound-force per square inch, absolute [Pa]."""

LITRE_M3 = 1e-3
"""Litre [m³]."""

CUBIC_FOOT_M3 = 0.3048**3
"""Cubic foot [m³]: the international foot is 0.3048 m exactly [1]_."""

FAHRENHEIT_PER_K = 1.8
"""Degrees Fahrenheit in a difference of one kelvin [1]_."""

PRESSURE_UNITS: MappingProxyType[str, float] = MappingProxyType(
    {
        "Pa": 1.0,
        "hPa": 100.0,
        "kPa": 1_000.0,
        "MPa": 1_000_000.0,
        "mbar": 100.0,
        "bar": 100_000.0,
        "micron": MICRON_PA,
        "mTorr": TORR_PA / 1000.0,
        "Torr": TORR_PA,
        "mmHg": MMHG_PA,
        "inHg": INHG_PA,
        "psi": PSI_PA,
        "atm": 101_325.0,
    }
)
"""Pascals in one of each unit of absolute pressure, by its usual symbol."""

_ALIASES = MappingProxyType(
    {
        "pascal": "Pa",
        "pascals": "Pa",
        "microns": "micron",
        "µmhg": "micron",
        "μmhg": "micron",  # the Greek letter mu, beside the micro sign above
        "umhg": "micron",
        "micrometre of mercury": "micron",
        "millibar": "mbar",
        "mbara": "mbar",
        "bara": "bar",
        "millitorr": "mTorr",
        "psia": "psi",
        "inhga": "inHg",
        "mmhga": "mmHg",
    }
)

# "mpa" in small letters may mean milli or mega: nobody shall guess a factor of a billion.
_BY_CASEFOLD = {
    **{symbol.casefold(): symbol for symbol in PRESSURE_UNITS if symbol != "MPa"},
    **{alias.casefold(): symbol for alias, symbol in _ALIASES.items()},
}


def pressure_unit(text: str) -> str:
    """Find the usual symbol of a unit of absolute pressure.

    Parameters
    ----------
    text : str
        What was written: a symbol of `PRESSURE_UNITS` or a common spelling of one, in any case
        (but ``MPa`` only so).

    Returns
    -------
    str
        A key of `PRESSURE_UNITS`.

    Raises
    ------
    ValueError
        If the text is no known unit of absolute pressure.

    Examples
    --------
    >>> pressure_unit("Microns")
    'micron'
    """
    written = text.strip()
    if written in PRESSURE_UNITS:
        return written
    try:
        return _BY_CASEFOLD[written.casefold()]
    except KeyError:
        known = ", ".join(PRESSURE_UNITS)
        raise ValueError(f"{text!r} is not a known unit of absolute pressure; known are {known}") from None


def pascals_per(unit: str) -> float:
    """Pascals in one of a unit of absolute pressure [Pa].

    Raises
    ------
    ValueError
        If the unit is not known.
    """
    return PRESSURE_UNITS[pressure_unit(unit)]


def to_pascal(value: F, unit: str) -> F:
    """Convert an absolute pressure to pascal.

    Parameters
    ----------
    value : float or ndarray
        Pressure in `unit`.
    unit : str
        See `pressure_unit`.

    Returns
    -------
    float or ndarray
        Absolute pressure [Pa].

    Examples
    --------
    >>> round(to_pascal(500.0, "micron"), 3)
    66.661
    """
    return value * pascals_per(unit)


def from_pascal(pressure_pa: F, unit: str) -> F:
    """Convert an absolute pressure [Pa] to another unit; the inverse of `to_pascal`."""
    return pressure_pa / pascals_per(unit)


def to_kelvin(value: F, unit: str) -> F:
    """Convert a temperature to kelvin.

    Parameters
    ----------
    value : float or ndarray
        Temperature in `unit`.
    unit : {'Cel', 'K'}
        SenML's symbols [2]_.

    Raises
    ------
    ValueError
        If the unit is neither.
    """
    if unit == "K":
        return value
    if unit == "Cel":
        return value + ZERO_CELSIUS_K
    raise ValueError(f"{unit!r} is not a known unit of temperature; known are Cel and K")


def to_celsius(temperature_k: F) -> F:
    """Convert a temperature [K] to degrees Celsius."""
    return temperature_k - ZERO_CELSIUS_K


def to_fahrenheit(temperature_k: F) -> F:
    """Convert a temperature [K] to degrees Fahrenheit [1]_."""
    return to_celsius(temperature_k) * FAHRENHEIT_PER_K + 32.0

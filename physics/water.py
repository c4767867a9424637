"""Vapour pressure of water over ice and over the liquid, and the temperature that belongs to it.

References
----------
.. [1] IAPWS R14-08(2011), Revised Release on the Pressure along the Melting and Sublimation Curves
   of Ordinary Water Substance, eq. 6: 50 K to 273.16 K.
.. [2] IAPWS R7-97(2012), Industrial Formulation 1997 for the Thermodynamic Properties of Water and
   Steam, eqs. 29 to 31 (region 4): 273.15 K to 647.096 K.
.. [3] IAPWS R10-06(2009), Equation of State 2006 for H2O Ice Ih, and IAPWS R6-95(2018):
   enthalpies at the triple point.
"""

from __future__ import annotations

import numpy as np

from physics.constants import WATER_TRIPLE_POINT_K, WATER_TRIPLE_POINT_PA
from physics.types import F, FloatArray

HEAT_OF_SUBLIMATION = 2.8344e6
"""Ice to vapour at the triple point [J/kg] [3]_."""

HEAT_OF_FUSION = 3.3343e5
"""Ice to liquid at the triple point [J/kg] [3]_."""

ICE_RANGE_K = (50.0, WATER_TRIPLE_POINT_K)
LIQUID_RANGE_K = (273.15, 647.096)

_ICE_A = (-0.212144006e2, 0.273203819e2, -0.610598130e1)
_ICE_B = (0.333333333e-2, 0.120666667e1, 0.170333333e1)

_N1, _N2, _N3, _N4, _N5, _N6, _N7, _N8, _N9, _N10 = (
    0.11670521452767e4,
    -0.72421316703206e6,
    -0.17073846940092e2,
    0.12020824702470e5,
    -0.32325550322333e7,
    0.14915108613530e2,
    -0.48232657361591e4,
    0.40511340542057e6,
    -0.23855557567849,
    0.65017534844798e3,
)


def sublimation_pressure(temperature_k: F) -> F:
    """Vapour pressure over ice.

    Parameters
    ----------
    temperature_k : float or ndarray
        Temperature [K], 50 to 273.16; outside it the result is NaN.

    Returns
    -------
    float or ndarray
        Vapour pressure [Pa].

    Notes
    -----
    ln(p/p_t) = (1/θ) Σ a_i θ^b_i with θ = T/273.16 K, eq. 6 in [1]_.

    Examples
    --------
    >>> round(sublimation_pressure(263.15), 3)
    259.874
    """
    temperature = np.asarray(temperature_k, dtype=np.float64)
    low, high = ICE_RANGE_K
    valid = (temperature >= low) & (temperature <= high)
    theta = np.where(valid, temperature, np.nan) / WATER_TRIPLE_POINT_K
    exponent = sum(a * theta**b for a, b in zip(_ICE_A, _ICE_B, strict=True)) / theta
    return _like(temperature_k, WATER_TRIPLE_POINT_PA * np.exp(exponent))


def liquid_saturation_pressure(temperature_k: F) -> F:
    """Vapour pressure over liquid water.

    Parameters
    ----------
    temperature_k : float or ndarray
        Temperature [K], 273.15 to 647.096; outside it the result is NaN.

    Returns
    -------
    float or ndarray
        Vapour pressure [Pa].

    Notes
    -----
    Eq. 30 in [2]_.

    Examples
    --------
    >>> round(liquid_saturation_pressure(293.15), 1)
    2339.2
    """
    temperature = np.asarray(temperature_k, dtype=np.float64)
    low, high = LIQUID_RANGE_K
    valid = (temperature >= low) & (temperature <= high)
    kelvin = np.where(valid, temperature, np.nan)
    theta = kelvin + _N9 / (kelvin - _N10)
    a = theta**2 + _N1 * theta + _N2
    b = _N3 * theta**2 + _N4 * theta + _N5
    c = _N6 * theta**2 + _N7 * theta + _N8
    return _like(temperature_k, 1e6 * (2.0 * c / (np.sqrt(b**2 - 4.0 * a * c) - b)) ** 4)


def saturation_pressure(temperature_k: F) -> F:
    """Vapour pressure of water in its stable form: over ice below 273.16 K, else over the liquid.

    Parameters
    ----------
    temperature_k : float or ndarray
        Temperature [K], 50 to 647.096; outside it the result is NaN.

    Returns
    -------
    float or ndarray
        Vapour pressure [Pa], [1]_ and [2]_.
    """
    temperature = np.asarray(temperature_k, dtype=np.float64)
    frozen = temperature < WATER_TRIPLE_POINT_K
    pressure = np.where(frozen, sublimation_pressure(temperature), liquid_saturation_pressure(temperature))
    return _like(temperature_k, pressure)


def saturation_temperature(pressure_pa: F) -> F:
    """Temperature at which water, frozen or liquid, has this vapour pressure.

    Parameters
    ----------
    pressure_pa : float or ndarray
        Vapour pressure [Pa]; NaN comes back for what is not positive, for less than 1e-30 Pa (62 K) and
        for more than 22.064 MPa.

    Returns
    -------
    float or ndarray
        Temperature [K].

    Notes
    -----
    Above the triple point eq. 31 of [2]_; below it [1]_ is inverted by Newton's method on
    ln p against 1/T, which is nearly straight: six rounds reach the last digit.
    """
    pressure = np.asarray(pressure_pa, dtype=np.float64)
    valid = (pressure >= 1e-30) & (pressure <= 22.064e6)
    pascal = np.where(valid, pressure, np.nan)
    frozen = pascal < WATER_TRIPLE_POINT_PA
    return _like(pressure_pa, np.where(frozen, _ice_temperature(pascal), _liquid_temperature(pascal)))


def _liquid_temperature(pressure_pa: FloatArray) -> FloatArray:
    beta = (np.maximum(pressure_pa, 600.0) * 1e-6) ** 0.25
    e = beta**2 + _N3 * beta + _N6
    f = _N1 * beta**2 + _N4 * beta + _N7
    g = _N2 * beta**2 + _N5 * beta + _N8
    d = 2.0 * g / (-f - np.sqrt(f**2 - 4.0 * e * g))
    root: FloatArray = (_N10 + d - np.sqrt((_N10 + d) ** 2 - 4.0 * (_N9 + _N10 * d))) / 2.0
    return root


def _ice_temperature(pressure_pa: FloatArray) -> FloatArray:
    goal = np.log(np.minimum(pressure_pa, WATER_TRIPLE_POINT_PA) / WATER_TRIPLE_POINT_PA)
    inverse = 1.0 - goal / 22.5  # 1/theta; 22.5 = heat of sublimation / (R T) at the triple point
    for _ in range(6):
        theta = 1.0 / inverse
        value = sum(a * theta ** (b - 1.0) for a, b in zip(_ICE_A, _ICE_B, strict=True))
        slope = -sum(
            a * (b - 1.0) * theta**b for a, b in zip(_ICE_A, _ICE_B, strict=True)
        )  # d(value)/d(1/theta)
        inverse = inverse - (value - goal) / slope
    temperature: FloatArray = WATER_TRIPLE_POINT_K / inverse
    return temperature


def _like(given: F, result: FloatArray) -> F:
    """Give a scalar back where a scalar was given."""
    return result if isinstance(given, np.ndarray) else float(result)

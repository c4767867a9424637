"""Ideal gas: the mass of a vapour and the correction of a pressure to another temperature.

At the pressures of an evacuation (below 0.03 bar) the ideal gas law is exact to better than 0.1 %.
"""

from __future__ import annotations

from physics.constants import GAS_CONSTANT, WATER_MOLAR_MASS
from physics.types import F


def vapour_mass(
    pressure_pa: F,
    volume_m3: float,
    temperature_k: float,
    molar_mass: float = WATER_MOLAR_MASS,
) -> F:
    """Mass of a vapour at a partial pressure, m = p V M / (R T).

    Parameters
    ----------
    pressure_pa : float or ndarray
        Partial pressure [Pa].
    volume_m3, temperature_k : float
        Volume [m³] and temperature [K].
    molar_mass : float
        Molar mass [kg/mol]; water if not given.

    Returns
    -------
    float or ndarray
        Mass [kg]. The liquid or bound water behind a vapour can be thousands of times more.

    Examples
    --------
    >>> round(1e3 * vapour_mass(2339.2, 0.010, 293.15), 3)  # grams in 10 l, saturated at 20 °C
    0.173
    """
    return pressure_pa * (volume_m3 * molar_mass / (GAS_CONSTANT * temperature_k))


def at_reference_temperature(pressure_pa: F, temperature_k: F, reference_k: float) -> F:
    """Pressure that a closed volume of gas would have at a reference temperature, p T0 / T.

    Parameters
    ----------
    pressure_pa : float or ndarray
        Measured pressure of a gas that does not condense [Pa].
    temperature_k : float or ndarray
        Temperature it was measured at [K].
    reference_k : float
        Temperature to correct to [K].

    Returns
    -------
    float or ndarray
        Corrected pressure [Pa]. Right for the gas only: the share that is water vapour follows
        the saturation curve of the coldest wet spot instead.
    """
    return pressure_pa * reference_k / temperature_k

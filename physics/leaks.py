"""Leak rates: from a rise, what a hold can show, and the refrigerant loss a leak stands for.

References
----------
.. [1] Fundamentals of leak detection, a widely used handbook: leak rate by pressure rise,
   conversion between gases and pressures in laminar and molecular flow, worked examples.
.. [2] ISO 20484:2017, Non-destructive testing, Leak testing, Vocabulary: leakage rate in Pa m³/s.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from physics.constants import (
    AIR_MOLAR_MASS,
    AIR_VISCOSITY_25C,
    ATMOSPHERE_PA,
    GAS_CONSTANT,
)
from physics.refrigerants import REFERENCE_TEMPERATURE_K, Refrigerant
from physics.types import F

MBAR_L_S = 0.1
"""1 mbar l/s in Pa m³/s."""


def to_mbar_l_s(rate_pa_m3_s: F) -> F:
    """Convert a leak rate from Pa m³/s [2]_ to mbar l/s."""
    return rate_pa_m3_s / MBAR_L_S


def from_mbar_l_s(rate_mbar_l_s: F) -> F:
    """Convert a leak rate from mbar l/s to Pa m³/s [2]_."""
    return rate_mbar_l_s * MBAR_L_S


def rate_of_rise(volume_m3: float, slope_pa_s: F) -> F:
    """Leak rate behind a straight rise, Q = V dP/dt [Pa m³/s] [1]_.

    Parameters
    ----------
    volume_m3 : float
        Volume of the isolated circuit [m³].
    slope_pa_s : float or ndarray
        Rise [Pa/s].
    """
    return slope_pa_s * volume_m3


def smallest_leak_shown(
    volume_m3: float, start_pa: float, limit_pa: float, length_s: float, settling_s: float
) -> float:
    """Smallest steady leak that a hold of this length would have failed.

    Parameters
    ----------
    volume_m3 : float
        Volume of the isolated circuit [m³].
    start_pa, limit_pa : float
        Start value and permitted value, both absolute [Pa].
    length_s, settling_s : float
        Length of the hold and of the settling time inside it [s].

    Returns
    -------
    float
        V (limit - start)/(length - settling) [Pa m³/s].

    Raises
    ------
    ValueError
        If the hold is not longer than its settling time, or the start is not below the limit:
        such a hold shows nothing.

    Examples
    --------
    10 l, 500 to 2500 micron, 30 min with 2 min settling:

    >>> f"{smallest_leak_shown(0.010, 66.66, 333.3, 1800.0, 120.0):.2e}"
    '1.59e-03'
    """
    if length_s <= settling_s:
        raise ValueError("a hold must be longer than its settling time to show a leak")
    if start_pa >= limit_pa:
        raise ValueError("the start value must be below the permitted value to show a leak")
    return volume_m3 * (limit_pa - start_pa) / (length_s - settling_s)


def viscous_ratio(
    from_viscosity: float,
    from_up_pa: float,
    from_down_pa: float,
    to_viscosity: float,
    to_up_pa: float,
    to_down_pa: float,
) -> float:
    """Ratio of leak rates of one laminar leak for two gases and pressures [1]_.

    Q2/Q1 = (η1/η2) (Pu² - Pd²)₂ / (Pu² - Pd²)₁, viscosities [Pa s], pressures upstream and
    downstream [Pa].
    """
    return from_viscosity / to_viscosity * (to_up_pa**2 - to_down_pa**2) / (from_up_pa**2 - from_down_pa**2)


def orifice_ratio(
    from_molar_mass: float,
    from_difference_pa: float,
    to_molar_mass: float,
    to_difference_pa: float,
) -> float:
    """Ratio of leak rates of one orifice (or molecular leak) for two gases and pressures [1]_.

    ∝ √(T/M) (Pu - Pd), both at the same temperature; molar masses [kg/mol], pressures [Pa].
    """
    return math.sqrt(from_molar_mass / to_molar_mass) * to_difference_pa / from_difference_pa


def mass_rate(rate_pa_m3_s: F, molar_mass: float, temperature_k: float) -> F:
    """Mass flow of a leak rate, Q M/(R T) [kg/s]; the rate is in Pa m³/s at this temperature [K].

    Examples
    --------
    R-134a at 20 °C, 1e-5 mbar l/s, grams in a year:

    >>> round(1e3 * 31_557_600 * mass_rate(1e-6, 0.102032, 293.15), 3)
    1.321
    """
    return rate_pa_m3_s * (molar_mass / (GAS_CONSTANT * temperature_k))


@dataclass(frozen=True)
class LossRange:
    """Refrigerant loss that a leak into the vacuum may stand for.

    Attributes
    ----------
    low_kg_s, high_kg_s : float
        Ends of the range [kg/s].
    low_ratio, high_ratio : float
        The same as multiples of the air leak found under vacuum, both in Pa m³/s.
    assumptions : str
        What the range assumes, for whoever reads it.
    """

    low_kg_s: float
    high_kg_s: float
    low_ratio: float
    high_ratio: float
    assumptions: str


def refrigerant_loss(
    vacuum_leak_pa_m3_s: float,
    refrigerant: Refrigerant,
    charged_pa: float | None = None,
    barometer_pa: float = ATMOSPHERE_PA,
) -> LossRange:
    """Range of refrigerant loss that an air leak found under vacuum may become when charged.

    Parameters
    ----------
    vacuum_leak_pa_m3_s : float
        Air leaking into the circuit under vacuum [Pa m³/s].
    refrigerant : Refrigerant
        What the circuit will be charged with.
    charged_pa : float, optional
        Absolute pressure inside the charged circuit [Pa]; the saturation pressure at 25 degrees
        Celsius if not given.
    barometer_pa : float
        Absolute pressure outside [Pa].

    Returns
    -------
    LossRange
        From an orifice to a long laminar channel: the shape of the leak is not known, and the two
        differ by ten times and more. Never quote one figure.

    Raises
    ------
    ValueError
        If the charged circuit would not be above the barometer, or the leak is negative.

    Notes
    -----
    `viscous_ratio` and `orifice_ratio` with air at 25 degrees Celsius leaking in from the barometer
    to nothing, and refrigerant vapour leaking out to the barometer.
    """
    inside = refrigerant.saturation_pa if charged_pa is None else charged_pa
    if inside <= barometer_pa:
        raise ValueError("a circuit that is not above the barometer loses no refrigerant")
    if vacuum_leak_pa_m3_s < 0.0:
        raise ValueError("a leak rate must not be negative")
    viscous = viscous_ratio(
        AIR_VISCOSITY_25C, barometer_pa, 0.0, refrigerant.vapour_viscosity, inside, barometer_pa
    )
    orifice = orifice_ratio(AIR_MOLAR_MASS, barometer_pa, refrigerant.molar_mass, inside - barometer_pa)
    low, high = sorted((orifice, viscous))
    kg_s = mass_rate(vacuum_leak_pa_m3_s, refrigerant.molar_mass, REFERENCE_TEMPERATURE_K)
    assumptions = (
        f"{refrigerant.name} vapour at 25 °C and {inside / 1e5:.1f} bar absolute leaking to "
        f"{barometer_pa / 1e5:.2f} bar; the same opening leaked air into the vacuum; low end: "
        "orifice or molecular flow, high end: laminar flow in a long channel"
    )
    return LossRange(kg_s * low, kg_s * high, low, high, assumptions)

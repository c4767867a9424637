"""Flow of gas through hoses, pipes and small openings, from viscous to molecular.

References
----------
.. [1] K. Jousten (ed.), Handbook of Vacuum Technology, 2nd edition, Wiley-VCH 2016, chapters 3 and
   4: mean free path, laminar flow in a long round pipe (Hagen-Poiseuille), molecular flow, choked
   flow through an orifice.
.. [2] Fundamentals of vacuum technology, a widely used handbook: numerical forms for air at
   20 degrees Celsius, 135 d⁴ P̄/L and 12.1 d³/L [l/s; cm, mbar].
"""

from __future__ import annotations

import math

from physics.constants import AIR_MOLAR_MASS, AIR_VISCOSITY_20C, GAS_CONSTANT
from physics.types import F

_ROOM_K = 293.15


def viscous_conductance(
    bore_m: float, length_m: float, mean_pressure_pa: F, viscosity: float = AIR_VISCOSITY_20C
) -> F:
    """Conductance of a long round pipe in laminar viscous flow, π d⁴ P̄ / (128 η L) [1]_.

    Parameters
    ----------
    bore_m, length_m : float
        Inner diameter and length [m].
    mean_pressure_pa : float or ndarray
        Mean of the pressures at both ends [Pa].
    viscosity : float
        Dynamic viscosity of the gas [Pa s]; air at 20 degrees Celsius if not given.

    Returns
    -------
    float or ndarray
        Conductance [m³/s]. Turbulence and choking near atmospheric pressure are left out; there a
        hose is no bottleneck anyway.

    Examples
    --------
    A charging hose of 6.35 mm bore and 1.5 m at 1 mmHg passes 0.195 l/s:

    >>> round(1e3 * viscous_conductance(6.35e-3, 1.5, 133.3), 3)
    0.195
    """
    return mean_pressure_pa * (math.pi * bore_m**4 / (128.0 * viscosity * length_m))


def mean_speed(temperature_k: float = _ROOM_K, molar_mass: float = AIR_MOLAR_MASS) -> float:
    """Mean thermal speed of the molecules of a gas, √(8RT/πM) [m/s] [1]_."""
    return math.sqrt(8.0 * GAS_CONSTANT * temperature_k / (math.pi * molar_mass))


def molecular_conductance(
    bore_m: float,
    length_m: float,
    temperature_k: float = _ROOM_K,
    molar_mass: float = AIR_MOLAR_MASS,
) -> float:
    """Conductance of a long round pipe in molecular flow, (π d³/12 L) √(8RT/πM) [1]_.

    Parameters
    ----------
    bore_m, length_m : float
        Inner diameter and length [m].
    temperature_k : float
        Temperature of the gas [K].
    molar_mass : float
        Molar mass of the gas [kg/mol].

    Returns
    -------
    float
        Conductance [m³/s].

    Examples
    --------
    >>> round(1e3 * molecular_conductance(0.01, 0.01), 1)  # 12.1 d³/L of [2] in l/s
    12.1
    """
    return math.pi * bore_m**3 / (12.0 * length_m) * mean_speed(temperature_k, molar_mass)


def conductance(
    bore_m: float,
    length_m: float,
    mean_pressure_pa: F,
    temperature_k: float = _ROOM_K,
    molar_mass: float = AIR_MOLAR_MASS,
    viscosity: float = AIR_VISCOSITY_20C,
) -> F:
    """Conductance of a long round pipe at any pressure: the sum of viscous and molecular flow.

    Parameters
    ----------
    bore_m, length_m : float
        Inner diameter and length [m].
    mean_pressure_pa : float or ndarray
        Mean of the pressures at both ends [Pa].
    temperature_k, molar_mass, viscosity : float
        The gas; air at 20 degrees Celsius if not given.

    Returns
    -------
    float or ndarray
        Conductance [m³/s].

    Notes
    -----
    Exact at both ends. Between them, at Knudsen numbers of 0.01 to 0.5, it stays above the true
    value by up to about a quarter (Knudsen's minimum) [1]_.
    """
    molecular = molecular_conductance(bore_m, length_m, temperature_k, molar_mass)
    return viscous_conductance(bore_m, length_m, mean_pressure_pa, viscosity) + molecular


def mean_free_path(
    pressure_pa: F,
    temperature_k: float = _ROOM_K,
    molar_mass: float = AIR_MOLAR_MASS,
    viscosity: float = AIR_VISCOSITY_20C,
) -> F:
    """Mean free path from the viscosity, (η/p) √(πRT/2M) [m] [1]_.

    Parameters
    ----------
    pressure_pa : float or ndarray
        Absolute pressure [Pa].
    temperature_k, molar_mass, viscosity : float
        The gas; air at 20 degrees Celsius if not given.
    """
    root = math.sqrt(math.pi * GAS_CONSTANT * temperature_k / (2.0 * molar_mass))
    return viscosity * root / pressure_pa


def knudsen_number(bore_m: float, pressure_pa: F) -> F:
    """Knudsen number of air at 20 degrees Celsius in a pipe: mean free path over bore.

    Below about 0.01 flow is viscous, above about 0.5 molecular [1]_.
    """
    return mean_free_path(pressure_pa) / bore_m


def in_series(first_m3_s: F, second_m3_s: F) -> F:
    """Conductances (or a pumping speed and a conductance) in series, 1/(1/a + 1/b) [m³/s]."""
    return first_m3_s * second_m3_s / (first_m3_s + second_m3_s)


def choked_mass_flow(
    area_m2: float,
    pressure_pa: F,
    temperature_k: float = _ROOM_K,
    molar_mass: float = AIR_MOLAR_MASS,
    isentropic_exponent: float = 1.4,
) -> F:
    """Mass flow through an orifice whose downstream pressure is below the critical one.

    Parameters
    ----------
    area_m2 : float
        Area of the stream [m²] (the opening times its discharge coefficient).
    pressure_pa : float or ndarray
        Upstream absolute pressure [Pa].
    temperature_k, molar_mass, isentropic_exponent : float
        The gas upstream; air at 20 degrees Celsius if not given.

    Returns
    -------
    float or ndarray
        Mass flow [kg/s]: A p √(κM/RT) (2/(κ+1))^((κ+1)/(2(κ-1))) [1]_. It does not depend on the
        downstream pressure while that is below `critical_pressure_ratio` times `pressure_pa`:
        why a leak into a vacuum rises straight.
    """
    k = isentropic_exponent
    factor = math.sqrt(k * molar_mass / (GAS_CONSTANT * temperature_k))
    return pressure_pa * (area_m2 * factor * math.pow(2.0 / (k + 1.0), (k + 1.0) / (2.0 * (k - 1.0))))


def critical_pressure_ratio(isentropic_exponent: float = 1.4) -> float:
    """Largest ratio of downstream to upstream pressure at which an orifice is choked [1]_."""
    k = isentropic_exponent
    return math.pow(2.0 / (k + 1.0), k / (k - 1.0))

"""How long a pump takes, and where it ends.

References
----------
.. [1] K. Jousten (ed.), Handbook of Vacuum Technology, 2nd edition, Wiley-VCH 2016, chapter 19:
   pump-down of a vessel with and without gas load.
"""

from __future__ import annotations

import math

from physics.flow import in_series


def end_pressure(ultimate_pa: float, load_pa_m3_s: float, speed_m3_s: float) -> float:
    """Pressure at which a pump and a gas load are in balance, P_u + Q/S [1]_.

    Parameters
    ----------
    ultimate_pa : float
        Ultimate pressure of the pump, blanked off [Pa].
    load_pa_m3_s : float
        Gas load: leaks, vapour, gas from oil and walls [Pa m³/s].
    speed_m3_s : float
        Effective pumping speed at the circuit [m³/s], see `effective_speed`.

    Returns
    -------
    float
        Absolute pressure [Pa].
    """
    return ultimate_pa + load_pa_m3_s / speed_m3_s


def effective_speed(pump_m3_s: float, conductance_m3_s: float) -> float:
    """Pumping speed left behind a hose, 1/S_eff = 1/S + 1/C [m³/s] [1]_."""
    return in_series(pump_m3_s, conductance_m3_s)


def time_to_pressure(
    volume_m3: float,
    speed_m3_s: float,
    start_pa: float,
    target_pa: float,
    ultimate_pa: float = 0.0,
    load_pa_m3_s: float = 0.0,
) -> float:
    """Time to pump a volume down, (V/S) ln((P0 - P_end)/(P1 - P_end)) [1]_.

    Parameters
    ----------
    volume_m3, speed_m3_s : float
        Volume [m³] and effective pumping speed [m³/s], constant.
    start_pa, target_pa : float
        Pressures at start and end [Pa].
    ultimate_pa, load_pa_m3_s : float
        Ultimate pressure [Pa] and constant gas load [Pa m³/s], both zero if not given.

    Returns
    -------
    float
        Time [s]; zero where the target is already reached, infinite where it never is. A real
        circuit is far slower than this ideal: hoses, water and gas from oil and walls.

    Examples
    --------
    20 l with a pump of 6 cubic feet per minute, from the atmosphere to 500 micron:

    >>> round(time_to_pressure(0.020, 6 * 0.3048**3 / 60, 101325.0, 66.66), 2)
    51.75
    """
    end_pa = end_pressure(ultimate_pa, load_pa_m3_s, speed_m3_s)
    if start_pa <= target_pa:
        return 0.0
    if target_pa <= end_pa:
        return math.inf
    return volume_m3 / speed_m3_s * math.log((start_pa - end_pa) / (target_pa - end_pa))

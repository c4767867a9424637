"""What a heat-conduction vacuum gauge makes of a pressure."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass

from physics.units import MICRON_PA, from_pascal

MICRON_STEPS = (
    (1_000.0 * MICRON_PA, 1.0 * MICRON_PA),
    (5_000.0 * MICRON_PA, 10.0 * MICRON_PA),
    (20_000.0 * MICRON_PA, 50.0 * MICRON_PA),
    (math.inf, 100.0 * MICRON_PA),
)
"""Display steps by range, common practice, no source: below [Pa], step [Pa]."""

PASCAL_STEPS = ((100.0, 0.1), (1_000.0, 1.0), (10_000.0, 10.0), (math.inf, 100.0))


@dataclass(frozen=True, slots=True)
class GaugeData:
    """How a gauge errs.

    Parameters
    ----------
    unit : str
        Unit it sends, see `physics.units.pressure_unit`.
    scale : float
        Factor on the true pressure: typical accuracy is 10 % of the reading.
    offset_pa : float
        Zero offset [Pa].
    noise : float
        Standard deviation as a share of the reading.
    lag_s : float
        Time constant [s].
    steps : tuple of (float, float)
        Display steps: below this pressure [Pa], this step [Pa].
    top_pa : float
        Top of the range [Pa]; at and above it the gauge says over-range.
    vapour_factor : float
        Sensitivity to water vapour over that to air.
    battery_hours : float
        A full battery lasts so long [h].
    battery_start : float
        Charge at the beginning, 0 to 1.
    """

    unit: str = "micron"
    scale: float = 1.0
    offset_pa: float = 0.0
    noise: float = 0.005
    lag_s: float = 1.5
    steps: tuple[tuple[float, float], ...] = MICRON_STEPS
    top_pa: float = 20_000.0 * MICRON_PA
    vapour_factor: float = 1.0
    battery_hours: float = 72.0
    battery_start: float = 1.0


@dataclass(frozen=True, slots=True)
class Reading:
    """What a gauge shows: a pressure [Pa], or over-range."""

    pressure_pa: float | None

    @property
    def overrange(self) -> bool:
        """At or above the top of the range."""
        return self.pressure_pa is None


class Gauge:
    """The state of a gauge.

    Parameters
    ----------
    data : GaugeData
        How it errs.
    seed : str
        Seed of its noise.
    """

    def __init__(self, data: GaugeData, seed: str) -> None:
        self.data = data
        self._noise = random.Random(seed)
        self._lagged_pa: float | None = None
        self._age_s = 0.0

    @property
    def battery_percent(self) -> float:
        """Charge left [%]."""
        used = self._age_s / (self.data.battery_hours * 3600.0)
        return max(100.0 * (self.data.battery_start - used), 0.0)

    @property
    def flat(self) -> bool:
        """Whether the battery is flat: the gauge sends nothing more."""
        return self.battery_percent <= 0.0

    def read(self, dry_pa: float, vapour_pa: float, seconds: float) -> Reading:
        """Read a pressure, ``seconds`` after the reading before.

        Parameters
        ----------
        dry_pa, vapour_pa : float
            Partial pressures of dry gas and water vapour [Pa].
        seconds : float
            Time since the reading before [s].
        """
        data = self.data
        self._age_s += seconds
        felt = dry_pa + data.vapour_factor * vapour_pa
        if self._lagged_pa is None or data.lag_s <= 0.0:
            self._lagged_pa = felt
        else:
            self._lagged_pa += (felt - self._lagged_pa) * -math.expm1(-seconds / data.lag_s)
        shown = data.scale * self._lagged_pa * (1.0 + data.noise * self._noise.gauss(0.0, 1.0))
        shown += data.offset_pa
        if shown >= data.top_pa:
            return Reading(None)
        step = next(step for below, step in data.steps if shown < below)
        return Reading(round(shown / step) * step)


def in_unit(pressure_pa: float, unit: str) -> float:
    """A shown pressure in the gauge's own unit, without the dust of conversion."""
    return float(f"{from_pascal(pressure_pa, unit):.7g}")

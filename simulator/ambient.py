"""Temperature of the air over the day."""

from __future__ import annotations

import math
from dataclasses import dataclass

from simulator.clock import US


@dataclass(frozen=True, slots=True)
class DayCurve:
    """A daily swing, warmest in the afternoon and coldest at about sunrise.

    Parameters
    ----------
    mean_k : float
        Mean over the day [K].
    swing_k : float
        Half the difference between warmest and coldest [K]; small indoors.
    warmest_us : int
        A moment at which it is warmest [µs since the epoch].
    """

    mean_k: float
    swing_k: float
    warmest_us: int

    def at(self, now_us: int) -> float:
        """Temperature [K].

        The second harmonic makes the afternoon short and the night long, as under a clear sky.
        """
        phase = 2.0 * math.pi * (now_us - self.warmest_us) / (86_400.0 * US)
        return self.mean_k + self.swing_k * (0.88 * math.cos(phase) + 0.12 * math.cos(2.0 * phase))

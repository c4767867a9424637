"""Volume of a circuit from its pipes and vessels, with the range that rough measures leave.

Geometry is exact, V = π/4 d² L; what is not exact are the lengths somebody paced out and the wall of a
pipe of which only the outside is known. The range is therefore the sum of the worst cases, not a standard
deviation: errors of one person with one tape all go the same way.

References
----------
.. [1] ASTM B280, Standard specification for seamless copper tube for air conditioning and refrigeration
   field service: outside diameters and wall thicknesses of annealed and drawn tube, read in a public
   reprint of its tables (Engineering ToolBox, "ASTM B280 copper tube for air conditioning and
   refrigeration") and, for drawn tube, of its table 1 (edition of 2020).
.. [2] EN 12735-1, Copper and copper alloys, seamless round tubes for air conditioning and refrigeration:
   usual metric sizes, from memory, not read.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

INCH_M = 0.0254

LENGTH_SHARE = 0.10
"""How far a length may be off, as a share: our own choice, for lengths read from a drawing or paced out."""

VESSEL_SHARE = 0.10
"""How far the volume of a vessel may be off, as a share: our own choice."""

SAME_M = 0.15e-3
"""Two outside diameters closer than this are one size [m]: 9.5 mm is written for 3/8 in."""

_INCH_WALLS: Mapping[float, tuple[float, ...]] = {
    1 / 8: (0.030,),
    3 / 16: (0.030,),
    1 / 4: (0.025, 0.030),
    5 / 16: (0.032,),
    3 / 8: (0.030, 0.032),
    1 / 2: (0.032, 0.035),
    5 / 8: (0.035, 0.040),
    3 / 4: (0.035, 0.042),
    7 / 8: (0.045,),
    1 + 1 / 8: (0.050,),
    1 + 3 / 8: (0.055,),
    1 + 5 / 8: (0.060,),
    2 + 1 / 8: (0.070,),
}
"""Outside diameter and walls [in] [1]_."""

_METRIC_WALLS: Mapping[float, tuple[float, ...]] = {
    6: (1.0,),
    8: (1.0,),
    10: (1.0,),
    12: (1.0,),
    15: (1.0,),
    16: (1.0,),
    18: (1.0,),
    22: (1.0,),
    28: (1.0, 1.5),
    35: (1.5,),
    42: (1.5,),
    54: (2.0,),
}
"""Outside diameter and walls [mm], from memory [2]_."""

WALLS_M: Mapping[float, tuple[float, ...]] = MappingProxyType(
    {
        **{size * INCH_M: tuple(w * INCH_M for w in walls) for size, walls in _INCH_WALLS.items()},
        **{size / 1000: tuple(w / 1000 for w in walls) for size, walls in _METRIC_WALLS.items()},
    }
)
"""Walls [m] by outside diameter [m]."""


@dataclass(frozen=True, slots=True)
class Between:
    """A figure with its range.

    Parameters
    ----------
    value, low, high : float
        Best value and the range of the worst cases, in one unit.
    """

    value: float
    low: float
    high: float

    def __add__(self, other: Between) -> Between:
        return Between(self.value + other.value, self.low + other.low, self.high + other.high)

    def scaled(self, factor: float) -> Between:
        """All three times a factor of zero or more."""
        return Between(self.value * factor, self.low * factor, self.high * factor)


NOTHING = Between(0.0, 0.0, 0.0)


def bore_area(inner_m: float) -> float:
    """Area of a round bore, π/4 d² [m²].

    Examples
    --------
    >>> f"{bore_area(0.020):.4e}"
    '3.1416e-04'
    """
    return math.pi / 4.0 * inner_m**2


def inner_diameter(outer_m: float) -> Between:
    """Inside diameter of a copper tube of which only the outside is known [m] [1]_ [2]_.

    Raises
    ------
    ValueError
        If no tube of that size is in the tables.
    """
    sizes = [size for size in WALLS_M if abs(size - outer_m) <= SAME_M]
    if not sizes:
        raise ValueError("no usual copper tube has that outside diameter; give the inside diameter too")
    bores = [outer_m - 2.0 * wall for size in sizes for wall in WALLS_M[size]]
    return Between(sum(bores) / len(bores), min(bores), max(bores))


def pipe_volume(
    length_m: float,
    *,
    inner_m: float | None = None,
    outer_m: float | None = None,
    length_share: float = LENGTH_SHARE,
) -> Between:
    """Volume inside a pipe [m³].

    Parameters
    ----------
    length_m : float
        Length [m].
    inner_m, outer_m : float or None
        Inside and outside diameter [m]; the outside counts only where the inside is not given.
    length_share : float
        How far the length may be off, as a share of it.

    Raises
    ------
    ValueError
        If a figure cannot be.

    Examples
    --------
    >>> volume = pipe_volume(10.0, inner_m=0.020)
    >>> f"{volume.value * 1000:.3f} l, {volume.low * 1000:.2f} to {volume.high * 1000:.2f}"
    '3.142 l, 2.83 to 3.46'
    """
    if not 0 < length_m < math.inf:
        raise ValueError("a pipe's length must be above zero")
    if not 0 <= length_share < 1:
        raise ValueError("the share by which a length may be off lies between 0 and 1")
    if inner_m is None:
        if outer_m is None:
            raise ValueError("a pipe needs its inside or outside diameter")
        inner = inner_diameter(outer_m)
    else:
        inner = Between(inner_m, inner_m, inner_m)
        if outer_m is not None and not inner_m < outer_m:
            raise ValueError("the inside diameter must be smaller than the outside diameter")
    if not 0 < inner.low <= inner.high < math.inf:
        raise ValueError("a diameter must be above zero")
    return Between(
        bore_area(inner.value) * length_m,
        bore_area(inner.low) * length_m * (1 - length_share),
        bore_area(inner.high) * length_m * (1 + length_share),
    )


def vessel_volume(volume_m3: float, *, share: float = VESSEL_SHARE) -> Between:
    """Volume of a receiver, a heat exchanger, a compressor's housing [m³].

    Raises
    ------
    ValueError
        If it is not above zero.
    """
    if not 0 < volume_m3 < math.inf:
        raise ValueError("a vessel's volume must be above zero")
    return Between(volume_m3, volume_m3 * (1 - share), volume_m3 * (1 + share))


def total(parts: Iterable[Between]) -> Between:
    """The sum of parts, worst cases added [m³]."""
    return sum(parts, start=NOTHING)

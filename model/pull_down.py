"""What is said of a pull-down: when it comes to the target, how well the pump pulls, why the pressure stands.

An estimate (`analytics.core.pull_down`); it never changes a verdict.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from model.judgement import Interval
from model.rig import NO_RIG, Rig


class State(StrEnum):
    """Where a pull-down is."""

    EARLY = "early"
    """Too few readings, or it has hardly begun to fall."""
    FALLING = "falling"
    STANDING = "standing"
    """The pressure stands above the target."""
    REACHED = "reached"


class Standing(StrEnum):
    """What lets a pressure stand, as far as a curve tells."""

    WATER = "free water"
    BALANCE = "pump, gas or gauge"
    """A pump at its limit, a leak in balance with the pump, a gauge wet or oily: one flat line."""
    DEGASSING = "degassing"
    """Still falling, like a power of time."""
    UNCLEAR = "unclear"


@dataclass(frozen=True, slots=True)
class Until:
    """Seconds from the last reading until the target.

    Parameters
    ----------
    value : float or None
        Expected [s]; None: not by this curve, or not to be told.
    low, high : float or None
        Middle 90 % [s]; ``high`` None where it may be never. While the pressure stands, ``low`` is how long
        it would take if what holds it ended now.
    never : float
        Share of the curves that fit whose end pressure lies above the target, or that come to it only after
        thirty times as long again as was seen.
    """

    value: float | None
    low: float
    high: float | None
    never: float


@dataclass(frozen=True, slots=True)
class Speed:
    """Effective pumping speed at the gauge, with 90 % intervals.

    Parameters
    ----------
    pressure_pa : float
        At this pressure [Pa].
    per_s : Interval
        Over the volume, S/V [1/s].
    m3_s : Interval or None
        With the volume and its error [m³/s].
    of_rating, of_explained : float or None
        Shares of the pump's rating, and of what pump and hose together would give there.
    """

    pressure_pa: float
    per_s: Interval
    m3_s: Interval | None = None
    of_rating: float | None = None
    of_explained: float | None = None
    held_back: bool = False
    """Surely less than half of what pump and hose explain."""


@dataclass(frozen=True, slots=True)
class Stall:
    """A pressure that stands above the target.

    Parameters
    ----------
    pressure_pa : float
        Where [Pa].
    since_s : float
        For how long [s].
    water : float
        Probability that it is free water.
    named : Standing
        The cause, or unclear.
    near_triple : bool
        Within 8 % of the triple point's pressure.
    saturation_pa : float
        Saturation pressure at the surroundings' temperature [Pa].
    falling_per_h : float
        How fast ln P still falls [1/h].
    """

    pressure_pa: float
    since_s: float
    water: float
    named: Standing
    near_triple: bool
    saturation_pa: float
    falling_per_h: float


@dataclass(frozen=True, slots=True)
class PullDown:
    """What is said of a pull-down."""

    state: State
    pressure_pa: float | None = None
    """Now, noise taken out [Pa]."""
    until: Until | None = None
    best: Speed | None = None
    """At the highest pressure that was fitted."""
    now: Speed | None = None
    load_share: float | None = None
    """Share of what the pump takes now that is gas still coming in."""
    stall: Stall | None = None


@dataclass(frozen=True, slots=True)
class PullEstimate:
    """What is said of a running pull-down at a moment. Times [µs].

    Parameters
    ----------
    start_us : int
        When the pull-down began.
    at_us : int
        Its last reading that was looked at: from then on seconds count.
    target_pa : float
        The procedure's target [Pa].
    found : PullDown
        What was found.
    rig : Rig
        The pump and hose that were known.
    """

    start_us: int
    at_us: int
    target_pa: float
    found: PullDown
    rig: Rig = NO_RIG

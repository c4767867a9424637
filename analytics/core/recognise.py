"""Recognition by the curve alone, where no valve reports: a pump-down that turns into a rise, and back.

On line, with a bounded memory: filtered pressures at least five seconds apart, the older ones thinned.

What is told apart, and by what (our own choices, from the physics named beside them):

- A rise needs a size: several times the display's step or the noise, and a share of the lowest pressure.
- An outgassing plateau under the pump wanders and falls back; a rise must last three minutes without that.
- A sunrise raises the pressure under a running pump by 8 to 10 %/K (bound water is activated, about
  60 kJ/mol): slow and bending upwards. So a slow rise counts only if it does not bend upwards, and with a
  thermometer only what the temperature does not explain.
- A valve or joint opened to gas: the load that balances the pump at p is V·k·p, k being the fastest relative
  fall that the pump-down showed; once isolated it can raise the pressure no faster than k·p. What rises much
  faster was let in, or is the circuit evening out, which stops by itself.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from itertools import pairwise

from analytics.core.hold import Point
from model.clock import US

SPACING_US = 5 * US
_POINTS = 200
_FINEST = 128
"""Points are first kept this share of their age apart."""
_DELTAS = 61
_GAPS = 30

NEAR_TARGET = 1.3
"""Below this multiple of the target a hold is to be expected, above it a stall that wanders."""
_SHARE_NEAR, _SHARE_FAR = 0.08, 0.5
_LEAST_PA = 0.3
_LASTING_US = 180 * US
_BURST_US = 600 * US
_SLOW_PER_S = 0.8 / 3600
"""Twice the relative rise that a sunrise of 5 K/h makes under a running pump [1/s]."""
_PER_K = 0.10
_STEEP = 3.0
_STEEP_WAIT_US = 1200 * US
_LOOK_BACK_US = 300 * US
_FALL = 0.8


@dataclass(frozen=True, slots=True)
class Turn:
    """Where a curve turned. Times [µs]."""

    at_us: int
    uncertainty_s: float
    pressure_pa: float


@dataclass(slots=True)
class Curve:
    """What is remembered of the curve since the pump-down began."""

    points: list[tuple[int, float]] = field(default_factory=list)
    deltas: list[float] = field(default_factory=list)
    """Last changes between readings that were not zero [Pa]: noise or display step."""
    last_raw: float | None = None
    same: float = 0.0
    """Share of readings that repeat the one before: high where the display's step hides the noise."""
    last_us: int | None = None
    gaps: list[tuple[int, int]] = field(default_factory=list)
    """Latest stretches without readings [µs]."""
    low_pa: float | None = None
    low_us: int = 0
    low_k: float | None = None
    """Temperature at the lowest pressure [K]."""
    relative_fall: float = 0.0
    """Fastest relative fall seen, k [1/s]."""
    rising_us: int | None = None
    """Since when the pressure has been above the lowest by the margin."""
    margin_pa: float = 0.0
    """What had to be exceeded then [Pa]."""
    high_pa: float = 0.0
    """Highest filtered pressure of the running hold."""

    def scale(self) -> float:
        """A step of the display, or about half a standard deviation of the noise [Pa]."""
        return sorted(self.deltas)[len(self.deltas) // 4] if self.deltas else 0.0


def watch(curve: Curve, point: Point, kelvin: float | None) -> bool:
    """Take a reading; return whether a new point was kept (only then the curve need be looked at)."""
    time_us, raw, filtered = point.time_us, point.value, point.filtered
    if curve.last_us is not None and time_us - curve.last_us > point.gap_us:
        curve.gaps.append((curve.last_us, time_us))
        del curve.gaps[:-_GAPS]
    curve.last_us = time_us
    curve.same += ((raw == curve.last_raw) - curve.same) / 16
    if curve.last_raw is not None and raw != curve.last_raw:
        curve.deltas.append(abs(raw - curve.last_raw))
        if len(curve.deltas) > _DELTAS:
            del curve.deltas[0]
    curve.last_raw = raw
    if filtered is None or (curve.points and time_us - curve.points[-1][0] < SPACING_US):
        return False
    if curve.points:
        before_us, before = curve.points[-1]
        if 0 < filtered < before:
            fall = math.log(before / filtered) * US / (time_us - before_us)
            curve.relative_fall = max(curve.relative_fall, fall)
    curve.points.append((time_us, filtered))
    if curve.low_pa is None or filtered <= curve.low_pa:
        curve.low_pa, curve.low_us, curve.low_k = filtered, time_us, kelvin
        curve.rising_us = None
    if len(curve.points) > _POINTS:
        _thin(curve)
    return True


def _thin(curve: Curve) -> None:
    """Keep points the farther apart the longer ago they are, and those at the lowest pressure.

    So the foot of a rise that shows only after days is still known, to a share of its age.
    """
    points = curve.points
    now_us = points[-1][0]
    share = _FINEST
    while len(curve.points) > _POINTS * 3 // 4:
        kept = [points[-1]]
        for point, before in zip(points[-2::-1], (*points[-3::-1], None), strict=True):
            apart = kept[-1][0] - point[0]
            if before is None or point[0] == curve.low_us or apart >= (now_us - point[0]) // share:
                kept.append(point)
        curve.points = kept[::-1]
        share = max(share * 7 // 8, 1)


def turned_up(
    curve: Curve, target_pa: float, lag_us: int, slow_readings_us: int, kelvin: float | None
) -> Turn | None:
    """Whether the last point shows that an isolated rise has begun, and where.

    Parameters
    ----------
    curve : Curve
        What `watch` has kept.
    target_pa : float
        The procedure's target [Pa].
    lag_us : int
        By how much the filter is late [µs].
    slow_readings_us : int
        Time that three readings take [µs].
    kelvin : float or None
        The circuit's temperature now [K].
    """
    if curve.low_pa is None or not curve.points:
        return None
    now_us, pressure = curve.points[-1]
    rise = pressure - curve.low_pa
    # Latched, because the rise itself looks like noise to the changes between readings.
    margin = _margin(curve, target_pa) if curve.rising_us is None else curve.margin_pa
    if rise < margin:
        curve.rising_us = None
        return None
    if curve.rising_us is None:
        curve.rising_us, curve.margin_pa = now_us, margin
    if now_us - curve.rising_us < max(_LASTING_US, slow_readings_us):
        return None
    if _falls_back(curve, rise, now_us) or _explained_by_temperature(curve, rise, margin, kelvin):
        return None
    turn = turning_point(curve, margin, lag_us)
    if _too_steep(curve, now_us) or not _abrupt(curve, turn, margin, rise, kelvin):
        return None
    return turn


def _margin(curve: Curve, target_pa: float) -> float:
    assert curve.low_pa is not None
    share = _SHARE_NEAR if curve.low_pa <= NEAR_TARGET * target_pa else _SHARE_FAR
    # A display's step is no more than itself; noise has extremes, and the lowest pressure is one of them.
    several = 4 if curve.same > 0.3 else 7
    return max(several * curve.scale(), share * abs(curve.low_pa), _LEAST_PA)


def _falls_back(curve: Curve, rise: float, now_us: int) -> bool:
    """Whether the pressure is on its way back, as after a burst of gas that the pump carries off."""
    assert curve.low_pa is not None
    assert curve.rising_us is not None
    if now_us - curve.rising_us > _BURST_US:
        return False
    peak = max(kept for at_us, kept in curve.points if at_us >= curve.rising_us) - curve.low_pa
    return rise < 0.9 * peak - 2 * curve.scale()


def _explained_by_temperature(curve: Curve, rise: float, margin: float, kelvin: float | None) -> bool:
    if kelvin is None or curve.low_k is None or kelvin <= curve.low_k:
        return False
    assert curve.low_pa is not None
    warming = min(_PER_K * (kelvin - curve.low_k), 5.0)
    return rise <= abs(curve.low_pa) * math.expm1(warming) + margin


def _too_steep(curve: Curve, now_us: int) -> bool:
    """Whether gas is still being let in faster than any leak that the pump had held could."""
    assert curve.rising_us is not None
    assert curve.low_pa is not None
    if curve.relative_fall <= 0 or now_us - curve.rising_us > _STEEP_WAIT_US:
        return False
    earlier = next(
        (point for point in reversed(curve.points) if now_us - point[0] >= 60 * US), curve.points[0]
    )
    if earlier[0] == now_us:
        return False
    rate = (curve.points[-1][1] - earlier[1]) * US / (now_us - earlier[0])
    return rate > _STEEP * curve.relative_fall * max(curve.low_pa, _LEAST_PA)


def _abrupt(curve: Curve, turn: Turn, margin: float, rise: float, kelvin: float | None) -> bool:
    """Whether the rise set in at once, as after closing a valve, and not as a day warms up."""
    assert curve.low_pa is not None
    assert curve.rising_us is not None
    now_us, pressure = curve.points[-1]
    early = margin * US / max(curve.rising_us - turn.at_us, 1)
    if early >= _SLOW_PER_S * abs(curve.low_pa):
        return True
    if rise < 4 * margin:
        return False
    middle = _pressure_at(curve, (turn.at_us + now_us) // 2)
    if middle - curve.low_pa >= 0.42 * rise and _slope_before(curve, turn) <= 0.3 * early:
        return True
    # It began gently: whatever sets in from here on must show a kink of its own.
    curve.low_pa, curve.low_us, curve.low_k, curve.rising_us = pressure, now_us, kelvin, None
    return False


def _pressure_at(curve: Curve, time_us: int) -> float:
    return min(curve.points, key=lambda point: abs(point[0] - time_us))[1]


def _slope_before(curve: Curve, turn: Turn) -> float:
    """Slope before a turn, over as long as the early rise took [Pa/s]."""
    assert curve.rising_us is not None
    length_us = max(curve.rising_us - turn.at_us, _LOOK_BACK_US)
    since_us = max(turn.at_us - length_us, curve.points[0][0])
    if since_us >= turn.at_us:
        return 0.0
    return (_pressure_at(curve, turn.at_us) - _pressure_at(curve, since_us)) * US / (turn.at_us - since_us)


def turning_point(curve: Curve, margin: float, lag_us: int, foot_share: float = 0.25) -> Turn:
    """Where the rise that is going on began: the early rise drawn back to the lowest pressure.

    Its foot is the last point that was not above the lowest by this share of the margin.
    """
    assert curve.low_pa is not None
    after = next(
        (
            i
            for i, point in enumerate(curve.points)
            if point[0] > curve.low_us and point[1] >= curve.low_pa + margin
        ),
        len(curve.points) - 1,
    )
    if curve.rising_us is not None:
        after = next((i for i, point in enumerate(curve.points) if point[0] >= curve.rising_us), after)
    level = curve.low_pa + foot_share * margin
    before = after
    while before > 0 and curve.points[before][1] > level:
        before -= 1
    foot_us, foot = curve.points[before]
    top_us, top = curve.points[after]
    back_us = 0
    if top > foot and foot > curve.low_pa:
        back_us = round((foot - curve.low_pa) / (top - foot) * (top_us - foot_us))
    at_us = max(foot_us - back_us, min(curve.low_us, foot_us)) - lag_us
    step_us = curve.points[min(before + 1, len(curve.points) - 1)][0] - foot_us
    slope = (top - foot) / max(top_us - foot_us, 1)
    noise_us = curve.scale() / slope if slope > 0 else 0.0
    return Turn(
        max(at_us, curve.points[0][0]),
        max(step_us, lag_us, min(noise_us, foot_us - curve.points[0][0])) / US,
        foot,
    )


def vented_from(curve: Curve, lag_us: int, high_us: int) -> int:
    """When the pressure that is high since ``high_us`` left its lowest, if that is not too long ago [µs]."""
    if curve.rising_us is None or curve.rising_us > high_us:
        return high_us
    at_us = turning_point(curve, curve.margin_pa, lag_us, foot_share=1.0).at_us
    return at_us if high_us - at_us <= _STEEP_WAIT_US else high_us


def let_in(curve: Curve, least_pa: float, lasting_us: int) -> int | None:
    """Whether gas was let in, to this pressure and more for so long, and since when [µs].

    It rose faster than any leak that the pump had held could let it, as a break with dry gas does; closing a
    valve makes no rise so steep.
    """
    assert curve.low_pa is not None
    now_us, pressure = curve.points[-1]
    if pressure < least_pa or curve.relative_fall <= 0:
        return None
    rise = [point for point in curve.points if point[0] >= curve.low_us]
    if not any(at_us <= now_us - lasting_us and kept >= least_pa for at_us, kept in rise):
        return None
    if any(at_us > now_us - lasting_us and kept < least_pa for at_us, kept in rise):
        return None
    steepest = max(
        (after - before) * US / (after_us - before_us)
        for (before_us, before), (after_us, after) in pairwise(rise)
    )
    if steepest <= _STEEP * curve.relative_fall * max(curve.low_pa, _LEAST_PA):
        return None
    before = [at_us for at_us, kept in rise if kept <= 2 * max(curve.low_pa, _LEAST_PA)]
    return before[-1]


def turned_down(curve: Curve, since_us: int, slow_readings_us: int) -> Turn | None:
    """Whether the pressure of a hold falls as only a pump makes it fall, and since when.

    Cooling takes 8 to 10 %/K, so at 5 K/h four per cent in five minutes; a pump takes a fifth and more.
    """
    now_us, pressure = curve.points[-1]
    curve.high_pa = max(curve.high_pa, pressure)
    look_us = max(_LOOK_BACK_US, slow_readings_us)
    recent = [point for point in curve.points if point[0] >= max(now_us - look_us, since_us)]
    if len(recent) < 2:
        return None
    top_us, top = max(recent, key=lambda point: point[1])
    spread = 4 * curve.scale() + _LEAST_PA
    fell_fast = pressure < _FALL * top - spread
    fell_far = (
        pressure < 0.5 * curve.high_pa - spread and curve.low_pa is not None and pressure < curve.low_pa
    )
    if not (fell_fast or fell_far):
        return None
    foot = next(
        (point for point in reversed(recent) if point[1] >= top - max(0.03 * top, curve.scale())),
        (top_us, top),
    )
    return Turn(foot[0], (now_us - foot[0]) / US, foot[1])

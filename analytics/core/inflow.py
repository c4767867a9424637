"""Air that was not there while the pump ran: what a pump that stopped with the valve open lets back.

A hold that was found in the curve may be none. A backflow through a pump that stands and a leak behind a
closed valve both rise straight (`analytics.core.pump_stop`); their size may tell them apart. What leaks now
leaked before, and the pump carried it off at the lowest pressure p: at most S·p, with S what its rating gives
behind its hose there [1]_. Once isolated that raises the pressure by S·p/V at most, and so does gas from oil,
walls and water, which only dies away as the pressure rises. A rise that is surely steeper and goes on
straight is air that began to come in as it began: back through a pump that stands, or by something that
opened then. The circuit evening out may be as steep, but bends over within a quarter of an hour.

It needs the circuit's volume and the pump's rating; the hose makes it sharper, and supposes the gauge at the
circuit's end of it. It changes no verdict.

References
----------
.. [1] Mass balance V·dP/dt = Q − S·P of vacuum handbooks; at the lowest pressure the left side is zero.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

from analytics.core.hold import Hold, Rule
from analytics.core.pull_model import Known, through_hose
from model.clock import US

MOMENTS_S = (300.0, 600.0, 900.0)
"""Evening out takes ten minutes and more through long thin pipe (trade page)."""

STRAIGHT = 0.8
"""Least share of the slope that is left from one stretch to the next. Own choice: what evens out with a time
constant of half an hour keeps 0.85, of a quarter of an hour 0.72."""

MARGIN = 3.0
"""Volumes are ±30 %, gauges ±10 %, a bore that is a sixth wider passes twice as much. Own choice."""

LEAST_PA = 3.0
"""Lowest pressure to reckon with [Pa]: a zero offset, and what a pump itself gives off. Own choice."""


def note_onset(hold: Hold, points: Sequence[tuple[int, float]]) -> None:
    """Keep how steep a hold that was found in the curve rises, once it is old enough.

    Parameters
    ----------
    hold : Hold
        Changed.
    points : sequence of (int, float)
        Filtered pressures up to now [µs], [Pa].
    """
    if hold.by_valve or hold.onset is not None or not points:
        return
    moments = [hold.start_us + round(seconds * US) for seconds in MOMENTS_S]
    if points[-1][0] < moments[-1]:
        return
    near = [_nearest(points, at_us) for at_us in moments]
    slopes = [
        0.0 if after[0] <= before[0] else (after[1] - before[1]) * US / (after[0] - before[0])
        for before, after in pairwise(near)
    ]
    hold.onset = (slopes[0], slopes[1])


def _nearest(points: Sequence[tuple[int, float]], at_us: int) -> tuple[int, float]:
    return min(points, key=lambda point: abs(point[0] - at_us))


def most_held(pressure_pa: float, known: Known) -> float | None:
    """Fastest rise that what a pump had held at a pressure can make once isolated [Pa/s], None if not known.

    The rated ultimate pressure is left out: near it nothing would be held, and it is not so exactly known.
    """
    if known.volume_m3 is None or known.pump_m3_s is None:
        return None
    pressure_pa = max(pressure_pa, LEAST_PA)
    speed = through_hose(pressure_pa, replace(known, ultimate_pa=None), 1.0)
    return speed * pressure_pa / known.volume_m3


def new_inflow(hold: Hold, rule: Rule) -> bool:
    """Say whether the rise of a hold is surely air that was not there while the pump ran."""
    if hold.onset is None or hold.closing_pa is None:
        return False
    held = most_held(hold.closing_pa, Known.of(rule.rig, rule.volume_m3, None))
    first, then = hold.onset
    return held is not None and then > MARGIN * held and then >= STRAIGHT * first

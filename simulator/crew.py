"""What people do at a site, as scripts that wait for conditions.

A script is a generator: it acts, then yields what it waits for. People see the gauge, not the physics.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import count

from physics.constants import ATMOSPHERE_PA
from simulator.clock import US
from simulator.site import Condition, Script, Site

LOOK_TWICE_S = 20.0
"""Who has reached the target looks at the gauge once more before having the valve closed."""

WARM_UP_S = 150.0
"""A pump runs so long against the closed valve before it is opened."""


def at(moment_us: int) -> Condition:
    """Wait until a moment."""
    return lambda site: site.now_us >= moment_us


def after(site: Site, seconds: float) -> Condition:
    """Wait for a time."""
    return at(site.now_us + round(seconds * US))


def isolated(site: Site) -> bool:
    """Wait until the motorised valve reports closed; a hand valve is closed at once."""
    return site.valve is None or shut(site)


def shut(site: Site) -> bool:
    """Whether a motorised valve stands closed."""
    return site.valve is not None and site.valve.position == "closed"


class Below:
    """Wait until the gauge on the circuit has stayed at or below a pressure for a time.

    A median of the last five readings is compared, so that noise at the border does not count.
    """

    def __init__(self, pressure_pa: float, dwell_s: float) -> None:
        self._pressure_pa = pressure_pa
        self._dwell_us = round(dwell_s * US)
        self._last: list[float] = []
        self._since_us: int | None = None

    def __call__(self, site: Site) -> bool:
        shown = site.deciding_pa()
        self._last = [*self._last[-4:], float("inf") if shown is None else shown]
        if sorted(self._last)[len(self._last) // 2] > self._pressure_pa:
            self._since_us = None
            return False
        if self._since_us is None:
            self._since_us = site.now_us
        return site.now_us - self._since_us >= self._dwell_us


@dataclass(frozen=True, slots=True)
class Evening:
    """Plan of an evening's work, and perhaps of the morning after.

    Parameters
    ----------
    arrive_us : int
        The crew connects.
    target_pa, dwell_s : float
        It pulls to this [Pa] and waits so long [s].
    close_us : int
        It closes the valve, not before this.
    charge_us : int or None
        It charges the circuit, and the gauges come off; None: nobody comes back.
    """

    arrive_us: int
    target_pa: float
    dwell_s: float
    close_us: int
    charge_us: int | None = None


def overnight(site: Site, plan: Evening) -> Script:
    """Pull down in the evening, close the valve, leave; perhaps charge in the morning."""
    yield at(plan.arrive_us)
    site.connect()
    yield after(site, 60.0)
    yield from pull_down(site, plan.target_pa, plan.dwell_s)
    yield at(plan.close_us)
    yield from isolate(site)
    if plan.charge_us is not None:
        yield at(plan.charge_us)
        yield from charge(site)


def pull_down(site: Site, target_pa: float, dwell_s: float) -> Iterator[Condition]:
    """Start the pump, open the valve, wait for the target."""
    site.start_pump()
    yield after(site, WARM_UP_S)
    site.turn_valve("open")
    below = Below(target_pa, dwell_s)
    # Somebody elsewhere may have it closed before: then the gauge says no more about the pump.
    yield lambda place: below(place) or shut(place)


def isolate(site: Site, *, from_afar: bool = False) -> Iterator[Condition]:
    """Close the valve, and only then stop the pump.

    ``from_afar``: by asking whoever can reach the valve, unless it stands closed already.
    """
    if not from_afar:
        site.turn_valve("close")
    elif not isolated(site):
        site.ask_to_close()
    yield isolated
    yield after(site, 120.0)
    site.stop_pump()


def charge(site: Site) -> Iterator[Condition]:
    """Let refrigerant in, then take the gauges off."""
    site.fill(6.0 * ATMOSPHERE_PA, 300.0)
    yield after(site, 360.0)
    site.disconnect()


@dataclass(frozen=True, slots=True)
class Rounds:
    """Plan of a demonstration that repeats: pull, hold, break with nitrogen, and again.

    Parameters
    ----------
    first_us, period_us : int
        Beginning of the first round, and of each after it [µs].
    target_pa, dwell_s, hold_s : float
        Target [Pa], its dwell and the hold [s].
    """

    first_us: int
    period_us: int
    target_pa: float
    dwell_s: float
    hold_s: float

    def begin_us(self, moment_us: int) -> int:
        """Beginning of the round that a moment falls into; of the first one before it."""
        return self.first_us + max((moment_us - self.first_us) // self.period_us, 0) * self.period_us


def again_and_again(site: Site, plan: Rounds) -> Script:
    """Short evacuations with a short hold each, for ever."""
    first_us = plan.begin_us(site.now_us)
    for number in count():
        yield at(first_us + number * plan.period_us)
        site.renew()
        site.connect()
        yield from pull_down(site, plan.target_pa, plan.dwell_s)
        yield after(site, LOOK_TWICE_S)
        yield from isolate(site, from_afar=True)
        yield after(site, plan.hold_s)
        site.fill(ATMOSPHERE_PA, 60.0)

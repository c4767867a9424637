"""What is known, and since when, where somebody wants to move a valve: the input of the interlocks.

Each fact keeps its age beside it. How old a fact may be for what is the business of `desk.core.interlocks`.
"""

from __future__ import annotations

from dataclasses import dataclass

from model.clock import US
from model.order import KnownValve

REPORT_FRESH_S = 150.0
"""A pump or a valve reports once a minute and at changes: what is older than two missed reports and a half is
unknown, and so is what lies in a gap as long."""


@dataclass(frozen=True, slots=True)
class PumpReport:
    """What a pump last reported; times [µs].

    Parameters
    ----------
    since_us : int
        The first of the reports that say the same without another one and without a gap between; by the
        gateway's clock, as ``at_us``, so that their difference does not depend on it.
    """

    running: bool
    since_us: int
    at_us: int
    arrived_us: int

    @property
    def running_s(self) -> float:
        """For how long it is known to have run, by its own reports [s]; 0 if it does not."""
        return max(self.at_us - self.since_us, 0) / US if self.running else 0.0


@dataclass(frozen=True, slots=True)
class GaugeReport:
    """What a gauge last reported; pressures [Pa], times [µs].

    Parameters
    ----------
    pressure_pa : float or None
        Its last reading; None: it never gave one.
    at_us, arrived_us : int
        Of the last thing that it said, a reading or that it is over its range.
    at_top : bool
        It says that it is at or over the top of its range, or its reading is.
    fault : bool
        It says that it is unplugged or broken.
    suspect : bool
        Judged oily, wet or drifting, by the analysis or by a person.
    """

    name: str
    interval_s: float
    accuracy: float
    pressure_pa: float | None
    at_us: int
    arrived_us: int
    at_top: bool = False
    fault: bool = False
    suspect: bool = False


@dataclass(frozen=True, slots=True)
class Battery:
    """The weakest battery that a hold depends on.

    Parameters
    ----------
    lasts_until_us : int or None
        The earliest moment at which it may be flat, by its own discharge curve [µs]; None: too little of the
        curve is known.
    """

    name: str
    lasts_until_us: int | None


@dataclass(frozen=True, slots=True)
class Page:
    """The page, or the answer of the API, on which somebody decided.

    Parameters
    ----------
    made_us : int
        When it was made [µs].
    version : str
        `ValveFacts.version` of what it showed.
    """

    made_us: int
    version: str

    @property
    def ticket(self) -> str:
        """The same in one word, for a form to carry."""
        return f"{self.made_us}.{self.version}"

    @classmethod
    def parse(cls, ticket: str) -> Page | None:
        """The page of a ticket; None if it is none."""
        made, _, version = ticket.partition(".")
        if not (made.isascii() and made.isdigit() and len(made) <= 18 and version):
            return None
        return cls(int(made), version)


@dataclass(frozen=True, slots=True)
class ValveFacts:
    """All that the interlocks look at; times [µs].

    Parameters
    ----------
    now_us : int
        The moment of the decision, by the server's clock.
    valve : KnownValve
        The valve: its report, its gateway's presence, the latest order to it.
    automatic : bool
        No person asks, but a plan.
    opening_allowed : bool
        An administrator has turned on "opening from afar" at the site.
    may_open_here : bool
        The person is named among those who may open at the site; of a plan, the one who made it.
    hands : bool
        The last report of the site's switch says "local hands".
    pump : PumpReport or None
        None: no pump serves the job, or it never reported.
    circuit, pump_side : GaugeReport or None
        Gauges of the job on either side of the valve; None: there is none.
    page : Page or None
        What was decided on; None: the facts themselves, read in the same transaction.
    target_reached : bool
        The target has been held for its dwell, in the pull-down that is running.
    hold_until_us : int or None
        When the hold that shall begin would end; None: no hold is asked for.
    battery : Battery or None
        None: what the hold depends on reports no battery, so that it has a supply.
    """

    now_us: int
    valve: KnownValve
    automatic: bool = False
    opening_allowed: bool = False
    may_open_here: bool = False
    hands: bool = False
    pump: PumpReport | None = None
    circuit: GaugeReport | None = None
    pump_side: GaugeReport | None = None
    page: Page | None = None
    target_reached: bool = False
    hold_until_us: int | None = None
    battery: Battery | None = None

    @property
    def version(self) -> str:
        """Changes with whatever makes a decision about this valve another one: its report, its latest order,
        its gateway's session, whether the pump runs, whether hands decide."""
        valve = self.valve
        position = "none" if valve.report is None else valve.report.position.name.lower()
        latest = "0" if valve.latest is None else f"{valve.latest.id}-{valve.latest.state.value}"
        pump = "none" if self.pump is None else "runs" if self.pump.running else "stands"
        hands = "hands" if self.hands else "afar"
        return f"{valve.instrument_id}.{position}.{latest}.{pump}.{hands}.{valve.session}"

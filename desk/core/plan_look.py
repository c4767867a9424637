"""What a look at a hold plan sees, and what it comes to."""

from __future__ import annotations

from dataclasses import dataclass, replace

from model.clock import US
from model.event import EventKind
from model.fluid import Fluid
from model.hold_plan import Progress
from model.instants import undated
from model.judgement import Verdict
from model.order import Order, Report
from model.reading import Valve

AGAIN_S = 60.0
"""An order that came to nothing is asked for again after so long."""
BLOCKED_S = 600.0
"""Who is hindered for longer is stuck, and somebody must be told. Our own choice."""


@dataclass(frozen=True, slots=True)
class HoldSeen:
    """The hold test that began with the plan's latest close.

    Parameters
    ----------
    moisture, leak : float
        Probability of moisture alone, and of a leak with or without it; 0 where nothing was estimated.
    """

    id: int
    verdict: Verdict
    text: str
    moisture: float = 0.0
    leak: float = 0.0


@dataclass(frozen=True, slots=True)
class Ground:
    """What drying depends on besides the hold; see `desk.core.drying`.

    Parameters
    ----------
    fluid : Fluid
        The refrigerant of the job's circuit.
    pump_ran : bool
        A pump has been reported running without a gap from the plan's latest close to its last report.
    pump_now : str
        Why it is not known to run now, in a sentence; empty if it is.
    coldest_k : float or None
        The lowest temperature of circuit and surroundings since that close [K]; None: the circuit's is not
        known, or no longer.
    leak : float
        The highest probability of a leak that any hold of this evacuation has come to.
    """

    fluid: Fluid
    pump_ran: bool
    pump_now: str
    coldest_k: float | None
    leak: float


@dataclass(frozen=True, slots=True)
class Seen:
    """What a look sees; times [µs].

    Parameters
    ----------
    job_open : bool
        It is not closed.
    serves, taken : bool
        The valve serves the job still; it serves another one.
    hold_s, patience_s : float
        Of the job's procedure, as it is now.
    held_s : float
        For how long the circuit has been at or below the target without a gap, up to now [s]; 0: it is not.
    report : Report or None
        What the valve last reported.
    online, presence_us
        Whether its gateway is in reach, and since when.
    order : Order or None
        The plan's latest order.
    order_text : str
        What became of it, in a sentence.
    ground : Ground or None
        What drying depends on; None where nobody needs to know.
    """

    job_open: bool
    serves: bool
    hold_s: float
    patience_s: float
    held_s: float
    report: Report | None
    online: bool
    presence_us: int | None
    order: Order | None = None
    order_text: str = ""
    hold: HoldSeen | None = None
    taken: bool = False
    ground: Ground | None = None


@dataclass(frozen=True, slots=True)
class Tell:
    """An event to record."""

    kind: EventKind
    text: str
    hold_id: int | None = None
    """Of the hold that it is about; None: about the plan."""


@dataclass(frozen=True, slots=True)
class Step:
    """The next state, lines for the log, events, and whether to ask for a close or an opening now."""

    progress: Progress
    lines: tuple[str, ...] = ()
    tells: tuple[Tell, ...] = ()
    ask_close: bool = False
    ask_open: bool = False


def moved(seen: Seen, closed_us: int) -> Report | None:
    """The report by which the valve has left its seat since it reported closed; None: it has not."""
    report = seen.report
    if report is None or report.position not in (Valve.OPEN, Valve.MOVING) or report.at_us <= closed_us:
        return None
    return report


def blocked(progress: Progress, reasons: tuple[str, ...], now_us: int, what: str = "") -> Step:
    """It cannot go on now; what hinders is logged when it changes, and told once it has lasted."""
    lines = () if same(reasons, progress.blocked) else (f"Hindered: {' '.join(reasons)}",)
    since_us = progress.blocked_since_us if progress.blocked_since_us is not None else now_us
    progress = replace(progress, blocked=reasons, blocked_since_us=since_us)
    if progress.blocked_told or now_us - since_us < BLOCKED_S * US:
        return Step(progress, lines)
    text = f"The valve cannot be closed {what or 'for a planned hold'}. {' '.join(reasons)}"
    return Step(replace(progress, blocked_told=True), lines, (Tell(EventKind.PLAN_BLOCKED, text),))


def same(reasons: tuple[str, ...], before: tuple[str, ...]) -> bool:
    """Whether reasons say nothing new: when a battery may be flat moves with each look."""
    return tuple(map(undated, reasons)) == tuple(map(undated, before))

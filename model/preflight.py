"""What is looked at before a technician leaves a hold to itself; times [µs]."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from model.valve_facts import ValveFacts


class Stage(StrEnum):
    """How far the hold has come that is left to itself."""

    NOTHING = "nothing"
    """No hold runs, and no plan begins one."""
    WAITING = "waiting"
    """A plan will close the valve."""
    CLOSING = "closing"
    HOLDING = "holding"
    DRYING = "drying"
    """A plan dries the circuit between two holds."""


class ProofKind(StrEnum):
    """What people prove with their own hands, and write down."""

    RIG = "rig"
    """Pump, hoses and gauge alone, by a job's guided check."""
    POWER = "power"
    """That a valve closes by itself when its power is taken away."""


@dataclass(frozen=True, slots=True)
class Proof:
    """The newest proof of its kind.

    Parameters
    ----------
    passed : bool
        Whether it showed what it should.
    text : str
        What was seen, in words.
    person : str or None
        Who wrote it down.
    """

    at_us: int
    passed: bool
    text: str
    person: str | None


class TravelResult(StrEnum):
    """What a close has shown of a valve."""

    PROVED = "proved"
    """It stood open, reported closed, and the pressure agreed while the pump ran."""
    WATCHED = "watched"
    """It reported closed, and the pressure is being looked at."""
    REPORTED = "reported"
    """It reported closed; the pressure told nothing of it."""
    NOT_HOLDING = "not-holding"
    NOT_CLOSED = "not-closed"
    """The gateway said done, and the valve did not report closed."""
    FAILED = "failed"
    """The gateway could not do it."""


@dataclass(frozen=True, slots=True)
class Travel:
    """The newest close of a valve that stood open.

    Parameters
    ----------
    order_id : int
        By which it was closed.
    at_us : int
        When it was done, by its gateway's clock.
    seconds : float or None
        From the gateway's word that it acts to the valve's report [s]; None: no such report.
    """

    result: TravelResult
    order_id: int
    at_us: int
    seconds: float | None = None


@dataclass(frozen=True, slots=True)
class Rhythm:
    """How a gauge was heard over the last half hour.

    Parameters
    ----------
    last_us : int or None
        When it was last heard, by our clock; None: not in that time.
    longest_s : float
        The longest time between two arrivals, up to now [s].
    longest_from_us : int
        When that gap began.
    known_s : float
        For how long it has been heard at all [s].
    """

    last_us: int | None
    longest_s: float = 0.0
    longest_from_us: int = 0
    known_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Route:
    """How messages of alerts have gone out, by the database's own clock.

    Parameters
    ----------
    delivered_s : float or None
        So long ago one was last taken by its receiver [s]; None: never.
    failing : bool
        One since then was not taken.
    """

    delivered_s: float | None
    failing: bool = False


@dataclass(frozen=True, slots=True)
class PreflightFacts:
    """All that the checks before leaving look at.

    Parameters
    ----------
    valve : ValveFacts
        As the interlocks of a plan see them, with the hold's end and the weakest battery.
    has_valve : bool
        Whether a valve serves the job that can be moved from afar.
    accepted : frozenset of str
        Interlocks that the plan's maker has overridden.
    ahead_s : float or None
        How far the gauge's gateway has its clock ahead [s]; None: not known.
    volume_m3 : float or None
        Of the job's circuit.
    """

    valve: ValveFacts
    has_valve: bool
    stage: Stage
    accepted: frozenset[str] = frozenset()
    rig: Proof | None = None
    travel: Travel | None = None
    power: Proof | None = None
    rhythm: Rhythm = Rhythm(None)
    ahead_s: float | None = None
    volume_m3: float | None = None
    route: Route = Route(None)

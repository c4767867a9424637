"""A plan to leave a hold to the system: what was wished, and how far it has come.

All of its state is here, as data: whoever is killed leaves a row with which the next one goes on.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from enum import StrEnum
from typing import Any


class PlanState(StrEnum):
    """How far a plan has come."""

    WAITING = "waiting"
    """For the target to be held, for its hour, or for what hinders to be gone."""
    CLOSING = "closing"
    """A close is ordered; the valve has not reported closed yet."""
    HOLDING = "holding"
    """The valve has reported closed; the verdict is not known yet."""
    WEIGHING = "weighing"
    """The hold failed; whether the circuit may be dried is looked at."""
    OPENING = "opening"
    """An opening is ordered for a drying round; the valve has not reported open yet."""
    DRYING = "drying"
    """The valve has reported open: the pump dries the circuit, or the valve is to be closed again."""
    ENDED = "ended"
    CALLED_OFF = "called-off"

    @property
    def live(self) -> bool:
        """Whether it may still give orders or waits for a verdict."""
        return self not in (PlanState.ENDED, PlanState.CALLED_OFF)


class PlanEnd(StrEnum):
    """How a plan ended by itself."""

    PASSED = "passed"
    FAILED = "failed"
    INCONCLUSIVE = "inconclusive"
    NOT_BEGUN = "not-begun"
    """Until the time of its report no hold began."""
    VALVE_MOVED = "valve-moved"
    """The valve reported open during the hold."""
    JOB_OVER = "job-over"
    NO_VERDICT = "no-verdict"


@dataclass(frozen=True, slots=True)
class Confirmed:
    """That exhaust, ventilation and ignition control were confirmed for the job.

    Parameters
    ----------
    person_id, name : int, str
        Who confirmed it.
    at_us : int
        When [µs].
    refrigerant : str or None
        For which refrigerant; None: it was not known. For another one it is not confirmed.
    """

    person_id: int
    name: str
    at_us: int
    refrigerant: str | None


@dataclass(frozen=True, slots=True)
class Drying:
    """Drying rounds after a hold that failed by moisture.

    Parameters
    ----------
    rounds : int
        At most so many.
    pump_s : float
        The valve is open to the pump for so long in each [s].
    probability : float
        The estimated cause must be moisture with at least this.
    confirmed : Confirmed or None
        What a flammable or unknown refrigerant needs.
    """

    rounds: int
    pump_s: float
    probability: float
    confirmed: Confirmed | None = None

    def as_json(self) -> dict[str, Any]:
        """For a row of the database."""
        return asdict(self)

    @classmethod
    def of_json(cls, given: Mapping[str, Any]) -> Drying:
        """What `as_json` gave."""
        confirmed = given["confirmed"]
        return cls(**{**given, "confirmed": None if confirmed is None else Confirmed(**confirmed)})


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a plan has come; times [µs].

    Parameters
    ----------
    order_id : int or None
        Its latest order.
    asked_us, attempts : int or None, int
        When that was asked for, and how many there were.
    not_again_before_us : int
        After an order that came to nothing: ask for no other one before.
    closed_us : int or None
        Since when the valve has reported closed, by its gateway's clock.
    hold_id : int or None
        The hold test that came of it.
    blocked, blocked_since_us, blocked_told
        What hinders, in sentences, since when, and whether somebody was told.
    out_of_reach_us : int or None
        Since when the gateway has been out of reach, during the hold.
    over : bool
        The time of the hold is over.
    reported : bool
        Who made the plan was told how it went.
    rounds : int
        Openings for drying that were ordered and not refused.
    opened_us : int or None
        Report by which the valve was known to be open, by its gateway's clock.
    pump_until_us : int
        Until when the round pumps, by our clock.
    stop : tuple of str
        Why the drying stops, in sentences; the valve is closed for good then.
    called_off : bool
        A person has called the plan off while the valve was open: it is over once that is closed.
    """

    state: PlanState = PlanState.WAITING
    end: PlanEnd | None = None
    order_id: int | None = None
    asked_us: int | None = None
    attempts: int = 0
    not_again_before_us: int = 0
    closed_us: int | None = None
    hold_id: int | None = None
    blocked: tuple[str, ...] = ()
    blocked_since_us: int | None = None
    blocked_told: bool = False
    out_of_reach_us: int | None = None
    over: bool = False
    reported: bool = False
    rounds: int = 0
    opened_us: int | None = None
    pump_until_us: int = 0
    stop: tuple[str, ...] = ()
    called_off: bool = False

    def as_json(self) -> dict[str, Any]:
        """For a row of the database."""
        return asdict(self)

    @classmethod
    def of_json(cls, given: Mapping[str, Any]) -> Progress:
        """What `as_json` gave."""
        end = given["end"]
        return cls(
            **{
                **given,
                "state": PlanState(given["state"]),
                "end": None if end is None else PlanEnd(end),
                "blocked": tuple(given["blocked"]),
                "stop": tuple(given.get("stop", ())),
            }
        )


@dataclass(frozen=True, slots=True)
class HoldPlan:
    """A plan; times [µs].

    Parameters
    ----------
    held_s : float
        For so long the target must have been held before the valve is closed [s].
    not_before_us : int or None
        The valve is not closed before.
    report_us : int
        When to tell how it went; if no hold has begun until then, the plan ends.
    accepted : tuple of str
        Interlocks of a hold that its maker has overridden, by id.
    accepted_reason : str
        Why, in words.
    drying : Drying or None
        None: after a hold that fails the valve stays closed.
    tell : tuple of (int, str)
        Who is told how it went: number and name.
    """

    id: int
    job_id: int
    instrument_id: int
    valve: str
    gateway: str
    site_id: int
    time_zone: str
    made_by: int | None
    made_by_name: str | None
    made_us: int
    held_s: float
    not_before_us: int | None
    report_us: int
    accepted: tuple[str, ...] = ()
    accepted_reason: str = ""
    drying: Drying | None = None
    tell: tuple[tuple[int, str], ...] = ()
    progress: Progress = field(default_factory=Progress)

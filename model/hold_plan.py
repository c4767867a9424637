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
    ENDED = "ended"
    CALLED_OFF = "called-off"

    @property
    def live(self) -> bool:
        """Whether it may still give orders or waits for a verdict."""
        return self in (PlanState.WAITING, PlanState.CLOSING, PlanState.HOLDING)


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
class Progress:
    """How far a plan has come; times [µs].

    Parameters
    ----------
    order_id : int or None
        Its latest order to close.
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
    progress: Progress = field(default_factory=Progress)

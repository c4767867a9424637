"""What the judgement says of a job: phases, hold tests, verdicts, causes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from physics.leaks import to_mbar_l_s


class PhaseKind(StrEnum):
    """A stretch of an evacuation."""

    PULL_DOWN = "pull-down"
    HOLD = "hold"
    BROKEN = "vacuum-broken"
    """Pressure let back in: a nitrogen break, a charge, or the end."""
    IDLE = "idle"
    """Near atmospheric pressure before the first pull-down."""


class Verdict(StrEnum):
    """What the rule says of a hold test."""

    RUNNING = "running"
    """Not over yet, nothing failed. Not a verdict."""
    AWAITING = "awaiting-readings"
    """Over, but readings are missing that may still come. Not a verdict."""
    PASSED = "passed"
    FAILED = "failed"
    INCONCLUSIVE = "inconclusive"

    @property
    def final(self) -> bool:
        """Whether it is a verdict at all; late readings may still revise it."""
        return self in (Verdict.PASSED, Verdict.FAILED, Verdict.INCONCLUSIVE)


CERTAIN = 0.7
"""A cause is named from this probability on."""

LEAK_SUSPECTED = 0.7
"""A pass with this probability of a leak or more reads otherwise and raises an alert (hold rule)."""


class Cause(StrEnum):
    """The estimated reason of a rise. An estimate never changes a verdict."""

    TIGHT = "tight"
    LEAK = "leak"
    MOISTURE = "moisture"
    LEAK_AND_MOISTURE = "leak+moisture"
    OUTGASSING = "outgassing"
    UNCLEAR = "unclear"


def named_together(probabilities: Mapping[str, float]) -> tuple[Cause, float] | None:
    """What is certain although no single cause is: a leak, or moisture, each with or without the other.

    Returns
    -------
    tuple of Cause and float, or None
        `Cause.LEAK` or `Cause.MOISTURE`, and the probability of it alone or with the other.
    """
    both = probabilities.get(Cause.LEAK_AND_MOISTURE, 0.0)
    share, cause = max((probabilities.get(one, 0.0) + both, one) for one in (Cause.LEAK, Cause.MOISTURE))
    return (cause, share) if share >= CERTAIN else None


def leak_probability(probabilities: Mapping[str, float]) -> float:
    """Of a leak, alone or with moisture; 0 where nothing was estimated."""
    return sum(float(probabilities.get(one, 0.0)) for one in (Cause.LEAK, Cause.LEAK_AND_MOISTURE))


@dataclass(frozen=True, slots=True)
class Phase:
    """A stretch of an evacuation in event time; ``end_us`` is None while it goes on."""

    kind: PhaseKind
    start_us: int
    end_us: int | None
    start_pa: float | None = None
    end_pa: float | None = None
    lowest_pa: float | None = None
    start_uncertainty_s: float = 0.0
    """Half-width of the change point where no valve reported it [s]."""


@dataclass(frozen=True, slots=True)
class Interval:
    """An estimate with its 90 % interval."""

    value: float
    low: float
    high: float


class Urgency(StrEnum):
    """How soon somebody is needed. An estimate."""

    NOW = "go-now"
    CAN_WAIT = "can-wait"
    """Till morning."""
    NO_NEED = "no-need"


@dataclass(frozen=True, slots=True)
class Advice:
    """What to do about a hold test."""

    urgency: Urgency
    line: str
    """One line for the desk: how soon, and why."""
    steps: tuple[str, ...] = ()
    """Sentences: what to do, in that order."""


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """Estimated cause of what a hold showed."""

    cause: Cause
    probabilities: dict[str, float]
    """Of each `Cause` but unclear; they add to 1."""
    evidence: tuple[str, ...] = ()
    """Sentences: what in the curve speaks for it, what against."""
    leak_pa_per_s: Interval | None = None
    leak_pa_m3_per_s: Interval | None = None
    vapour_pa: float | None = None
    vapour_g: float | None = None
    equilibrium_temperature_k: float | None = None
    coldest_k: float | None = None
    """Lowest temperature that was reported over the readings [K]."""
    until_us: int | None = None
    """Readings up to here were looked at [µs]."""

    @property
    def leak_mbar_l_per_s(self) -> Interval | None:
        """The leak rate in the unit of leak detectors."""
        rate = self.leak_pa_m3_per_s
        return None if rate is None else Interval(*map(to_mbar_l_s, (rate.value, rate.low, rate.high)))


@dataclass(frozen=True, slots=True)
class Forecast:
    """What a running hold is expected to come to. An estimate never changes a verdict. Times [µs].

    Parameters
    ----------
    probability : float
        That it fails.
    crossing_us, low_us, high_us : int or None
        When the pressure goes over the limit if it does, and the middle 90 % of that; None where a fail is
        very unlikely.
    """

    probability: float
    crossing_us: int | None = None
    low_us: int | None = None
    high_us: int | None = None


@dataclass(frozen=True, slots=True)
class EarlyCall:
    """A fail that was told before the rule could decide it. An estimate. Times [µs]."""

    at_us: int
    """The reading that showed it."""
    probability: float
    crossing_us: int
    low_us: int
    high_us: int
    """When it was then expected to go over the limit, and the middle 90 % of that."""
    pressure_pa: float | None = None
    rise_pa_per_s: float | None = None
    """Pressure and rise at that reading [Pa], [Pa/s]."""


@dataclass(frozen=True, slots=True)
class HoldTest:
    """A hold and what the rule says of it. Times [µs], pressures [Pa]."""

    start_us: int
    planned_end_us: int
    end_us: int | None
    """When it really ended (verdict, reopening), None while it runs."""
    verdict: Verdict
    reason: str
    """Reason code, stable, for programs."""
    text: str
    """One sentence for a dispatcher."""
    decided_us: int | None = None
    start_pa: float | None = None
    """Filtered pressure at the end of settling."""
    limit_pa: float | None = None
    """The stricter of the procedure's limits."""
    last_pa: float | None = None
    highest_pa: float | None = None
    first_over_us: int | None = None
    smallest_leak_pa_m3_per_s: float | None = None
    smallest_leak_pa_per_s: float | None = None
    by_valve: bool = False
    """Started by the valve's own report; else found in the curve."""
    start_uncertainty_s: float = 0.0
    deciding_instrument_id: int | None = None
    remarks: tuple[str, ...] = ()
    """What a reader of the verdict must also know, in sentences."""
    diagnosis: Diagnosis | None = None
    advice: Advice | None = None
    """Once there is a verdict, a fail was called early, or the pump is felt behind the closed valve."""
    forecast: Forecast | None = None
    """While it runs."""
    early_call: EarlyCall | None = None
    opened_to_pump: bool | None = None
    """Whether the pump ran when the valve was opened; None: not opened, or no pump reports."""
    pump_felt: bool = False
    """The pressure goes on falling behind a valve that reports closed: it may not have closed."""
    new_inflow: bool = False
    """Found in the curve, surely steeper than what the pump had held: it may stand with the valve open."""


@dataclass(frozen=True, slots=True)
class Fact:
    """Something that happened, in event time; its identity is (kind, subject_us).

    ``subject_us`` is the start of what it is about (a hold, a pull-down), so that the same fact told again
    with better data replaces the old one.
    """

    kind: str
    subject_us: int
    time_us: int
    text: str
    data: dict[str, object] = field(default_factory=dict)

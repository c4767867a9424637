"""What judging a job needs and remembers: samples, settings, and the state between two foldings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

from analytics.core.evacuation import Target
from analytics.core.filtered import Filter
from analytics.core.hold import Hold, Rule
from analytics.core.pull_live import PullState
from analytics.core.pump_stop import Stop
from analytics.core.recognise import Curve
from model.clock import US
from model.equipment import Instrument, Position, Role
from model.judgement import PhaseKind
from model.procedure import Procedure
from model.reading import Quantity
from model.rig import NO_RIG, Rig
from model.suspect import SuspectSpan

STALE_US = 1_800 * US
"""A temperature older than this says nothing any more [µs]."""


@dataclass(frozen=True, order=True, slots=True)
class Sample:
    """One reading as the judgement sees it; sorted by all four, so of two values the smaller comes first."""

    time_us: int
    instrument_id: int
    quantity: Quantity
    value: float


@dataclass(frozen=True, slots=True)
class Closing:
    """When a job closes by itself.

    Parameters
    ----------
    finished_s : float
        After the vacuum of a finished evacuation has been broken that long [s].
    unproven_s : float or None
        After that of any other has been [s]; None: that waits for its crew.
    opened_us : int or None
        The low reading that opened a walk-up job [µs]; None for any other.
    not_before_us : int or None
        A person lets an instrument serve the job from here on [µs]: it does not end before.
    """

    finished_s: float
    unproven_s: float | None = None
    opened_us: int | None = None
    not_before_us: int | None = None


@dataclass(frozen=True)
class TrackSettings:
    """What a job is judged with."""

    procedure: Procedure
    instruments: tuple[Instrument, ...]
    deciding_id: int | None = None
    volume_m3: float | None = None
    refrigerant: str | None = None
    closing: Closing | None = None
    """None: it never closes by itself."""
    rig: Rig = NO_RIG
    """Nothing is judged by it; the estimate of a pull-down is."""
    suspects: tuple[SuspectSpan, ...] = ()
    """Times for which somebody marked one of its gauges."""

    @cached_property
    def gauges(self) -> dict[int, Instrument]:
        """Gauges on the circuit's side: those on the pump's side never judge."""
        return {
            one.id: one
            for one in self.instruments
            if one.role is Role.GAUGE and one.position is Position.CIRCUIT
        }

    @cached_property
    def gauge(self) -> Instrument | None:
        """The deciding gauge: the one that was named if it sits on the circuit, else the first that does."""
        if self.deciding_id in self.gauges:
            return self.gauges[self.deciding_id]
        return self.gauges[min(self.gauges)] if self.gauges else None

    @cached_property
    def valve_id(self) -> int | None:
        """The isolation valve: the first."""
        return min((one.id for one in self.instruments if one.role is Role.VALVE), default=None)

    @cached_property
    def rule(self) -> Rule:
        """What a hold is judged by."""
        gauge = self.gauge
        if gauge is None:
            return Rule(self.procedure, self.volume_m3, None, 0.0, None, None, self.rig)
        return Rule(
            self.procedure,
            self.volume_m3,
            gauge.id,
            gauge.accuracy,
            gauge.range_low_pa,
            gauge.range_high_pa,
            self.rig,
            tuple(one for one in self.suspects if one.instrument_id == gauge.id),
        )


@dataclass(slots=True)
class PhaseRow:
    """A phase while it may still change."""

    kind: PhaseKind
    start_us: int
    end_us: int | None
    start_pa: float | None
    end_pa: float | None
    lowest_pa: float | None
    start_uncertainty_s: float


@dataclass(slots=True)
class Flag:
    """A truth value of a gauge.

    Some gauges report it with each reading where it is true and never as false, others report changes. Once a
    false was reported, the last report stands; before that each report is for its moment.
    """

    value: bool = False
    reports_false: bool = False


@dataclass(slots=True)
class GaugeState:
    """What is remembered of a gauge on the circuit's side."""

    filter: Filter
    over: Flag = field(default_factory=Flag)
    fault: Flag = field(default_factory=Flag)
    last_us: int | None = None
    unbroken_us: int | None = None
    """Since when readings have come without a gap."""
    known_pa: float | None = None
    """Last filtered pressure there was [Pa]."""


@dataclass(slots=True)
class TrackState:
    """Everything that is remembered of a job."""

    tick_us: int | None = None
    tick: list[tuple[int, int, float]] = field(default_factory=list)
    """Samples of the latest moment, not worked off yet: instrument, quantity, value."""
    gauges: dict[int, GaugeState] = field(default_factory=dict)
    curve: Curve = field(default_factory=Curve)
    valve: int | None = None
    valve_reports: bool = False
    """A valve has reported a position, so the curve decides nothing."""
    closed_us: int | None = None
    """The valve reports closed since then, and no hold has begun yet for want of a pressure."""
    pump: bool | None = None
    pump_ran: bool = False
    """It has reported that it runs: one that never does may not be wired."""
    hands: dict[int, bool] = field(default_factory=dict)
    temperatures: dict[int, tuple[int, float]] = field(default_factory=dict)
    ambients: dict[int, tuple[int, float]] = field(default_factory=dict)
    first_us: int | None = None
    near_top_us: int | None = None
    reference_pa: float = 0.0
    high_us: int | None = None
    high_n: int = 0
    target_us: int | None = None
    """Since when the filtered pressure has been at or below the target."""
    target_last_us: int = 0
    past_target: tuple[int, int] | None = None
    """The run before: from, to."""
    phases: list[PhaseRow] = field(default_factory=list)
    targets: list[Target] = field(default_factory=list)
    holds: list[Hold] = field(default_factory=list)
    stops: list[Stop] = field(default_factory=list)
    pull: PullState | None = None
    """Of a running pull-down."""
    over_us: int | None = None
    """The job was over then: nothing later was taken."""


def running_hold(state: TrackState) -> Hold | None:
    """The hold whose valve has not been opened since."""
    last = state.holds[-1] if state.holds else None
    return last if last is not None and last.opened_us is None else None


def latest_kelvin(state: TrackState, time_us: int) -> float | None:
    """The circuit's temperature, where one is fresh [K]."""
    return _coldest(state.temperatures, time_us)


def surrounding_kelvin(state: TrackState, time_us: int) -> float | None:
    """Of the air about the circuit, else the circuit's own, where one is fresh [K]."""
    air_k = _coldest(state.ambients, time_us)
    return latest_kelvin(state, time_us) if air_k is None else air_k


def _coldest(reported: Mapping[int, tuple[int, float]], time_us: int) -> float | None:
    fresh = [kelvin for at_us, kelvin in reported.values() if time_us - at_us <= STALE_US]
    return min(fresh) if fresh else None

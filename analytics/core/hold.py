"""The rule of a hold test, on line: what a running hold remembers, and what each reading changes.

What the rule says of it at a moment is in `analytics.core.hold_verdict`.

The rule's page leaves some things open; they are read here so that every clause keeps a meaning:

- *Target not held when the valve closed* is known at closing and makes the test invalid whatever follows.
- Where the readings are missing that would tell whether the target had been held, a fail counts all the same,
  a pass is awaited with them.
- A start value over an absolute limit fails the hold when the pressure was below that limit at closing and
  stays over it for the persistence time after settling (a gross leak); it makes the test invalid when it was
  over at closing already, or when it is equal to the limit or falls below it again (evening out).
- A stretch without readings is a gap also for the persistence time of a fast gauge: two readings over the
  limit with silence between them are not "without a break". Three readings of a slow gauge are in a row
  whatever lies between them.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from analytics.core.early import Early, Frame, watch
from analytics.core.filtered import SLOW_READINGS
from model.clock import US
from model.equipment import ZERO_OFFSET_PA
from model.judgement import Verdict
from model.procedure import Procedure
from model.rig import NO_RIG, Rig
from model.suspect import SuspectSpan

_STEADY_K = 0.2
"""A temperature that fell by less did not fall: thermometers jitter. Our own choice."""

_MOST_GAPS = 50


@dataclass(frozen=True, slots=True)
class Rule:
    """What a hold is judged by: the procedure and the deciding gauge as registered."""

    procedure: Procedure
    volume_m3: float | None
    gauge_id: int | None
    accuracy: float
    range_low_pa: float | None
    range_high_pa: float | None
    rig: Rig = NO_RIG
    """Judges nothing, see `analytics.core.inflow`."""
    suspects: tuple[SuspectSpan, ...] = ()
    """Times for which somebody marked the deciding gauge."""

    def suspect(self, start_us: int, end_us: int) -> SuspectSpan | None:
        """The first mark that covers any of a time [µs]."""
        return next((one for one in self.suspects if one.meets(start_us, end_us)), None)

    def limit(self, start_pa: float) -> float:
        """The stricter of the procedure's limits for this start value [Pa]."""
        limit = float("inf") if self.procedure.limit_pa is None else self.procedure.limit_pa
        return limit if self.procedure.rise_pa is None else min(limit, start_pa + self.procedure.rise_pa)


@dataclass(frozen=True, slots=True)
class Point:
    """A reading of the deciding gauge with what surrounds it."""

    time_us: int
    value: float
    filtered: float | None
    over: bool
    """At or above the top of the gauge's range."""
    high: bool
    """Over-range, or so high that no vacuum is left."""
    slow: bool
    interval_us: int
    gap_us: int


@dataclass(frozen=True, slots=True)
class Scene:
    """What else is known at a reading's time."""

    hands: bool = False
    """The site is switched to local hands: somebody is there."""
    others: tuple[tuple[int, float, float], ...] = ()
    """Other circuit gauges that are not silent: id, filtered pressure [Pa], accuracy [share]."""


@dataclass(slots=True)
class Gap:
    """A stretch of a hold without readings."""

    start_us: int
    end_us: int
    below: bool
    """The pressure was not over the limit on both sides."""
    before_k: dict[int, float]
    """Temperature of each thermometer before it [K]."""
    after_k: dict[int, float] = field(default_factory=dict)
    closed_after: bool = False

    def excused(self, closed_throughout: bool) -> bool:
        """Whether a pressure below the limit on both sides proves that it was never over between."""
        if not (self.below and closed_throughout and self.closed_after):
            return False
        return bool(self.before_k) and all(
            self.after_k.get(thermometer, 0.0) >= before - _STEADY_K
            for thermometer, before in self.before_k.items()
        )


@dataclass(slots=True)
class Hold:
    """What is remembered of one hold; its size does not grow with its length. Times [µs]."""

    start_us: int
    settled_us: int
    planned_us: int
    """Planned end."""
    end_us: int
    """Planned end, or the end of the extension."""
    by_valve: bool
    uncertainty_s: float
    held: bool
    """The target was held for its dwell when the valve closed."""
    unseen: bool
    """Whether it was is not known: the readings before closing are missing and may still come."""
    closing_pa: float | None
    last_us: int
    """Last reading inside the hold (its start before the first)."""
    interval_us: int
    gap_us: int
    slow: bool = False
    readings: int = 0
    settling_pa: float | None = None
    settling_us: int = 0
    start_pa: float | None = None
    limit_pa: float | None = None
    last_pa: float | None = None
    highest_pa: float | None = None
    last_over: bool = False
    settling_over: bool = False
    """Over-range at the last reading inside the settling time."""
    run_us: int | None = None
    run_n: int = 0
    over_us: int | None = None
    over_n: int = 0
    high_us: int | None = None
    below_us: int = 0
    """Last time the unfiltered pressure was not over the limit."""
    hands_at_high: bool = False
    disagree_us: int | None = None
    disagree_n: int = 0
    disagreed: bool = False
    others_start: dict[int, float] = field(default_factory=dict)
    gaps: list[Gap] = field(default_factory=list)
    lost_us: int = 0
    """Sum of gaps that are not kept one by one any more."""
    end_gap: bool = False
    fault: bool = False
    under: bool = False
    below_zero: bool = False
    blind: bool = False
    """Over-range of a gauge whose range does not reach the limit, or is not known."""
    closed_throughout: bool = True
    pump_ran: bool = False
    opened_to_pump: bool | None = None
    """Whether the pump ran when the valve was opened, if it reports."""
    opened_us: int | None = None
    extended: bool = False
    frozen: bool = False
    """The end has been seen; nothing later is evidence."""
    first_k: dict[int, float] = field(default_factory=dict)
    now_k: dict[int, float] = field(default_factory=dict)
    now_k_us: dict[int, int] = field(default_factory=dict)
    late_k: dict[int, float] = field(default_factory=dict)
    """Temperatures reported after the end [K]."""
    last_k: dict[int, float] = field(default_factory=dict)
    """Temperatures at the last reading [K]."""
    closed_us: int = 0
    """Last report of closed."""
    ambient_k: float | None = None
    coldest_k: float | None = None
    verdict: Verdict | None = None
    reason: str = ""
    decided_us: int | None = None
    first_over_us: int | None = None
    onset: tuple[float, float] | None = None
    """Of one found in the curve: slopes from the fifth to the tenth minute, and to the fifteenth [Pa/s]."""
    early: Early = field(default_factory=Early)
    """What is kept to look ahead."""

    @property
    def over_now(self) -> bool:
        """Whether the last reading was over the limit."""
        return self.run_us is not None or self.over_us is not None


def take(hold: Hold, rule: Rule, point: Point, scene: Scene) -> None:
    """Take a reading of the deciding gauge into a hold."""
    if hold.frozen or hold.verdict is not None:
        return
    if point.time_us > hold.end_us:
        _end(hold, rule, point)
    # An extension may have moved the end beyond this reading.
    if hold.frozen or hold.verdict is not None or point.time_us > hold.end_us:
        return
    _evidence(hold, rule, point, scene)
    if hold.verdict is None and not (point.over or hold.over_now):
        frame = Frame(hold.start_us, hold.settled_us, rule.procedure.hold_s, hold.limit_pa)
        watch(hold.early, frame, point.time_us, point.value, point.slow)
    if hold.verdict is None and point.time_us == hold.end_us:
        _end(hold, rule, point)


def _evidence(hold: Hold, rule: Rule, point: Point, scene: Scene) -> None:
    _note_gap(hold, point)
    hold.last_us, hold.last_k = point.time_us, hold.now_k.copy()
    hold.interval_us, hold.gap_us, hold.slow = point.interval_us, point.gap_us, point.slow
    hold.readings += 1
    if point.value < 0:
        hold.below_zero = True
    _note_high(hold, rule, point, scene)
    if point.filtered is not None:
        hold.last_pa = point.filtered
        hold.highest_pa = max(
            point.filtered, hold.highest_pa if hold.highest_pa is not None else point.filtered
        )
    if point.time_us < hold.settled_us:
        _note_settling(hold, point)
        return
    if hold.start_pa is None:
        _finish_settling(hold, rule, point, scene)
        if hold.start_pa is None:
            _follow_over(hold, point)
        if hold.start_pa is None or hold.verdict is not None:
            return
    _count(hold, rule, point)
    _compare(hold, rule, point, scene)
    _judge_run(hold, rule, point, scene)
    if hold.verdict is None and not hold.over_now and _over_absolute(rule, hold.start_pa):
        _decide(hold, Verdict.INCONCLUSIVE, "start-above-limit", point.time_us)


def _note_gap(hold: Hold, point: Point) -> None:
    if point.time_us - hold.last_us <= point.gap_us:
        return
    if not point.slow:
        hold.run_us = hold.over_us = None
        hold.run_n = hold.over_n = 0
        hold.settling_over = False
    below = hold.limit_pa is not None and point.value <= hold.limit_pa and not hold.last_over
    _keep_gap(hold, Gap(hold.last_us, point.time_us, below, hold.last_k))


def _keep_gap(hold: Hold, gap: Gap) -> None:
    if len(hold.gaps) >= _MOST_GAPS:
        oldest = hold.gaps.pop(0)
        hold.lost_us += oldest.end_us - oldest.start_us
    # Reports of the same moment as the reading that ends the gap came just before it.
    gap.closed_after = hold.closed_us >= gap.end_us
    known = {**hold.now_k, **hold.late_k}
    gap.after_k = {one: kelvin for one, kelvin in known.items() if hold.now_k_us.get(one, 0) >= gap.end_us}
    hold.gaps.append(gap)


def add_gaps(hold: Hold, gaps: list[tuple[int, int]]) -> None:
    """Tell a hold that was recognised late which of its readings had been missing."""
    for start_us, end_us in gaps:
        _keep_gap(hold, Gap(max(start_us, hold.start_us), end_us, False, {}))


def _note_high(hold: Hold, rule: Rule, point: Point, scene: Scene) -> None:
    if point.high:
        if hold.high_us is None:
            hold.high_us, hold.hands_at_high = point.time_us, scene.hands
        return
    hold.high_us = None
    known = hold.start_pa if hold.start_pa is not None else hold.closing_pa
    if point.value <= rule.limit(point.value if known is None else known):
        hold.below_us = point.time_us


def _note_settling(hold: Hold, point: Point) -> None:
    hold.settling_over = point.over
    if point.filtered is not None:
        hold.settling_pa, hold.settling_us = point.filtered, point.time_us


def _follow_over(hold: Hold, point: Point) -> None:
    """Lengthen or break the run of over-range; over at the end of settling starts its clock there."""
    if point.over:
        since_us = hold.settled_us if hold.settling_over else point.time_us
        hold.over_us = since_us if hold.over_us is None else hold.over_us
        hold.over_n += 1
    else:
        hold.over_us, hold.over_n = None, 0
    hold.settling_over = False


def _finish_settling(hold: Hold, rule: Rule, point: Point, scene: Scene) -> None:
    """Fix the start value and the limit at the first reading at or after the end of settling."""
    fresh = hold.settling_pa is not None and hold.settled_us - hold.settling_us <= hold.gap_us
    at_end = point.time_us == hold.settled_us and point.filtered is not None
    start = hold.settling_pa if fresh and not at_end else point.filtered
    if start is None:
        return
    hold.start_pa = start
    hold.limit_pa = rule.limit(start)
    hold.others_start = {other: pa for other, pa, _ in scene.others}
    known = start if hold.closing_pa is None else hold.closing_pa
    if not hold.held and not hold.unseen:
        _decide(hold, Verdict.INCONCLUSIVE, "target-not-held", point.time_us)
    elif _over_absolute(rule, known):
        _decide(hold, Verdict.INCONCLUSIVE, "start-above-limit", point.time_us)
    elif fresh and start > hold.limit_pa and (point.slow or point.time_us - hold.settling_us <= point.gap_us):
        # "A pressure that is over at its end starts the persistence clock there."
        hold.run_us = hold.settled_us


def _over_absolute(rule: Rule, pressure_pa: float) -> bool:
    return rule.procedure.limit_pa is not None and pressure_pa >= rule.procedure.limit_pa


def _reaches(rule: Rule, limit_pa: float) -> bool:
    """Whether over-range of this gauge proves anything: its registered range lies above the limit."""
    return rule.range_high_pa is not None and rule.range_high_pa > limit_pa


def _count(hold: Hold, rule: Rule, point: Point) -> None:
    """Lengthen or break the runs of readings over the limit."""
    assert hold.limit_pa is not None
    if point.over and not _reaches(rule, hold.limit_pa):
        hold.blind, hold.last_over = True, False
        hold.run_us = hold.over_us = None
        hold.run_n = hold.over_n = 0
        return
    _follow_over(hold, point)
    hold.last_over = point.over
    if point.filtered is None:
        return
    if rule.range_low_pa is not None and rule.range_low_pa > 0 and point.filtered < rule.range_low_pa:
        hold.under = True
    if point.filtered > hold.limit_pa:
        hold.run_us = point.time_us if hold.run_us is None else hold.run_us
        hold.run_n += 1
        hold.last_over = True
    else:
        hold.run_us, hold.run_n = None, 0


def lasted(hold: Hold, rule: Rule, since_us: int | None, n: int) -> bool:
    """Whether a run of ``n`` readings has lasted as long as the rule asks."""
    if since_us is None:
        return False
    if hold.slow:
        return n >= SLOW_READINGS
    return n > 0 and hold.last_us - since_us >= rule.procedure.persistence_s * US


def _compare(hold: Hold, rule: Rule, point: Point, scene: Scene) -> None:
    """Follow the disagreement with other circuit gauges beyond the combined accuracy."""
    if point.filtered is None:
        return
    if not _disputed(hold, rule, point, scene):
        hold.disagree_us, hold.disagree_n = None, 0
        return
    hold.disagree_us = point.time_us if hold.disagree_us is None else hold.disagree_us
    hold.disagree_n += 1
    if lasted(hold, rule, hold.disagree_us, hold.disagree_n):
        hold.disagreed = True


def _disputed(hold: Hold, rule: Rule, point: Point, scene: Scene) -> bool:
    mine = point.filtered
    if mine is None or not scene.others:
        return False
    for other, pressure, accuracy in scene.others:
        limit = rule.limit(hold.others_start.get(other, pressure))
        both_over = hold.over_now and pressure > limit
        # Accuracies of gauges are limits of error, so they add.
        combined = rule.accuracy * abs(mine) + accuracy * abs(pressure) + 2 * ZERO_OFFSET_PA
        if not both_over and abs(mine - pressure) > combined:
            return True
    return False


def _judge_run(hold: Hold, rule: Rule, point: Point, scene: Scene) -> None:
    by_range = lasted(hold, rule, hold.over_us, hold.over_n)
    by_pressure = lasted(hold, rule, hold.run_us, hold.run_n)
    if not (by_range or by_pressure) or _disputed(hold, rule, point, scene):
        return
    starts = [at for at in (hold.run_us, hold.over_us) if at is not None]
    hold.first_over_us = min(starts)
    sudden = hold.high_us is not None and hold.high_us - hold.below_us <= max(
        rule.procedure.persistence_s * US, 2 * hold.interval_us
    )
    if sudden and hold.hands_at_high:
        _decide(hold, Verdict.INCONCLUSIVE, "opened-by-hand", point.time_us)
    else:
        _decide(hold, Verdict.FAILED, "over-range" if by_range else "over-limit", point.time_us)


def _decide(hold: Hold, verdict: Verdict, reason: str, at_us: int) -> None:
    hold.verdict, hold.reason, hold.decided_us = verdict, reason, at_us


def _end(hold: Hold, rule: Rule, point: Point) -> None:
    """The end lies at or before this reading: extend once if the pressure is over, else close the books."""
    silent = hold.readings == 0 or point.time_us - hold.last_us > point.gap_us
    if point.time_us > hold.end_us and silent and not due_after(hold):
        hold.end_gap = True
        below = hold.limit_pa is not None and point.value <= hold.limit_pa and not hold.last_over
        _keep_gap(hold, Gap(hold.last_us, point.time_us, below, hold.last_k))
    elif hold.over_now and not hold.extended and hold.opened_us is None:
        _extend(hold, rule)
        if point.time_us > hold.end_us:
            _end(hold, rule, point)
        return
    hold.frozen = True


def _extend(hold: Hold, rule: Rule) -> None:
    hold.extended = True
    hold.end_us += extension_us(hold, rule)


def extension_us(hold: Hold, rule: Rule) -> int:
    """One more persistence time [µs]; of a slow gauge, the time of three readings if that is longer."""
    persistence = round(rule.procedure.persistence_s * US)
    return max(persistence, SLOW_READINGS * hold.interval_us) if hold.slow else persistence


def due_after(hold: Hold) -> bool:
    """Whether the next reading was not due before the end: then the end has been seen."""
    return hold.readings > 0 and hold.last_us + hold.interval_us * 3 // 2 >= hold.end_us


def reopen(hold: Hold, at_us: int, pump: bool | None = None) -> None:
    """The valve left its closed position, or the pressure shows that the pump is on the circuit again.

    ``pump`` says whether it ran then, where it reports.
    """
    if hold.opened_us is None:
        hold.opened_us, hold.opened_to_pump = at_us, pump
    if at_us < hold.end_us:
        hold.closed_throughout = False
    if hold.verdict is not None or hold.frozen or at_us >= hold.end_us:
        return
    _decide(hold, Verdict.INCONCLUSIVE, "over-at-end" if hold.extended else "reopened", at_us)


def note_fault(hold: Hold, at_us: int) -> None:
    """The deciding gauge reports a fault."""
    if not hold.frozen and at_us <= hold.end_us:
        hold.fault = True


def note_closed(hold: Hold, at_us: int) -> None:
    """The valve reports closed: evidence for the gaps that ended before."""
    hold.closed_us = at_us
    for gap in hold.gaps:
        if gap.end_us <= at_us:
            gap.closed_after = True


def note_temperature(hold: Hold, instrument_id: int, at_us: int, kelvin: float) -> None:
    """The circuit's temperature."""
    for gap in hold.gaps:
        if gap.end_us <= at_us:
            gap.after_k.setdefault(instrument_id, kelvin)
    if hold.frozen:
        return
    hold.now_k_us[instrument_id] = at_us
    if at_us > hold.end_us:
        hold.late_k[instrument_id] = kelvin
        return
    hold.first_k.setdefault(instrument_id, kelvin)
    hold.now_k[instrument_id] = kelvin
    hold.coldest_k = kelvin if hold.coldest_k is None else min(hold.coldest_k, kelvin)


def note_ambient(hold: Hold, at_us: int, kelvin: float) -> None:
    """Air temperature: the coldest wet spot may be as cold."""
    if not hold.frozen and at_us <= hold.end_us:
        hold.ambient_k = kelvin if hold.ambient_k is None else min(hold.ambient_k, kelvin)

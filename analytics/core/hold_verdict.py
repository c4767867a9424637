"""The rule of a hold test: what it says of a hold at a moment, and when time alone changes that."""

from __future__ import annotations

from analytics.core.hold import Hold, Rule, due_after, lasted
from model.clock import US
from model.judgement import Verdict
from physics.water import saturation_pressure

TEMPERATURE_FALL_K = 5.0
"""A larger fall of the circuit's temperature over the hold may hide a rise (rule page)."""

COLD_SPOT_K = 5.0
"""The coldest wet spot may be this much colder than the sensors say (trade page)."""

GAP_SHARE = 0.1
"""Gaps that add to more than this share of the hold make it inconclusive (rule page)."""


def corrected_pressure(hold: Hold) -> float | None:
    """End pressure at the start's temperature [Pa], where that fell by more than 5 K; else None.

    Notes
    -----
    The gas follows p T0/T. Vapour follows the saturation slope only in equilibrium with water or ice, so only
    if the coldest likely spot (5 K below the sensor) holds its saturation pressure down to the pressure
    that was read; then all of the pressure up to saturation may be vapour, and is taken to be. The largest
    fall of any thermometer counts.
    """
    if hold.last_pa is None or not hold.first_k:
        return None
    worst: float | None = None
    for instrument, first in hold.first_k.items():
        last = hold.now_k[instrument]
        if first - last <= TEMPERATURE_FALL_K:
            continue
        vapour = 0.0
        if saturation_pressure(last - COLD_SPOT_K) <= hold.last_pa:
            vapour = min(hold.last_pa, saturation_pressure(last))
        slope = saturation_pressure(first - COLD_SPOT_K) / saturation_pressure(last - COLD_SPOT_K)
        pressure = (hold.last_pa - vapour) * first / last + vapour * slope
        worst = pressure if worst is None else max(worst, pressure)
    return worst


def outcome(hold: Hold, rule: Rule, now_us: int) -> tuple[Verdict, str, int | None]:
    """What the rule says at a moment: verdict, reason code, and when it was decided [µs]."""
    if hold.verdict is not None:
        return hold.verdict, hold.reason, hold.decided_us
    patience_us = hold.planned_us + round(rule.procedure.patience_s * US)
    if rule.gauge_id is None and now_us >= hold.planned_us:
        return Verdict.INCONCLUSIVE, "no-circuit-gauge", hold.planned_us
    if hold.frozen:
        return _closed_books(hold, rule, now_us, patience_us)
    if now_us < hold.end_us + hold.gap_us:
        return Verdict.RUNNING, "running", None
    if due_after(hold) and not hold.over_now:
        return _closed_books(hold, rule, now_us, patience_us)
    if due_after(hold) and hold.opened_us is not None:
        return Verdict.INCONCLUSIVE, "over-at-end", hold.opened_us
    doubt = _gauge_doubt(hold, rule)
    if doubt:
        return Verdict.INCONCLUSIVE, doubt, hold.end_us
    if now_us < patience_us:
        return Verdict.AWAITING, "awaiting-readings", None
    reason = "over-at-end" if hold.extended or due_after(hold) else "gap-over-end"
    return Verdict.INCONCLUSIVE, reason, max(patience_us, hold.end_us + hold.gap_us)


def _closed_books(hold: Hold, rule: Rule, now_us: int, patience_us: int) -> tuple[Verdict, str, int | None]:
    reason = _spoiled(hold, rule)
    if reason:
        opened = reason == "over-at-end" and hold.opened_us is not None
        return Verdict.INCONCLUSIVE, reason, hold.opened_us if opened else hold.end_us
    gap = _gap_reason(hold)
    if gap:
        if now_us < patience_us:
            return Verdict.AWAITING, "awaiting-readings", None
        return Verdict.INCONCLUSIVE, gap, patience_us
    if hold.unseen:
        if now_us < patience_us:
            return Verdict.AWAITING, "awaiting-readings", None
        return Verdict.INCONCLUSIVE, "target-unseen", patience_us
    return Verdict.PASSED, "below-limit", hold.end_us


def _spoiled(hold: Hold, rule: Rule) -> str | None:
    """Why a hold that did not fail is no pass either, from what no late reading is awaited for."""
    if hold.over_now and not hold.end_gap:
        runs = ((hold.run_us, hold.run_n), (hold.over_us, hold.over_n))
        long = any(lasted(hold, rule, since_us, n) for since_us, n in runs)
        return "gauges-disagree" if long else "over-at-end"
    doubt = _gauge_doubt(hold, rule)
    if doubt:
        return doubt
    corrected = corrected_pressure(hold)
    if corrected is not None and hold.limit_pa is not None and corrected > hold.limit_pa:
        return "temperature-fell"
    return None


def _gauge_doubt(hold: Hold, rule: Rule) -> str | None:
    if hold.fault:
        return "gauge-fault"
    if rule.suspect(hold.start_us, hold.end_us) is not None:
        return "gauge-suspect"
    if hold.blind:
        return "gauge-range-too-small"
    if hold.disagreed:
        return "gauges-disagree"
    return "gauge-under-range" if hold.under else None


def _gap_reason(hold: Hold) -> str | None:
    if hold.start_pa is None:
        return "gap-over-end" if hold.end_gap else "gaps-over-tenth"
    open_gaps = [gap for gap in hold.gaps if not gap.excused(hold.by_valve and hold.closed_throughout)]
    if hold.end_gap and open_gaps and open_gaps[-1] is hold.gaps[-1]:
        return "gap-over-end"
    lost = hold.lost_us + sum(min(gap.end_us, hold.planned_us) - gap.start_us for gap in open_gaps)
    return "gaps-over-tenth" if lost > GAP_SHARE * (hold.planned_us - hold.start_us) else None


def changes_by_time(hold: Hold, rule: Rule, now_us: int) -> int | None:
    """When `outcome` may say something else with no further reading [µs]."""
    if hold.verdict is not None:
        return None
    moments = [
        hold.planned_us,
        hold.end_us + hold.gap_us,
        hold.planned_us + round(rule.procedure.patience_s * US),
    ]
    if hold.frozen:
        moments = moments[2:]
    if outcome(hold, rule, now_us)[0].final:
        return None
    return min((moment for moment in moments if moment > now_us), default=None)

"""A hold test as people read it: verdict, one sentence, and what else a reader must know."""

from __future__ import annotations

from analytics.core.figures import duration_text, pressure_text
from analytics.core.hold import Hold, Rule
from analytics.core.hold_verdict import COLD_SPOT_K, corrected_pressure, outcome
from analytics.core.inflow import new_inflow
from analytics.core.pump_felt import pump_felt
from model.clock import US, to_datetime
from model.judgement import HoldTest, Verdict
from physics.water import saturation_pressure


def hold_test(hold: Hold, rule: Rule, now_us: int) -> HoldTest:
    """Say what the rule says of a hold at a moment.

    Parameters
    ----------
    hold : Hold
        Everything remembered of it.
    rule : Rule
        What it is judged by.
    now_us : int
        The moment [µs]; missing readings are awaited or given up by it.
    """
    verdict, reason, decided_us = outcome(hold, rule, now_us)
    slope = smallest_slope(hold, rule)
    return HoldTest(
        start_us=hold.start_us,
        planned_end_us=hold.planned_us,
        end_us=hold.opened_us if decided_us is None else decided_us,
        verdict=verdict,
        reason=reason,
        text=_sentence(hold, rule, verdict, reason, decided_us),
        decided_us=decided_us,
        start_pa=hold.start_pa,
        limit_pa=hold.limit_pa,
        last_pa=hold.last_pa,
        highest_pa=hold.highest_pa,
        first_over_us=hold.first_over_us,
        smallest_leak_pa_m3_per_s=None if slope is None or rule.volume_m3 is None else slope * rule.volume_m3,
        smallest_leak_pa_per_s=slope,
        by_valve=hold.by_valve,
        start_uncertainty_s=hold.uncertainty_s,
        deciding_instrument_id=rule.gauge_id,
        remarks=_remarks(hold, rule, verdict),
        forecast=hold.early.forecast if verdict is Verdict.RUNNING else None,
        early_call=hold.early.called,
        opened_to_pump=hold.opened_to_pump,
        pump_felt=pump_felt(hold),
        new_inflow=new_inflow(hold, rule),
    )


def smallest_slope(hold: Hold, rule: Rule) -> float | None:
    """Smallest steady rise that this hold would have failed, (limit − start)/(length − settling) [Pa/s]."""
    if hold.start_pa is None or hold.limit_pa is None or hold.start_pa >= hold.limit_pa:
        return None
    return (hold.limit_pa - hold.start_pa) / (rule.procedure.hold_s - rule.procedure.settle_s)


def _sentence(hold: Hold, rule: Rule, verdict: Verdict, reason: str, decided_us: int | None) -> str:
    start = "an unknown pressure" if hold.start_pa is None else pressure_text(hold.start_pa)
    limit = "the permitted value" if hold.limit_pa is None else pressure_text(hold.limit_pa)
    last = "nothing" if hold.last_pa is None else pressure_text(hold.last_pa)
    length = duration_text(rule.procedure.hold_s)
    reached = _elapsed(hold, decided_us)
    persistence = "three readings in a row" if hold.slow else duration_text(rule.procedure.persistence_s)
    crossed = _elapsed(hold, hold.first_over_us) + " after the valve closed"
    if hold.first_over_us is not None and hold.first_over_us <= hold.settled_us:
        crossed = "within settling"
    highest = "nothing" if hold.highest_pa is None else pressure_text(hold.highest_pa)
    texts = {
        "running": f"The hold is running: {last} now, {limit} permitted, {length} long.",
        "awaiting-readings": f"The hold of {length} is over, but readings are missing and may still come; "
        f"the last inside it was {last}.",
        "below-limit": f"Passed: over {length} the pressure went from {start} to {last} and never stayed "
        f"over the permitted {limit}.",
        "over-limit": f"Failed: {crossed} the pressure went over the permitted "
        f"{limit} and stayed there for {persistence}; it started at {start}.",
        "over-range": f"Failed: {crossed} the gauge ran to the top of its range, "
        f"above the permitted {limit}, and stayed there for {persistence}.",
        "target-not-held": "No valid hold: the target of "
        f"{pressure_text(rule.procedure.target_pa)} had not been held for "
        f"{duration_text(rule.procedure.dwell_s)} when the valve closed; pressure after settling {start}.",
        "target-unseen": "Inconclusive: readings are missing from before the valve closed, so nobody knows "
        f"whether the target of {pressure_text(rule.procedure.target_pa)} had been held; the last inside "
        f"it was {last}.",
        "start-above-limit": f"No valid hold: it began at {start}, not below the permitted {limit}.",
        "over-at-end": f"Inconclusive: at the end the pressure was over the permitted {limit}, but not for "
        f"{persistence}, and the valve did not stay closed with readings for as long again.",
        "gap-over-end": "Inconclusive: readings are missing over the end of the hold; the last inside it "
        f"was {last}, {limit} permitted.",
        "gaps-over-tenth": "Inconclusive: readings are missing for more than a tenth of the hold; the last "
        f"was {last}, {limit} permitted.",
        "reopened": f"Inconclusive: the circuit was opened to the pump {reached} after closing, before the "
        f"{length} were over; the pressure was {last}.",
        "gauge-fault": f"Inconclusive: the gauge reported a fault during the hold; the last reading was "
        f"{last}.",
        "gauge-suspect": f"Inconclusive: the gauge was marked as suspect{_marked(hold, rule)}; the last "
        f"reading was {last}.",
        "gauge-range-too-small": "Inconclusive: the gauge was at the top of its range, which does not reach "
        f"the permitted {limit} or is not registered.",
        "gauge-under-range": f"Inconclusive: the pressure was below the range of the gauge; it read {last}.",
        "gauges-disagree": "Inconclusive: two gauges on the circuit disagree by more than their accuracies "
        f"allow, and not both are over the permitted {limit}; the deciding one read {last}.",
        "temperature-fell": f"Inconclusive: the circuit cooled by more than 5 K; the last reading of {last} "
        f"would be {_corrected(hold)} at the temperature of the start, over the permitted {limit}.",
        "opened-by-hand": f"Inconclusive: {crossed} the pressure ran up to {highest} "
        "while somebody was on site: was a joint or valve opened by hand?",
        "no-circuit-gauge": "Inconclusive: no gauge on the circuit's side of the valve; a gauge on the "
        "pump's side reads flat whatever the circuit does.",
    }
    return texts[reason]


def _marked(hold: Hold, rule: Rule) -> str:
    mark = rule.suspect(hold.start_us, hold.end_us)
    return "" if mark is None else f" ({mark.reason.rstrip('.')})"


def _elapsed(hold: Hold, at_us: int | None) -> str:
    return "some time" if at_us is None else duration_text((at_us - hold.start_us) / US)


def _corrected(hold: Hold) -> str:
    corrected = corrected_pressure(hold)
    return "unknown" if corrected is None else pressure_text(corrected)


def _remarks(hold: Hold, rule: Rule, verdict: Verdict) -> tuple[str, ...]:
    remarks: list[str] = []
    slope = smallest_slope(hold, rule)
    if slope is not None and verdict.final:
        remarks.append(_shown(slope, rule))
    if verdict is Verdict.PASSED:
        remarks += _pass_remarks(hold, rule)
    if hold.pump_ran:
        remarks.append("With the pump running on the other side the valve's own seat is not proven.")
    if not hold.by_valve:
        remarks.append(
            "No valve reported: the start was found in the pressure itself, "
            f"within {duration_text(hold.uncertainty_s)} either way."
        )
        if new_inflow(hold, rule):
            remarks.append(
                "It rises straight, and faster than anything that the pump, by its rating, can have held "
                "before: air came in that was not there, back through a pump that stands with the valve "
                "open, or by something that opened then."
            )
        elif not hold.pump_ran:
            remarks.append(
                "Nothing reports that the pump ran on: one that stopped with the valve open and lets air "
                "back slowly makes the same curve, and is not told from an isolation by it."
            )
    if hold.extended:
        remarks.append("The pressure was over the limit at the planned end, so the hold was extended once.")
    if hold.below_zero:
        remarks.append("The gauge read below zero: its zero is off.")
    if hold.by_valve and not hold.closed_throughout and hold.reason != "reopened":
        remarks.append("The valve did not report closed all through.")
    excused = [gap for gap in hold.gaps if gap.excused(hold.by_valve and hold.closed_throughout)]
    if verdict is Verdict.PASSED and excused:
        missing_s = sum(gap.end_us - gap.start_us for gap in excused) / US
        remarks.append(
            f"Readings are missing for {duration_text(missing_s)}, but with the valve reported closed, the "
            "temperature not falling and the pressure below the limit before and after, it cannot have been "
            "over between."
        )
    if hold.gaps and verdict is Verdict.FAILED:
        first = to_datetime(hold.gaps[0].start_us).strftime("%H:%M")
        remarks.append(f"Readings are missing from {first} UTC; a fail stands all the same.")
    return tuple(remarks)


def _shown(slope: float, rule: Rule) -> str:
    if rule.volume_m3 is None:
        return (
            f"The smallest steady rise that this hold would have failed is {slope:.2e} Pa/s; no volume known."
        )
    leak = slope * rule.volume_m3
    return (
        f"The smallest steady leak that this hold would have failed is {leak:.2e} Pa·m³/s "
        f"({leak * 10:.1e} mbar·l/s)."
    )


def _pass_remarks(hold: Hold, rule: Rule) -> list[str]:
    remarks = []
    assert hold.limit_pa is not None
    if hold.highest_pa is not None and hold.highest_pa * (1 + rule.accuracy) > hold.limit_pa:
        remarks.append(
            f"The highest pressure, {pressure_text(hold.highest_pa)}, is within the gauge's accuracy of the "
            "limit: another gauge might have failed it."
        )
    known = [value for value in (hold.coldest_k, hold.ambient_k) if value is not None]
    if not known:
        remarks.append("No temperature was reported, so the pass says nothing about ice in a cold spot.")
    elif saturation_pressure(min(known) - COLD_SPOT_K) < hold.limit_pa:
        spot = min(known) - COLD_SPOT_K
        remarks.append(
            f"The pass says nothing about ice: at {spot - 273.15:.0f} °C, as cold as a spot may be here, ice "
            f"cannot exceed {pressure_text(saturation_pressure(spot))}, which is below the limit."
        )
    if rule.range_low_pa is not None and hold.start_pa is not None and hold.start_pa <= 0:
        remarks.append("The gauge read zero or less at the start.")
    return remarks

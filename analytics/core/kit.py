"""What to bring to a job after a hold test. Common practice, no source; the crew knows its van."""

from __future__ import annotations

from model.judgement import (
    LEAK_SUSPECTED,
    Cause,
    Diagnosis,
    HoldTest,
    Verdict,
    leak_probability,
    named_together,
)

RIG = "caps and plugs to blank the rig off, spare hose seals and a core tool"
FIND = "a leak detector that knows the refrigerant"
NITROGEN = "dry nitrogen with a regulator and a relief device"
WARM = "warmth without a flame (heating mats, warm air)"
OIL = "fresh pump oil"
GAUGE = "a second gauge whose zero was checked"
POWER = "charged batteries for gauge and gateway"
VALVE = "a second isolation valve that was proved"

_OF_REASON = {
    "target-unseen": (POWER,),
    "gap-over-end": (POWER,),
    "gaps-over-tenth": (POWER,),
    "gauge-fault": (GAUGE,),
    "gauge-range-too-small": (GAUGE,),
    "gauge-under-range": (GAUGE,),
    "gauges-disagree": (GAUGE,),
    "no-circuit-gauge": (GAUGE,),
    "reopened": (OIL,),
    "target-not-held": (WARM, OIL),
    "start-above-limit": (WARM, OIL),
}


def bring(hold: HoldTest) -> tuple[str, ...]:
    """What a crew needs for what `analytics.core.advice` says; nothing where nobody need go.

    Parameters
    ----------
    hold : HoldTest
        With its verdict, and its diagnosis if there is one.
    """
    if hold.verdict is Verdict.FAILED:
        return (RIG, *_of_cause(hold.diagnosis))
    if hold.verdict is Verdict.INCONCLUSIVE:
        return _OF_REASON.get(hold.reason, ())
    if hold.verdict is Verdict.AWAITING:
        return (POWER,)
    leak = 0.0 if hold.diagnosis is None else leak_probability(hold.diagnosis.probabilities)
    if hold.verdict is Verdict.PASSED and leak >= LEAK_SUSPECTED:
        return (RIG, FIND, NITROGEN)
    return (VALVE,) if hold.pump_felt else ()


def _of_cause(diagnosis: Diagnosis | None) -> tuple[str, ...]:
    cause = Cause.UNCLEAR if diagnosis is None else diagnosis.cause
    if cause is Cause.UNCLEAR and diagnosis is not None:
        together = named_together(diagnosis.probabilities)
        cause = Cause.UNCLEAR if together is None else together[0]
    return {
        Cause.LEAK: (FIND, NITROGEN),
        Cause.MOISTURE: (NITROGEN, WARM, OIL),
        Cause.OUTGASSING: (WARM, OIL),
        Cause.TIGHT: (),
    }.get(cause, (FIND, NITROGEN, WARM, OIL))

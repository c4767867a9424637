"""What was found in a log, in the JSON shape of the outside contract."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC
from typing import Any

from analytics.core.advice import advise
from model.cautions import CAUTION
from model.clock import to_datetime
from model.judgement import Advice, Diagnosis, HoldTest, Interval, Phase, Verdict
from physics.constants import ZERO_CELSIUS_K


def iso(time_us: int | None) -> str | None:
    """ISO 8601 with an offset."""
    return None if time_us is None else to_datetime(time_us).astimezone(UTC).isoformat()


def phase_row(phase: Phase, last_us: int) -> dict[str, object]:
    """A phase; one that had not ended ends with the log."""
    end_us = last_us if phase.end_us is None else phase.end_us
    return {"kind": phase.kind.value, "start": iso(phase.start_us), "end": iso(end_us)}


def hold_row(hold: HoldTest, cause: Diagnosis, found: Phase) -> dict[str, Any]:
    """A hold, its verdict and its estimate."""
    end_us = hold.planned_end_us if found.end_us is None else min(hold.planned_end_us, found.end_us)
    kelvin = cause.equilibrium_temperature_k
    return {
        "start": iso(hold.start_us),
        "end": iso(end_us),
        "start_uncertainty_s": hold.start_uncertainty_s,
        "verdict": hold.verdict.value,
        "reason": hold.reason,
        "text": hold.text,
        "decided_at": iso(hold.decided_us),
        "first_over_limit": iso(hold.first_over_us),
        "start_pa": hold.start_pa,
        "limit_pa": hold.limit_pa,
        "last_pa": hold.last_pa,
        "remarks": list(hold.remarks),
        "smallest_leak_shown_pa_m3_per_s": hold.smallest_leak_pa_m3_per_s,
        "cause": cause.cause.value,
        "probabilities": cause.probabilities,
        "evidence": list(cause.evidence),
        "advice": _advice(advise(replace(hold, diagnosis=cause))),
        "rise_pa_per_s": {"leak": interval_row(cause.leak_pa_per_s)},
        "leak_rate_pa_m3_per_s": interval_row(cause.leak_pa_m3_per_s),
        "moisture": {
            "vapour_pa": cause.vapour_pa,
            "vapour_g": cause.vapour_g,
            "equilibrium_temperature_c": None if kelvin is None else kelvin - ZERO_CELSIUS_K,
        },
        "early_call": _early_call(hold),
    }


def _advice(advice: Advice | None) -> dict[str, object] | None:
    if advice is None:
        return None
    return {
        "urgency": advice.urgency.value,
        "line": advice.line,
        "steps": list(advice.steps),
        "caution": CAUTION,
    }


def _early_call(hold: HoldTest) -> dict[str, object]:
    """The first moment at which a fail could have been told: by the forecast, else by the rule itself."""
    call = hold.early_call
    if call is not None:
        return {"at": iso(call.at_us), "outcome": "failed", "probability": call.probability}
    if hold.verdict is Verdict.FAILED:
        return {"at": iso(hold.decided_us), "outcome": "failed", "probability": 1.0}
    return {"at": None, "outcome": None, "probability": None}


def interval_row(interval: Interval | None) -> dict[str, float] | None:
    """An estimate with its 90 % interval."""
    if interval is None:
        return None
    return {"value": interval.value, "low": interval.low, "high": interval.high}

"""How a hold test reads in the API."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from pydantic import BaseModel, Field

from api.quantities import Pressure, Quantities, Temperature, moment
from api.sentences import TextFigure, find
from model.cautions import CAUTION
from model.clock import to_datetime
from model.judgement import Cause, Diagnosis, EarlyCall, Forecast, HoldTest, Interval, Urgency, Verdict
from store.judgement import decode


class IntervalView(BaseModel):
    """An estimate with its 90 % interval."""

    value: float
    low: float
    high: float


class DiagnosisView(BaseModel):
    """Estimated cause. An estimate never changes a verdict."""

    cause: Cause
    probabilities: dict[str, float]
    evidence: list[str]
    leak_pa_per_s: IntervalView | None
    leak_pa_m3_per_s: IntervalView | None
    leak_mbar_l_per_s: IntervalView | None
    vapour: Pressure | None
    vapour_g: float | None
    equilibrium_temperature: Temperature | None = Field(
        description="Whose saturation pressure it would be, if all of the vapour were water."
    )


class AdviceView(BaseModel):
    """What to do about a hold, and how soon. An estimate."""

    urgency: Urgency
    line: str = Field(description="One line for the desk: how soon, and why.")
    steps: list[str] = Field(description="What to do, in that order.")
    caution: str = Field(description="To be shown wherever the steps are.")


class ForecastView(BaseModel):
    """What a running hold is expected to come to. An estimate never changes a verdict."""

    probability: float = Field(description="That it fails.")
    crossing_at: datetime | None = Field(
        description="When it is expected over the limit, if it fails; null where a fail is very unlikely."
    )
    low_at: datetime | None = Field(description="The middle 90 % of that begin here,")
    high_at: datetime | None = Field(description="and end here.")


class EarlyCallView(BaseModel):
    """A fail that was told before the rule could decide it. An estimate."""

    at: datetime = Field(description="Time of the reading that showed it.")
    probability: float
    crossing_at: datetime
    low_at: datetime
    high_at: datetime


class RevisionView(BaseModel):
    """An earlier or present state of a verdict, and why it was made."""

    revision: int
    verdict: Verdict
    reason: str
    text: str
    cause: Cause | None
    because: str
    at: datetime


class HoldTestView(BaseModel):
    """A hold and what the rule says of it."""

    id: int
    job_id: int
    revision: int = Field(description="0 as long as there was no verdict.")
    verdict: Verdict
    reason: str = Field(description="Reason code, stable, for programs.")
    text: str = Field(description="One sentence for people.")
    started_at: datetime
    planned_end_at: datetime
    ended_at: datetime | None
    decided_at: datetime | None
    first_over_limit_at: datetime | None
    start: Pressure | None = Field(description="Filtered pressure at the end of settling.")
    limit: Pressure | None
    last: Pressure | None
    highest: Pressure | None
    smallest_leak_pa_m3_per_s: float | None = Field(description="Smallest steady leak it would have failed.")
    by_valve: bool = Field(description="Begun by the valve's own report; else found in the curve.")
    start_uncertainty_s: float
    deciding_instrument_id: int | None
    remarks: list[str]
    diagnosis: DiagnosisView | None
    advice: AdviceView | None = Field(
        description="Once there is a verdict, or while it runs if a fail was called early or the valve may "
        "not have closed."
    )
    forecast: ForecastView | None = Field(description="While it runs, once there are readings enough.")
    early_call: EarlyCallView | None = Field(description="Told once, and kept whatever the verdict becomes.")
    withdrawn_at: datetime | None = Field(description="Late readings showed that there was no such hold.")


class HoldTestDetail(HoldTestView):
    """A hold test with its revisions."""

    revisions: list[RevisionView]


def hold_view(row: dict[str, Any], unit: Quantities) -> HoldTestView:
    """A hold test from its row in `store.lists.HOLD_TESTS`."""
    hold = decode(row["detail"])

    def sentence(text: str) -> str:
        return unit.sentence(text, told(text, hold))

    return HoldTestView(
        id=row["id"],
        job_id=row["job_id"],
        revision=row["revision"],
        verdict=hold.verdict,
        reason=hold.reason,
        text=sentence(hold.text),
        started_at=row["started_at"],
        planned_end_at=moment(hold.planned_end_us) or row["started_at"],
        ended_at=row["ended_at"],
        decided_at=row["decided_at"],
        first_over_limit_at=moment(hold.first_over_us),
        start=unit.or_none(hold.start_pa),
        limit=unit.or_none(hold.limit_pa),
        last=unit.or_none(hold.last_pa),
        highest=unit.or_none(hold.highest_pa),
        smallest_leak_pa_m3_per_s=hold.smallest_leak_pa_m3_per_s,
        by_valve=hold.by_valve,
        start_uncertainty_s=hold.start_uncertainty_s,
        deciding_instrument_id=hold.deciding_instrument_id,
        remarks=[sentence(remark) for remark in hold.remarks],
        diagnosis=None if hold.diagnosis is None else _diagnosis(hold.diagnosis, unit),
        advice=None
        if hold.advice is None
        else AdviceView(
            urgency=hold.advice.urgency,
            line=sentence(hold.advice.line),
            steps=[sentence(step) for step in hold.advice.steps],
            caution=CAUTION,
        ),
        forecast=None if hold.forecast is None else forecast_view(hold.forecast),
        early_call=None if hold.early_call is None else _early_call(hold.early_call),
        withdrawn_at=row["withdrawn_at"],
    )


def told(text: str, hold: HoldTest, accuracy: float | None = None) -> list[TextFigure]:
    """The figures of a sentence about a hold; what the hold has in full is taken from there."""
    return find(text, (hold.start_pa, hold.last_pa, hold.highest_pa), (hold.limit_pa,), accuracy)


def revision_view(row: dict[str, Any], unit: Quantities) -> RevisionView:
    """A revision from its row in `store.lists.revisions`."""
    return RevisionView(**{**row, "text": unit.sentence(row["text"])})


def _diagnosis(found: Diagnosis, unit: Quantities) -> DiagnosisView:
    return DiagnosisView(
        cause=found.cause,
        probabilities=found.probabilities,
        evidence=[unit.sentence(line) for line in found.evidence],
        leak_pa_per_s=_interval(found.leak_pa_per_s),
        leak_pa_m3_per_s=_interval(found.leak_pa_m3_per_s),
        leak_mbar_l_per_s=_interval(found.leak_mbar_l_per_s),
        vapour=unit.or_none(found.vapour_pa),
        vapour_g=found.vapour_g,
        equilibrium_temperature=unit.temperature(found.equilibrium_temperature_k),
    )


def forecast_view(known: Forecast) -> ForecastView:
    """A forecast with its times."""
    return ForecastView(
        probability=known.probability,
        crossing_at=moment(known.crossing_us),
        low_at=moment(known.low_us),
        high_at=moment(known.high_us),
    )


def _early_call(call: EarlyCall) -> EarlyCallView:
    return EarlyCallView(
        at=to_datetime(call.at_us),
        probability=call.probability,
        crossing_at=to_datetime(call.crossing_us),
        low_at=to_datetime(call.low_us),
        high_at=to_datetime(call.high_us),
    )


def _interval(estimate: Interval | None) -> IntervalView | None:
    return (
        None if estimate is None else IntervalView(value=estimate.value, low=estimate.low, high=estimate.high)
    )

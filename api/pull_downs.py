"""How the estimate of a running pull-down reads: in the API, as a line on the job page, on the board."""

from __future__ import annotations

from datetime import datetime

from pydantic import BaseModel, Field

from analytics.core import pull_words
from api.figures import Figures
from api.holds import IntervalView
from api.liveness import Unkept
from api.quantities import Flow, Hose, Pressure, PumpRating, Quantities
from api.words import chance, duration
from model.cautions import CAUTION
from model.clock import US, to_datetime
from model.judgement import Interval
from model.pull_down import PullDown, PullEstimate, Speed, Stall, Standing, State

STANDS = {
    Standing.WATER: "free water",
    Standing.DEGASSING: "gas from oil and walls, or a leak",
    Standing.BALANCE: "pump at its limit, leak, gas or gauge",
    Standing.UNCLEAR: "water, pump, leak, gas or gauge",
}
"""What lets a pressure stand, as far as a curve tells."""

TO_TELL = "isolate for five minutes to tell"


class PullSpeedView(BaseModel):
    """Effective pumping speed at the gauge, at a pressure."""

    pressure: Pressure
    per_s: IntervalView = Field(description="Over the circuit's volume [1/s], with its 90 % interval.")
    m3_per_s: IntervalView | None = Field(description="Where the volume is known [m³/s]; its error is in it.")
    speed: Flow | None = Field(description="Its value in the units that were asked for.")
    speed_low: Flow | None = Field(description="Its 90 % interval begins here.")
    speed_high: Flow | None = Field(description="It ends here.")
    explained: Flow | None = Field(
        description="What a good pump of this rating gives there through the hose."
    )
    share_of_rating: float | None = Field(description="Of the pump's rating, where that is known.")
    share_of_explained: float | None = Field(description="Of what pump and hose together give there.")
    held_back: bool = Field(description="Surely less than half of what pump and hose explain.")


class PullStallView(BaseModel):
    """A pressure that stands above the target."""

    pressure: Pressure
    since: datetime
    cause: Standing
    free_water: float = Field(description="Probability that free water holds it there.")


class PullDownView(BaseModel):
    """What is said of the pull-down that runs. An estimate, made anew as it grows older.

    Only readings keep it up. Without them `unsupported_since` is set, and it tells no time any more.
    """

    started_at: datetime
    as_of: datetime = Field(description="Its last reading that was looked at.")
    unsupported_since: datetime | None = Field(
        description="Nothing bears it out since: no readings come, or it was not made anew; else null."
    )
    state: State
    target: Pressure
    pressure: Pressure | None = Field(description="At that time, without the noise.")
    expected_at: datetime | None = Field(
        description="When the target will be reached; null: by this curve not, or not to be told."
    )
    earliest_at: datetime | None = Field(
        description="The middle 90 % of that begin here. While the pressure stands: not before, if what "
        "holds it had ended then."
    )
    latest_at: datetime | None = Field(description="They end here; null: it may be never.")
    never: float | None = Field(description="Share of the curves that fit which do not come to the target.")
    pump: PumpRating | None = Field(description="The rating that the speeds are set against.")
    hose: Hose | None = Field(description="The hose that they are set against.")
    speed_at_first: PullSpeedView | None
    speed_now: PullSpeedView | None = Field(description="Null while the pressure stands.")
    gas_share: float | None = Field(description="Of what the pump takes, what still comes in.")
    stall: PullStallView | None
    evidence: list[str] = Field(description="Sentences: what holds it back, why it stands.")
    advice: str | None
    caution: str | None = Field(description="To be shown wherever the advice is.")


class PullGlance(BaseModel):
    """The same on the board."""

    as_of: datetime
    unsupported_since: datetime | None = Field(
        description="Nothing bears it out since: no readings come, or it was not made anew; else null."
    )
    at: datetime | None = Field(description="When the target is expected; null where that cannot be told.")
    word: str = Field(description="What else is to be said of it; may be empty.")


def pull_view(one: PullEstimate, unit: Quantities, left: Unkept | None = None) -> PullDownView:
    """An estimate with its times and in these units; one that is no longer kept up tells no time."""
    found = one.found
    until = None if left else found.until
    advice = pull_words.advice(found) if left is None else _look_after(left)
    return PullDownView(
        started_at=to_datetime(one.start_us),
        as_of=to_datetime(one.at_us),
        unsupported_since=None if left is None else to_datetime(left.since_us),
        state=found.state,
        target=unit(one.target_pa),
        pressure=unit.or_none(found.pressure_pa),
        expected_at=None if until is None else _moment(one, until.value),
        earliest_at=None if until is None else _moment(one, until.low),
        latest_at=None if until is None else _moment(one, until.high),
        never=None if until is None else until.never,
        pump=unit.pump(one.rig.pump_m3_s, one.rig.ultimate_pa),
        hose=unit.hose(one.rig.bore_m, one.rig.length_m),
        speed_at_first=_speed(found.best, unit),
        speed_now=_speed(found.now, unit),
        gas_share=found.load_share,
        stall=None if found.stall is None else _stall(one, found.stall, unit),
        evidence=[unit.sentence(one) for one in _evidence(found, unit)],
        advice=unit.sentence(advice) if advice else None,
        caution=CAUTION if advice else None,
    )


def _evidence(found: PullDown, unit: Quantities) -> list[str]:
    # While the pressure stands no speed is told of now.
    told = found.best if found.now is None else found.now
    said = [] if told is None or told.of_rating is None else [pull_words.speed(told, unit.flow_text)]
    return [*said, *pull_words.evidence(found)]


def _look_after(left: Unkept) -> str:
    if not left.silent:
        return ""
    return (
        "Find out why nothing comes: gauge, battery, gateway or radio. Until then nobody sees whether the "
        f"pump runs. {pull_words.NEVER_OPEN}"
    )


def line(one: PullEstimate, figures: Figures, time_zone: str, left: Unkept | None = None) -> str:
    """What a dispatcher reads: when, or why not; of one that is no longer kept up, since when."""
    said = _line(one, figures, time_zone)
    if left is None:
        return said
    since = figures.when(to_datetime(left.since_us), time_zone)
    why = "No readings since" if left.silent else "Not made anew since"
    return f"{why} {since}: this is not kept up. Last said: {said}"


def _line(one: PullEstimate, figures: Figures, time_zone: str) -> str:
    found, until = one.found, one.found.until
    target = figures.setting_text(one.target_pa)
    if found.state is State.EARLY or (until is None and found.stall is None):
        if found.state is State.REACHED:
            return f"At or below the target of {target}. Not finished before a hold has passed."
        return "Too early to say when the target will be reached."

    if found.stall is not None:
        return _standing(found.stall, figures)
    assert until is not None
    if until.value is None:
        return f"Not by this curve: it bends towards an end above the target of {target}; {TO_TELL}."
    when = figures.when(_moment(one, until.value), time_zone)
    earlier = duration(until.value - until.low)
    if until.high is None:
        return (
            f"Target of {target} expected at about {when}, at most {earlier} earlier; it may be never "
            f"({chance(until.never)})."
        )
    later = duration(until.high - until.value)
    return f"Target of {target} expected at about {when}; 90 %: from {earlier} earlier to {later} later."


def _standing(stall: Stall, figures: Figures) -> str:
    where = f"Stands above the target, near {figures.about(stall.pressure_pa)} for {duration(stall.since_s)}"
    if stall.named is Standing.WATER:
        return f"{where}: {STANDS[stall.named]} ({chance(stall.water)}). How long, no curve tells."
    return f"{where}: {STANDS[stall.named]}; {TO_TELL}."


def glance(one: PullEstimate, left: Unkept | None = None) -> PullGlance:
    """The estimate in a few words; of one that is no longer kept up, since when."""
    as_of = to_datetime(one.at_us)
    if left is not None:
        return PullGlance(as_of=as_of, unsupported_since=to_datetime(left.since_us), at=None, word="")
    at = None if one.found.until is None else _moment(one, one.found.until.value)
    return PullGlance(as_of=as_of, unsupported_since=None, at=at, word=_word(one.found))


def _word(found: PullDown) -> str:
    if found.stall is not None:
        water = found.stall.named is Standing.WATER
        return "stands: free water" if water else "stands: isolate to tell"
    if found.until is None or found.state is not State.FALLING:
        return ""
    if found.until.value is None:
        return "not by this curve: isolate to tell"
    return "or never" if found.until.high is None else ""


def _moment(one: PullEstimate, seconds: float | None) -> datetime | None:
    return None if seconds is None else to_datetime(one.at_us + round(seconds * US))


def _speed(speed: Speed | None, unit: Quantities) -> PullSpeedView | None:
    if speed is None:
        return None
    return PullSpeedView(
        pressure=unit(speed.pressure_pa),
        per_s=_interval(speed.per_s),
        m3_per_s=None if speed.m3_s is None else _interval(speed.m3_s),
        speed=None if speed.m3_s is None else unit.flow(speed.m3_s.value),
        speed_low=None if speed.m3_s is None else unit.flow(speed.m3_s.low),
        speed_high=None if speed.m3_s is None else unit.flow(speed.m3_s.high),
        explained=None
        if speed.m3_s is None or speed.of_explained is None
        else unit.flow(speed.m3_s.value / speed.of_explained),
        share_of_rating=speed.of_rating,
        share_of_explained=speed.of_explained,
        held_back=speed.held_back,
    )


def _interval(estimate: Interval) -> IntervalView:
    return IntervalView(value=estimate.value, low=estimate.low, high=estimate.high)


def _stall(one: PullEstimate, stall: Stall, unit: Quantities) -> PullStallView:
    return PullStallView(
        pressure=unit(stall.pressure_pa),
        since=to_datetime(one.at_us - round(stall.since_s * US)),
        cause=stall.named,
        free_water=stall.water,
    )

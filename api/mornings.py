"""The holds of a night, as they read in the morning: on a page, in the API, in a mail."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime
from typing import Any

from pydantic import BaseModel, Field

from analytics.core.kit import bring
from api.holds import told
from api.sentences import TextFigure
from api.words import VERDICTS, Mark, cause_in_words
from desk.core import night, plan
from desk.core.night import Night
from model.cautions import CAUTION
from model.clock import to_datetime
from model.hold_plan import HoldPlan, PlanState
from model.judgement import HoldTest, Urgency, Verdict
from store import mornings, plans
from store.database import Connection
from store.judgement import decode
from store.mornings import MorningTime

Say = Callable[[str, list[TextFigure] | None, str], str]
"""Writes a stored sentence for a reader: the sentence, its figures if they are known, a site's time zone."""

NOTHING = "No hold ran this night, and no plan had anything to say."
NOT_HELD = "The target has not been held for as long as was asked for."
ORDER = (Verdict.FAILED, Verdict.INCONCLUSIVE, Verdict.AWAITING, Verdict.RUNNING, Verdict.PASSED)
URGENCIES = (Urgency.NOW, Urgency.CAN_WAIT, Urgency.NO_NEED, None)


class NightHold(BaseModel):
    """A hold of the night."""

    hold_id: int
    job_id: int
    job: str
    site_id: int
    site: str
    time_zone: str = Field(description="Of the site.")
    circuit: str | None
    plan_id: int | None = Field(description="The hold plan that it came of.")
    started_at: datetime
    ended_at: datetime | None
    verdict: Verdict
    text: str = Field(description="What the rule says, in a sentence.")
    awaits: str = Field(
        description="Why readings do not come, where that is known; empty: it is not, or none are awaited."
    )
    cause: str = Field(description="Estimated cause in words; empty: none was estimated.")
    probability: float | None = Field(description="Of that cause. An estimate never changes a verdict.")
    urgency: Urgency | None
    line: str = Field(description="One line: how soon somebody must go, and why. An estimate.")
    steps: list[str] = Field(description="What to do, in that order.")
    bring: list[str] = Field(description="What to bring. Common practice.")

    @property
    def mark(self) -> Mark:
        """As it is shown."""
        return VERDICTS[self.verdict]


class NightPlan(BaseModel):
    """A hold plan of the night of which no hold came."""

    plan_id: int
    job_id: int
    job: str
    site_id: int
    site: str
    time_zone: str
    circuit: str | None
    state: PlanState
    text: str = Field(description="How it stands, and why no hold came of it.")
    at: datetime | None = Field(description="Of the latest line of its log in that night.")


class Morning(BaseModel):
    """What became of a night."""

    day: date = Field(description="Of the morning.")
    since: datetime = Field(description="The night begins at 18:00 in the company's time zone,")
    until: datetime = Field(description="and ends when the morning comes.")
    time_zone: str = Field(description="The company's.")
    as_of: datetime = Field(description="When this was put together; late readings may change it.")
    summary: str = Field(description="In one line.")
    holds: list[NightHold] = Field(description="What needs somebody first.")
    plans: list[NightPlan]
    caution: str = Field(description="To be shown wherever the steps are.")


def morning(conn: Connection, day: date | None, now_us: int, say: Say) -> Morning:
    """What became of the night before a morning; None: the newest."""
    chosen = mornings.when(conn)
    found = _night(day, now_us, chosen)
    holds = [hold(row, say) for row in mornings.holds(conn, found.since_us, found.until_us)]
    holds.sort(
        key=lambda one: (ORDER.index(one.verdict), URGENCIES.index(one.urgency), one.site, one.hold_id)
    )
    held = {one.hold_id for one in holds}
    without = [
        _plan(conn, row, say)
        for row in mornings.plans(conn, found.since_us, found.until_us)
        if (row["progress"] or {}).get("hold_id") not in held
    ]
    return Morning(
        day=found.day,
        since=to_datetime(found.since_us),
        until=to_datetime(found.until_us),
        time_zone=chosen.zone,
        as_of=to_datetime(now_us),
        summary=summary(holds, without),
        holds=holds,
        plans=without,
        caution=CAUTION,
    )


def _night(day: date | None, now_us: int, chosen: MorningTime) -> Night:
    if day is None:
        return night.latest(now_us, chosen.at, chosen.zone)
    return night.before(day, chosen.at, chosen.zone)


def summary(holds: list[NightHold], without: list[NightPlan]) -> str:
    """The night in one line."""
    if not holds and not without:
        return NOTHING
    counts = [
        (sum(one.verdict is verdict for one in holds), VERDICTS[verdict].word.lower()) for verdict in ORDER
    ]
    parts = [f"{count} {word}" for count, word in counts if count]
    off = sum(one.state is PlanState.CALLED_OFF for one in without)
    if off:
        parts.append(f"{off} {'plan' if off == 1 else 'plans'} called off")
    if len(without) > off:
        parts.append(f"{len(without) - off} {'plan' if len(without) - off == 1 else 'plans'} without a hold")
    return ", ".join(parts)


def hold(row: dict[str, Any], say: Say) -> NightHold:
    """A hold from a row of `store.mornings`."""
    found, zone = decode(row["detail"]), row["time_zone"]
    diagnosis, advice = found.diagnosis, found.advice
    cause, share = (
        ("", None) if diagnosis is None else cause_in_words(diagnosis.cause, diagnosis.probabilities)
    )
    return NightHold(
        hold_id=row["id"],
        job_id=row["job_id"],
        job=row["title"],
        site_id=row["site_id"],
        site=row["site"],
        time_zone=zone,
        circuit=row["circuit"],
        plan_id=row["plan_id"],
        started_at=row["started_at"],
        ended_at=row["ended_at"],
        verdict=found.verdict,
        text=say(found.text, told(found.text, found), zone),
        awaits=_awaits(row, found, say),
        cause=cause,
        probability=share,
        urgency=None if advice is None else advice.urgency,
        line="" if advice is None else say(advice.line, None, zone),
        steps=[] if advice is None else [say(step, None, zone) for step in advice.steps],
        bring=list(bring(found)),
    )


def _awaits(row: dict[str, Any], found: HoldTest, say: Say) -> str:
    if found.verdict is not Verdict.AWAITING or row["gateway"] is None:
        return ""
    since = row["away_since"].strftime("%Y-%m-%dT%H:%M:%SZ")
    return say(
        f"The gateway {row['gateway']} is out of reach since {since}; readings that it has stored count when "
        "they come.",
        None,
        row["time_zone"],
    )


def _plan(conn: Connection, row: dict[str, Any], say: Say) -> NightPlan:
    found = plans.from_row(row)
    return NightPlan(
        plan_id=found.id,
        job_id=found.job_id,
        job=row["title"],
        site_id=found.site_id,
        site=row["site"],
        time_zone=found.time_zone,
        circuit=row["circuit"],
        state=found.progress.state,
        text=say(_how_it_stands(conn, found, row["last_line"]), None, found.time_zone),
        at=row["last_at"],
    )


def _how_it_stands(conn: Connection, found: HoldPlan, last_line: str | None) -> str:
    if found.progress.state is PlanState.CALLED_OFF:
        return last_line or "Called off."
    if found.progress.state is PlanState.WAITING and found.progress.end is None:
        hindered = " ".join(found.progress.blocked)
        return f"Plan {found.id} waits. {hindered or NOT_HELD}"
    return plan.report_text(found, plans.ground(conn, found.job_id).hold_s, None)

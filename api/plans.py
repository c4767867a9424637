"""From what somebody wishes of a hold plan to a plan, and how a plan reads."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from zoneinfo import ZoneInfo

from pydantic import BaseModel, Field

from api.asked import Asked
from api.drying import Choice, DryingView, DryingWish, choices, drying_of, drying_view
from api.quantities import STORED, Quantities, moment
from api.words import VERDICTS, Mark
from desk.core import battery, interlocks, plan, wall_time
from desk.core.interlocks import Deed, Hindrance, Who
from model.clock import US, to_datetime
from model.equipment import Role
from model.errors import BadInput, Conflict
from model.hold_plan import HoldPlan, PlanEnd, PlanState
from model.job import JobState
from model.judgement import Verdict
from model.texts import LONGEST_WORDS, check_text
from store import lists, openings, plans, valve_facts
from store.database import Connection
from store.people import Person
from store.plans import NewPlan

SHORTEST_HELD_S, LONGEST_HELD_S = 60.0, 24 * 3600.0


class PlanWish(Asked):
    """What a plan shall do."""

    held_s: float = Field(
        1800.0,
        ge=SHORTEST_HELD_S,
        le=LONGEST_HELD_S,
        description="Close the valve when the circuit has been at or below its target for so long, and the "
        "procedure's own dwell is over.",
    )
    not_before: str = Field("", description="And not before this time at the site, `HH:MM`; empty: at once.")
    report_at: str = Field(
        description="Tell how it went at this time at the site, `HH:MM`. If no hold has begun until "
        "then, the plan ends."
    )
    accepted: list[str] = Field(
        [], description="Interlocks of a hold that are overridden, by id; only those marked for a person."
    )
    accepted_reason: str = Field("", description="Why, in words; it is written down.")
    drying: DryingWish | None = Field(
        None,
        description="What to do when the hold fails: drying rounds if it fails by moisture; null: leave the "
        "valve closed. Somebody is woken in either case.",
    )
    tell: list[int] | None = Field(
        None,
        description="Who is told how it went, by number, each over the channels that they chose; null: who "
        "made it, or as before. A hold that fails is Dispatch's in any case.",
    )
    procedure_id: int | None = Field(
        None,
        description="The job's procedure from now on, which says how long it is held and what is permitted; "
        "null: as it is. The job is judged anew by it; that takes the right `jobs`, too.",
    )


class NewPlanWish(PlanWish):
    """A plan to make."""

    job_id: int
    instrument_id: int | None = Field(None, description="The valve; may be left out if the job has one.")


class Reader(BaseModel):
    """Who is told how a plan went."""

    id: int
    name: str


class PlanView(BaseModel):
    """A hold plan."""

    id: int
    job_id: int
    instrument_id: int
    gateway: str
    valve: str
    site_id: int
    time_zone: str = Field(description="Of the site.")
    made_by: str | None
    made_at: datetime
    held_s: float
    hold_s: float = Field(description="For so long the job's procedure holds.")
    not_before: datetime | None
    report_at: datetime
    accepted: list[str]
    accepted_reason: str
    drying: DryingView | None
    tell: list[Reader] = Field(description="Who is told how it went.")
    state: PlanState
    end: PlanEnd | None = Field(description="How it ended by itself; null while it has not.")
    order_id: int | None = Field(description="Its latest order.")
    closed_at: datetime | None = Field(description="Since when the valve has reported closed.")
    out_of_reach_since: datetime | None = Field(
        description="During the hold: the gateway's; the valve is believed closed since `closed_at`."
    )
    blocked: list[str] = Field(description="What hinders the close now, in sentences.")
    hold_id: int | None
    verdict: Verdict | None = Field(description="Of its hold, as it is judged now.")
    text: str = Field(description="How it stands, in a sentence.")


class LineView(BaseModel):
    """A line of a plan's log."""

    at: datetime
    text: str = Field(
        description="Pressures and moments in it are in the reader's units and at the site's time; for "
        "machines in micron and Pa, and in RFC 3339."
    )


class PlanWithLog(PlanView):
    """A hold plan with its log, the oldest line first."""

    log: list[LineView]


class Foreseen(BaseModel):
    """What a plan would do."""

    not_before: datetime | None
    report_at: datetime
    hold_s: float
    ends_at_the_earliest: datetime
    hindrances: dict[str, str] = Field(
        description="What would hinder it if it were to close now, by interlock; it is looked at again then."
    )
    remarks: list[str]
    on_fail: list[Choice] = Field(description="What it may do when the hold fails, each with its risk.")


def serving_valve(conn: Connection, job_id: int, instrument_id: int | None) -> int:
    """The valve of a job that is meant; raises `BadInput`."""
    found = [
        item["instrument_id"]
        for item in lists.serving(conn, job_id)
        if item["role"] == Role.VALVE and item["until"] is None
    ]
    if instrument_id is None and len(found) == 1:
        return int(found[0])
    if instrument_id in found:
        return int(instrument_id or 0)
    said = "No such valve serves this job." if instrument_id is not None or not found else "Say which valve."
    raise BadInput(said, field="instrument_id")


def plan_of(
    conn: Connection,
    wish: PlanWish,
    job_id: int,
    valve_id: int,
    zone: str,
    person: Person,
    now_us: int,
    before: HoldPlan | None = None,
) -> NewPlan:
    """Check what is wished and reckon its times in the site's zone; raises `BadInput`, `Conflict`,
    `NotAllowed`."""
    if plans.ground(conn, job_id).state is JobState.CLOSED:
        raise Conflict("The job is closed.")
    not_before_us = None
    if wish.not_before.strip():
        kept = None if before is None else before.not_before_us
        not_before_us = _moment(wish.not_before, "not_before", now_us, zone, kept)
    begin_us = max(now_us, now_us if not_before_us is None else not_before_us)
    kept = None if before is None or before.report_us <= begin_us else before.report_us
    report_us = _moment(wish.report_at, "report_at", begin_us, zone, kept)
    reason = check_text(wish.accepted_reason, "accepted_reason", longest=LONGEST_WORDS)
    for one in wish.accepted:
        row = interlocks.BY_ID.get(one)
        if row is None or Deed.HOLD not in row.deeds or row.overridden_by is not Who.PERSON:
            raise BadInput(f"“{one}” is nothing that a plan may override.", field="accepted")
    if wish.accepted and len(reason) < interlocks.SHORTEST_REASON:
        raise BadInput("Write down in one line why it may be done all the same.", field="accepted_reason")
    drying = drying_of(conn, wish.drying, job_id, person, before, now_us)
    return NewPlan(
        job_id,
        valve_id,
        wish.held_s,
        not_before_us,
        report_us,
        tuple(wish.accepted),
        reason,
        drying,
        _tell(conn, wish, before),
    )


def _moment(text: str, field: str, after_us: int, zone: str, kept_us: int | None) -> int:
    """The next moment at which clocks at the site show that; what stays as it was is not reckoned anew."""
    wall = wall_time.parse(text, field)
    if kept_us is not None and clock_text(kept_us, zone) == f"{wall:%H:%M}":
        return kept_us
    return wall_time.next_after(wall, after_us, zone)


def clock_text(us: int, zone: str) -> str:
    """What clocks at the site show then, as forms have it."""
    return f"{to_datetime(us).astimezone(ZoneInfo(zone)):%H:%M}"


def _tell(conn: Connection, wish: PlanWish, before: HoldPlan | None) -> tuple[int, ...] | None:
    if wish.tell is None:
        return None if before is None else tuple(number for number, _ in before.tell)
    wanted = tuple(sorted(set(wish.tell)))
    may = {number for number, _ in openings.who_may_be_named(conn)}
    if not may.issuperset(wanted):
        raise BadInput("Only people who may log in can be told.", field="tell")
    return wanted


def hold_until_us(conn: Connection, job_id: int, not_before_us: int | None, now_us: int) -> int:
    """When a hold is over that begins as soon as it may [µs]."""
    return max(now_us, not_before_us or now_us) + round(plans.ground(conn, job_id).hold_s * US)


def against(conn: Connection, new: NewPlan, person_id: int, now_us: int) -> tuple[Hindrance, ...]:
    """What would hinder a plan that were to close now, but for what it accepts."""
    facts = valve_facts.gather(
        conn,
        new.instrument_id,
        now_us,
        person_id=person_id,
        automatic=True,
        hold_until_us=hold_until_us(conn, new.job_id, new.not_before_us, now_us),
        battery=battery.weakest(plans.charges(conn, new.job_id)),
    )
    found = {one.id: one for deed in (Deed.CLOSE, Deed.HOLD) for one in interlocks.hindrances(deed, facts)}
    return tuple(one for one in found.values() if one.id not in new.accepted)


def foreseen(
    conn: Connection,
    new: NewPlan,
    found: Sequence[Hindrance],
    person_id: int,
    now_us: int,
    unit: Quantities,
    zone: str,
) -> Foreseen:
    """What a plan would do."""
    hold_s = plans.ground(conn, new.job_id).hold_s
    begin_us = max(now_us, new.not_before_us or now_us)
    ends_us = begin_us + round(hold_s * US)
    remarks = []
    if ends_us > new.report_us:
        remarks.append("At the time of the report the hold is not over yet: the verdict comes later.")
    if new.drying is not None and begin_us + round(new.drying.pump_s * US) > new.report_us:
        remarks.append("There will be no time for a drying round before the report: none begins then.")
    return Foreseen(
        not_before=moment(new.not_before_us),
        report_at=to_datetime(new.report_us),
        hold_s=hold_s,
        ends_at_the_earliest=to_datetime(ends_us),
        hindrances={one.id: unit.sentence(one.text, time_zone=zone) for one in found},
        remarks=remarks,
        on_fail=[
            one.model_copy(
                update={
                    "hindrances": {
                        key: unit.sentence(text, time_zone=zone) for key, text in one.hindrances.items()
                    }
                }
            )
            for one in choices(conn, new, person_id, now_us)
        ],
    )


def plan_view(conn: Connection, found: HoldPlan, unit: Quantities = STORED) -> PlanView:
    """A plan as it stands now."""
    zone = found.time_zone
    progress, ground = found.progress, plans.ground(conn, found.job_id)
    hold = None if progress.closed_us is None else plans.hold(conn, found.job_id, progress.closed_us)
    return PlanView(
        id=found.id,
        job_id=found.job_id,
        instrument_id=found.instrument_id,
        gateway=found.gateway,
        valve=found.valve,
        site_id=found.site_id,
        time_zone=found.time_zone,
        made_by=found.made_by_name,
        made_at=to_datetime(found.made_us),
        held_s=found.held_s,
        hold_s=ground.hold_s,
        not_before=moment(found.not_before_us),
        report_at=to_datetime(found.report_us),
        accepted=list(found.accepted),
        accepted_reason=found.accepted_reason,
        drying=drying_view(found),
        tell=[Reader(id=number, name=name) for number, name in found.tell],
        state=progress.state,
        end=progress.end,
        order_id=progress.order_id,
        closed_at=moment(progress.closed_us),
        out_of_reach_since=moment(progress.out_of_reach_us),
        blocked=[unit.sentence(one, time_zone=zone) for one in progress.blocked],
        hold_id=None if hold is None else hold[0],
        verdict=None if hold is None else hold[1],
        text=unit.sentence(
            _text(found, ground.hold_s, None if hold is None else plan.HoldSeen(*hold)), time_zone=zone
        ),
    )


def with_log(conn: Connection, found: HoldPlan, unit: Quantities = STORED) -> PlanWithLog:
    """A plan with its log."""
    lines = [
        LineView(at=line["at"], text=unit.sentence(line["text"], time_zone=found.time_zone))
        for line in plans.log(conn, found.id)
    ]
    return PlanWithLog(**plan_view(conn, found, unit).model_dump(), log=lines)


def mark_of(view: PlanView) -> Mark:
    """State of a plan as it is shown: a verdict as verdicts are."""
    if view.end is not None and view.verdict is not None and view.verdict.final:
        return VERDICTS[view.verdict]
    return MARKS[view.end or view.state]


MARKS: dict[PlanState | PlanEnd, Mark] = {
    PlanState.WAITING: Mark(key="waiting", word="Waiting to close", shape="await", tone="mute"),
    PlanState.CLOSING: Mark(key="closing", word="Closing", shape="valve-moving", tone="busy"),
    PlanState.HOLDING: Mark(key="holding", word="Holding", shape="hold", tone="busy"),
    PlanState.WEIGHING: Mark(key="weighing", word="Failed; drying looked at", shape="await", tone="warn"),
    PlanState.OPENING: Mark(key="opening", word="Opening to dry", shape="valve-moving", tone="busy"),
    PlanState.DRYING: Mark(key="drying", word="Drying, valve open", shape="valve-open", tone="busy"),
    PlanState.CALLED_OFF: Mark(key="called-off", word="Called off", shape="rest", tone="mute"),
    PlanEnd.NOT_BEGUN: Mark(key="not-begun", word="No hold began", shape="unsure", tone="warn"),
    PlanEnd.VALVE_MOVED: Mark(key="valve-moved", word="The valve was moved", shape="unsure", tone="warn"),
    PlanEnd.JOB_OVER: Mark(key="job-over", word="Ended with its job", shape="rest", tone="mute"),
    PlanEnd.NO_VERDICT: Mark(key="no-verdict", word="No verdict came", shape="unsure", tone="warn"),
    # Its verdict was withdrawn since.
    PlanEnd.PASSED: Mark(key="judged-again", word="Being judged again", shape="await", tone="mute"),
    PlanEnd.FAILED: Mark(key="judged-again", word="Being judged again", shape="await", tone="mute"),
    PlanEnd.INCONCLUSIVE: Mark(key="judged-again", word="Being judged again", shape="await", tone="mute"),
}


def _text(found: HoldPlan, hold_s: float, hold: plan.HoldSeen | None) -> str:
    state = found.progress.state
    if state is PlanState.CALLED_OFF:
        return f"Plan {found.id} was called off."
    if state is PlanState.WAITING:
        what = " ".join(found.progress.blocked) or "for the target to be held, and for its hour."
        return f"Plan {found.id} waits: {what}"
    return plan.report_text(found, hold_s, hold)

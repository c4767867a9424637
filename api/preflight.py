"""The checks before a hold is left to itself: gathered from the store, and as API and page show them."""

from __future__ import annotations

from datetime import datetime

from pydantic import BaseModel, Field

from api.plans import hold_until_us
from api.quantities import Quantities
from api.words import LEAVING, Mark
from desk.core import battery
from desk.core import preflight as core
from desk.core.preflight import Help, State
from model.clock import to_datetime
from model.equipment import Role
from model.errors import NotFound
from model.hold_plan import HoldPlan, PlanState
from model.judgement import Verdict
from model.preflight import PreflightFacts, ProofKind, Rhythm, Stage
from store import board, clocks, lists, orders, plans, preflight, proofs, valve_facts
from store.board import BoardRow
from store.database import Connection
from store.lists import CIRCUITS, JOBS

STAGES = {
    PlanState.WAITING: Stage.WAITING,
    PlanState.CLOSING: Stage.CLOSING,
    PlanState.HOLDING: Stage.HOLDING,
    PlanState.WEIGHING: Stage.HOLDING,
    PlanState.OPENING: Stage.DRYING,
    PlanState.DRYING: Stage.DRYING,
}


class CheckView(BaseModel):
    """A check."""

    id: str = Field(description="For programs; stable.")
    title: str
    state: State = Field(description="`hinders`: do not leave yet. `care`: not right, or not known.")
    mark: Mark
    said: str = Field(description="What was found.")
    todo: str = Field(description="What to do; empty if it is right.")
    help: Help | None = Field(description="Where something can be done about it.")
    interlocks: list[str] = Field(description="Interlocks of a hold that it stands for, by id.")


class PreflightView(BaseModel):
    """Whether a hold can be left to itself."""

    job_id: int
    at: datetime
    stage: Stage = Field(description="How far the hold has come that is left to itself.")
    ready: bool = Field(description="Nothing hinders leaving.")
    text: str = Field(description="The same in a line, with what hinders.")
    plan_id: int | None = Field(description="The hold plan at work.")
    instrument_id: int | None = Field(description="The valve that closes, or has closed.")
    gateway_id: int | None = Field(description="Of the gauge.")
    checks: list[CheckView]


def preflight_view(
    conn: Connection, job_id: int, person_id: int | None, now_us: int, unit: Quantities
) -> PreflightView:
    """The checks of a job as they stand now; raises `NotFound`."""
    rows = board.rows(conn, [job_id])
    if not rows:
        raise NotFound(f"There is no job {job_id}.")
    row, plan = rows[0], _live_plan(conn, job_id)
    valve_id = _valve(conn, job_id) if plan is None else plan.instrument_id
    gauge = preflight.gauge(conn, job_id)
    facts = _facts(conn, row, plan, valve_id, gauge, person_id, now_us)
    results = core.look(facts)
    return PreflightView(
        job_id=job_id,
        at=to_datetime(now_us),
        stage=facts.stage,
        ready=core.ready(results),
        text=core.line(results),
        plan_id=None if plan is None else plan.id,
        instrument_id=valve_id,
        gateway_id=None if gauge is None else gauge[1],
        checks=[_view(one, unit, row.time_zone) for one in results],
    )


def _view(one: core.Result, unit: Quantities, time_zone: str) -> CheckView:
    check, found = one.check, one.found
    return CheckView(
        id=check.id,
        title=check.title,
        state=found.state,
        mark=LEAVING[found.state],
        said=unit.sentence(found.said, time_zone=time_zone),
        todo=found.todo,
        help=found.help,
        interlocks=list(check.interlocks),
    )


def _live_plan(conn: Connection, job_id: int) -> HoldPlan | None:
    return next((one for one in plans.of_job(conn, job_id) if one.progress.state.live), None)


def _valve(conn: Connection, job_id: int) -> int | None:
    """The valve that serves a job; of several the first."""
    return next(
        (
            item["instrument_id"]
            for item in lists.serving(conn, job_id)
            if item["role"] == Role.VALVE and item["until"] is None
        ),
        None,
    )


def _facts(
    conn: Connection,
    row: BoardRow,
    plan: HoldPlan | None,
    valve_id: int | None,
    gauge: tuple[int, int] | None,
    person_id: int | None,
    now_us: int,
) -> PreflightFacts:
    job_id, stage = row.job_id, _stage(row, plan)
    known = (
        orders.no_valve(job_id, row.site_id, row.time_zone)
        if valve_id is None
        else orders.known(conn, valve_id)
    )
    facts = valve_facts.of_known(
        conn,
        known,
        now_us,
        person_id=person_id if plan is None else plan.made_by,
        automatic=True,
        hold_until_us=_until_us(conn, row, plan, stage, now_us),
        battery=battery.weakest(plans.charges(conn, job_id)),
    )
    return PreflightFacts(
        facts,
        has_valve=valve_id is not None,
        stage=stage,
        accepted=frozenset() if plan is None else frozenset(plan.accepted),
        rig=proofs.newest(conn, ProofKind.RIG, job_id=job_id),
        travel=None if valve_id is None else proofs.travel(conn, valve_id, now_us),
        power=None if valve_id is None else proofs.newest(conn, ProofKind.POWER, instrument_id=valve_id),
        rhythm=Rhythm(None) if gauge is None else preflight.rhythm(conn, gauge[0], now_us),
        ahead_s=None if gauge is None else clocks.ahead(conn, gauge[1]).get(gauge[1]),
        volume_m3=_volume(conn, job_id),
        route=preflight.route(conn),
    )


def _stage(row: BoardRow, plan: HoldPlan | None) -> Stage:
    if plan is not None:
        return STAGES[plan.progress.state]
    running = row.hold is not None and row.hold.verdict in (Verdict.RUNNING, Verdict.AWAITING)
    return Stage.HOLDING if running else Stage.NOTHING


def _until_us(conn: Connection, row: BoardRow, plan: HoldPlan | None, stage: Stage, now_us: int) -> int:
    """When the hold is over, or would be [µs]."""
    if stage is Stage.HOLDING:
        planned_us = None if row.hold is None else row.hold.planned_end_us
        if planned_us is not None:
            return planned_us
        if plan is not None and plan.progress.closed_us is not None:
            return hold_until_us(conn, row.job_id, plan.progress.closed_us, plan.progress.closed_us)
    return hold_until_us(conn, row.job_id, None if plan is None else plan.not_before_us, now_us)


def _volume(conn: Connection, job_id: int) -> float | None:
    job = JOBS.one(conn, {"site": None, "state": None}, job_id)
    if job is None or job["circuit_id"] is None:
        return None
    circuit = CIRCUITS.one(conn, {"site": None}, job["circuit_id"])
    return None if circuit is None else circuit["volume_m3"]

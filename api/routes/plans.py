"""Hold plans: leave the close of a valve, and the hold, to the system."""

from __future__ import annotations

from fastapi import APIRouter

from api.context import Ctx
from api.paging import Page, Paged
from api.permissions import LOOK, MayOrder
from api.plan_changes import change, give_procedure, wished
from api.plans import (
    Foreseen,
    NewPlanWish,
    PlanView,
    PlanWish,
    PlanWithLog,
    against,
    foreseen,
    plan_of,
    plan_view,
    serving_valve,
    with_log,
)
from api.problems import errors_of
from api.quantities import InUnit
from api.routes.places import Number
from desk.core import plan as core
from model.clock import to_datetime
from model.errors import Conflict
from model.event import EventKind
from model.hold_plan import PlanState
from store import audit, orders, plans
from store.database import Connection
from store.people import Person
from store.plans import PLANS, NewPlan

router = APIRouter(tags=["hold plans"])


@router.get("/hold-plans", dependencies=[LOOK], responses=errors_of(401, 403, 422, 503))
def list_plans(
    ctx: Ctx, paging: Paged, unit: InUnit, job: int | None = None, state: PlanState | None = None
) -> Page[PlanView]:
    """Hold plans, the newest first."""
    with ctx.database() as conn:
        filters: dict[str, object] = {"job": job, "state": state}
        return paging.page(conn, PLANS, filters, lambda row: plan_view(conn, plans.from_row(row), unit))


@router.get("/hold-plans/{number}", dependencies=[LOOK], responses=errors_of(401, 403, 404, 422, 503))
def read_plan(ctx: Ctx, number: Number, unit: InUnit) -> PlanWithLog:
    """One hold plan with its log."""
    with ctx.database() as conn:
        return with_log(conn, plans.by_id(conn, number), unit)


@router.post("/hold-plans", status_code=201, responses=errors_of(401, 403, 404, 409, 422, 503))
def make_plan(ctx: Ctx, person: MayOrder, wish: NewPlanWish, unit: InUnit) -> PlanWithLog:
    """Make a hold plan.

    When the target has been held, and not before its hour, the valve is ordered closed past every interlock
    of a hold; the hold is judged by the job's procedure. A hold that fails is an alert, as every hold; the
    valve is left closed, unless drying rounds were chosen and the hold failed by moisture: then the valve is
    opened to the running pump past every interlock of an opening, closed and held again. A plan is written
    down before anything is done, and goes on by itself whatever is restarted. What hinders it now does not
    hinder making it.
    """
    with ctx.database() as conn:
        return with_log(conn, plans.by_id(conn, make(conn, person, wish, ctx.clock.now_us())), unit)


@router.post("/hold-plans/dry-run", responses=errors_of(401, 403, 404, 409, 422, 503))
def try_plan(ctx: Ctx, person: MayOrder, wish: NewPlanWish, unit: InUnit) -> Foreseen:
    """What a plan would do, and what would hinder it if it were to close now. Nothing is written."""
    now_us = ctx.clock.now_us()
    with ctx.database() as conn:
        new = checked(conn, wish, person, now_us)
        zone = orders.known(conn, new.instrument_id).time_zone
        return foreseen(conn, new, against(conn, new, person.id, now_us), person.id, now_us, unit, zone)


@router.put("/hold-plans/{number}", responses=errors_of(401, 403, 404, 409, 422, 503))
def change_plan(ctx: Ctx, person: MayOrder, number: Number, wish: PlanWish, unit: InUnit) -> PlanWithLog:
    """Change a plan: all of it while it waits; afterwards its report, whom it tells, the procedure, and
    drying until the first round begins. Only who made it may have it dry.

    A time that stays as it was is not reckoned anew, another one from now on; who was told already is told
    again at a new time. The log says who changed what.
    """
    with ctx.database() as conn:
        change(conn, person, number, wish, ctx.clock.now_us())
        return with_log(conn, plans.by_id(conn, number), unit)


@router.post("/hold-plans/{number}/call-off", responses=errors_of(401, 403, 404, 409, 422, 503))
def call_off_plan(ctx: Ctx, person: MayOrder, number: Number, unit: InUnit) -> PlanWithLog:
    """Call a plan off: no order follows. One that is under way may still be carried out; the valve is left as
    it is, but for one that is open for drying: it is closed first."""
    with ctx.database() as conn:
        end(conn, person, number, ctx.clock.now_us())
        return with_log(conn, plans.by_id(conn, number), unit)


def checked(conn: Connection, wish: NewPlanWish, person: Person, now_us: int) -> NewPlan:
    """A wish with its valve and its times; raises `NotFound`, `BadInput`, `Conflict`."""
    plans.ground(conn, wish.job_id)
    valve_id = serving_valve(conn, wish.job_id, wish.instrument_id)
    zone = orders.known(conn, valve_id).time_zone
    return plan_of(conn, wish, wish.job_id, valve_id, zone, person, now_us)


def make(conn: Connection, person: Person, wish: NewPlanWish, now_us: int) -> int:
    """Make a plan; its number."""
    with conn.transaction():
        new = checked(conn, wish, person, now_us)
        plan_id = plans.add(conn, new, person.id, now_us)
        told = [name for _, name in plans.by_id(conn, plan_id).tell]
        lines = [f"Made by {person.name}: {wished(new, told)}"]
        lines += give_procedure(conn, person, new.job_id, wish.procedure_id, now_us)
        plans.note(conn, plan_id, lines, now_us)
    return plan_id


def end(conn: Connection, person: Person, plan_id: int, now_us: int) -> None:
    """Call a plan off; of one that is over nothing changes."""
    with conn.transaction():
        found = plans.lock(conn, plan_id)
        if not found.progress.state.live:
            raise Conflict(f"Plan {plan_id} is over already.")
        done = core.call_off(found, person.name)
        plans.write(conn, plan_id, done.progress)
        plans.note(conn, plan_id, done.lines, now_us)
        audit.record(conn, person.id, "call-off-plan", f"plan:{plan_id}", to_datetime(now_us))
        plans.record(conn, found, [(EventKind.PLAN_CALLED_OFF, " ".join(done.lines), None)], now_us)

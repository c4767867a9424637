"""The pages of a hold plan: making it at its job, reading its log, calling it off."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Request
from starlette.responses import RedirectResponse, Response

from api.context import Ctx
from api.drying import (
    LEAST_SURE,
    LONGEST_PUMP_S,
    MOST_ROUNDS,
    MOST_SURE,
    SHORTEST_PUMP_S,
    DryingWish,
    choices,
)
from api.pages import render
from api.permissions import MayLook, MayOrder
from api.plans import LONGEST_HELD_S, NewPlanWish, against, mark_of, with_log
from api.routes.jobs import ANY_JOB
from api.routes.plans import checked, end, make
from desk.core.interlocks import Hindrance, Who
from model.errors import BadInput, Conflict, NotFound
from model.hold_plan import HoldPlan
from model.texts import LONGEST_WORDS
from physics.refrigerants import listed
from store import plans
from store.database import Connection
from store.lists import CIRCUITS, JOBS, unacknowledged
from store.people import Person

router = APIRouter()


@dataclass(frozen=True, slots=True)
class Typed:
    """What was typed into the form of a plan."""

    held_min: str = "30"
    not_before: str = ""
    report_at: str = "06:30"
    accepted: tuple[str, ...] = ()
    accepted_reason: str = ""
    on_fail: str = "leave-closed"
    dry_rounds: str = "2"
    dry_pump_min: str = "120"
    dry_sure: str = "90"
    dry_confirmed: str = ""


async def read_typed(request: Request) -> Typed:
    """The form of a plan."""
    form = await request.form(max_fields=50)

    def one(name: str) -> str:
        value = form.get(name, "")
        return value if isinstance(value, str) else ""

    chosen = tuple(value for value in form.getlist("accepted") if isinstance(value, str))
    return Typed(
        one("held_min"),
        one("not_before"),
        one("report_at"),
        chosen,
        one("accepted_reason"),
        one("on_fail"),
        one("dry_rounds"),
        one("dry_pump_min"),
        one("dry_sure"),
        one("dry_confirmed"),
    )


@router.get("/jobs/{job_id}/valve/{instrument_id}/plan")
def new_plan(request: Request, ctx: Ctx, person: MayOrder, job_id: int, instrument_id: int) -> Response:
    """What to bear in mind, what would hinder it now, and the form."""
    return _form(request, ctx, person, job_id, instrument_id, Typed())


@router.post("/jobs/{job_id}/valve/{instrument_id}/plan")
def make_plan(
    request: Request,
    ctx: Ctx,
    person: MayOrder,
    job_id: int,
    instrument_id: int,
    typed: Annotated[Typed, Depends(read_typed)],
) -> Response:
    """Make the plan, by the plain form."""
    try:
        wish = _wish(job_id, instrument_id, typed)
        with ctx.database() as conn:
            plan_id = make(conn, person, wish, ctx.clock.now_us())
    except NotFound:
        raise
    except BadInput as error:
        return _form(request, ctx, person, job_id, instrument_id, typed, error)
    return RedirectResponse(f"/jobs/{job_id}/plan/{plan_id}", 303)


@router.get("/jobs/{job_id}/plan/{plan_id}")
def plan_page(request: Request, ctx: Ctx, person: MayLook, job_id: int, plan_id: int) -> Response:
    """How a plan stands, and its log."""
    del person
    return _page(request, ctx, job_id, plan_id)


@router.post("/jobs/{job_id}/plan/{plan_id}/call-off")
def call_off(request: Request, ctx: Ctx, person: MayOrder, job_id: int, plan_id: int) -> Response:
    """Call it off, by the plain form."""
    try:
        with ctx.database() as conn:
            _of_job(conn, job_id, plan_id)
            end(conn, person, plan_id, ctx.clock.now_us())
    except Conflict as error:
        return _page(request, ctx, job_id, plan_id, error)
    return RedirectResponse(f"/jobs/{job_id}/plan/{plan_id}", 303)


def _wish(job_id: int, instrument_id: int, typed: Typed) -> NewPlanWish:
    """The wish of a form; raises `BadInput`."""
    held_min = _whole(typed.held_min, "held_min", 1, round(LONGEST_HELD_S / 60), "Whole minutes")
    return NewPlanWish(
        job_id=job_id,
        instrument_id=instrument_id,
        held_s=60.0 * held_min,
        not_before=typed.not_before,
        report_at=typed.report_at,
        accepted=list(typed.accepted),
        accepted_reason=typed.accepted_reason,
        drying=_drying(typed),
    )


def _drying(typed: Typed) -> DryingWish | None:
    if typed.on_fail != "dry":
        return None
    shortest, longest = round(SHORTEST_PUMP_S / 60), round(LONGEST_PUMP_S / 60)
    least, most = round(100 * LEAST_SURE), round(100 * MOST_SURE)
    return DryingWish(
        rounds=_whole(typed.dry_rounds, "dry_rounds", 1, MOST_ROUNDS, "A whole number"),
        pump_s=60.0 * _whole(typed.dry_pump_min, "dry_pump_min", shortest, longest, "Whole minutes"),
        probability=_whole(typed.dry_sure, "dry_sure", least, most, "Whole percents") / 100,
        exhaust_confirmed=typed.dry_confirmed == "yes",
    )


def _whole(text: str, field: str, least: int, most: int, what: str) -> int:
    """A whole number; raises `BadInput`."""
    text = text.strip()
    if not (text.isascii() and text.isdigit() and len(text) <= 4 and least <= int(text) <= most):
        raise BadInput(f"{what}, {least} to {most}.", field=field)
    return int(text)


def _form(
    request: Request,
    ctx: Ctx,
    person: Person,
    job_id: int,
    instrument_id: int,
    typed: Typed,
    error: BadInput | None = None,
) -> Response:
    now_us = ctx.clock.now_us()
    with ctx.database() as conn:
        job = _job(conn, job_id)
        new = checked(conn, _wish(job_id, instrument_id, Typed()), person, now_us)
        found = against(conn, new, person.id, now_us)
        circuit = None if job["circuit_id"] is None else CIRCUITS.one(conn, {"site": None}, job["circuit_id"])
        refrigerant = circuit["refrigerant"] if circuit else None
        values: dict[str, Any] = {
            "job": job,
            "instrument_id": instrument_id,
            "hold_s": plans.ground(conn, job_id).hold_s,
            "refrigerant": refrigerant,
            "fluid": listed(refrigerant),
            "hindrances": found,
            "choices": _choices(found),
            "on_fail": choices(conn, new, person.id, now_us),
            "unacknowledged": unacknowledged(conn),
        }
    return render(
        request,
        "plan_new.html",
        error.status if error else 200,
        problem=str(error) if error else "",
        field=error.field if error else None,
        typed=typed,
        longest_words=LONGEST_WORDS,
        **values,
    )


def _choices(found: tuple[Hindrance, ...]) -> list[Hindrance]:
    """What a person may accept beforehand. That the target is not held yet is what the plan waits for."""
    return [one for one in found if one.overridden_by is Who.PERSON and one.id != "above-target"]


def _page(request: Request, ctx: Ctx, job_id: int, plan_id: int, error: BadInput | None = None) -> Response:
    with ctx.database() as conn:
        job = _job(conn, job_id)
        view = with_log(conn, _of_job(conn, job_id, plan_id))
        waiting = unacknowledged(conn)
    return render(
        request,
        "plan.html",
        error.status if error else 200,
        job=job,
        plan=view,
        mark_of_plan=mark_of(view),
        live=view.state.live,
        problem=str(error) if error else "",
        unacknowledged=waiting,
    )


def _of_job(conn: Connection, job_id: int, plan_id: int) -> HoldPlan:
    found = plans.by_id(conn, plan_id)
    if found.job_id != job_id:
        raise NotFound(f"There is no plan {plan_id} at this job.")
    return found


def _job(conn: Connection, job_id: int) -> dict[str, Any]:
    job = JOBS.one(conn, ANY_JOB, job_id)
    if job is None:
        raise NotFound(f"There is no job {job_id}.")
    return job

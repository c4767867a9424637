"""The pages of a hold plan: making it at its job, reading its log, calling it off."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Request
from starlette.responses import RedirectResponse, Response

from api.context import Context, Ctx
from api.drying import (
    LEAST_SURE,
    LONGEST_PUMP_S,
    MOST_ROUNDS,
    MOST_SURE,
    SHORTEST_PUMP_S,
    DryingWish,
    choices,
)
from api.job_forms import number
from api.pages import render
from api.pages.after import see
from api.permissions import MayLook, MayOrder
from api.plan_changes import change
from api.plans import LONGEST_HELD_S, NewPlanWish, against, clock_text, mark_of, with_log
from api.routes.jobs import ANY_JOB
from api.routes.plans import checked, end, make
from desk.core import interlocks
from desk.core.interlocks import Hindrance, Who
from model.errors import BadInput, Conflict, NotAllowed, NotFound
from model.hold_plan import HoldPlan, PlanState
from model.texts import LONGEST_WORDS
from physics.refrigerants import listed
from store import openings, plans, procedures
from store.database import Connection
from store.lists import CIRCUITS, JOBS, unacknowledged
from store.people import Person
from store.plans import NewPlan

router = APIRouter()

OF_DRYING = ("on_fail", "dry_rounds", "dry_pump_min", "dry_sure", "dry_confirmed")


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
    tell: tuple[int, ...] | None = None
    """None: the form did not ask."""
    procedure_id: str = ""


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
        _told(form.getlist("tell")) if one("tell_asked") else None,
        one("procedure_id"),
    )


def _told(chosen: Sequence[object]) -> tuple[int, ...]:
    return tuple(int(one) for one in chosen if isinstance(one, str) and one.isdecimal() and len(one) <= 9)


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
    return _page(request, ctx, person, job_id, plan_id)


@router.post("/jobs/{job_id}/plan/{plan_id}/change")
def change_plan(
    request: Request,
    ctx: Ctx,
    person: MayOrder,
    job_id: int,
    plan_id: int,
    typed: Annotated[Typed, Depends(read_typed)],
) -> Response:
    """Change it, by the plain form, as far as that still means something."""
    try:
        with ctx.database() as conn:
            found = _of_job(conn, job_id, plan_id)
            change(conn, person, plan_id, _changed(found, typed), ctx.clock.now_us())
    except NotFound:
        raise
    except (BadInput, NotAllowed) as error:
        return _page(request, ctx, person, job_id, plan_id, error, typed)
    return see(f"/jobs/{job_id}/plan/{plan_id}", "saved")


@router.post("/jobs/{job_id}/plan/{plan_id}/call-off")
def call_off(request: Request, ctx: Ctx, person: MayOrder, job_id: int, plan_id: int) -> Response:
    """Call it off, by the plain form."""
    try:
        with ctx.database() as conn:
            _of_job(conn, job_id, plan_id)
            end(conn, person, plan_id, ctx.clock.now_us())
    except Conflict as error:
        return _page(request, ctx, person, job_id, plan_id, error)
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
        tell=None if typed.tell is None else list(typed.tell),
        procedure_id=number(typed.procedure_id, "procedure_id") if typed.procedure_id else None,
    )


def _as_typed(found: HoldPlan) -> Typed:
    """A plan as its form has it."""
    drying = found.drying
    typed = Typed(
        held_min=f"{found.held_s / 60:g}",
        not_before="" if found.not_before_us is None else clock_text(found.not_before_us, found.time_zone),
        report_at=clock_text(found.report_us, found.time_zone),
        accepted=found.accepted,
        accepted_reason=found.accepted_reason,
        tell=tuple(person_id for person_id, _ in found.tell),
    )
    if drying is None:
        return typed
    return replace(
        typed,
        on_fail="dry",
        dry_rounds=f"{drying.rounds}",
        dry_pump_min=f"{drying.pump_s / 60:g}",
        dry_sure=f"{100 * drying.probability:g}",
        dry_confirmed="" if drying.confirmed is None else "yes",
    )


def _changed(found: HoldPlan, typed: Typed) -> NewPlanWish:
    """The wish of the form of a plan that is there: what is not asked for any more stays as it is, and so
    does what stands as the form had it."""
    before = _as_typed(found)
    if found.progress.state is not PlanState.WAITING:
        typed = replace(
            typed,
            held_min=before.held_min,
            not_before="",
            accepted=before.accepted,
            accepted_reason=before.accepted_reason,
        )
    if found.progress.rounds:
        typed = replace(typed, **{name: getattr(before, name) for name in OF_DRYING})
    same_held = typed.held_min == before.held_min
    same_drying = all(getattr(typed, name) == getattr(before, name) for name in OF_DRYING)
    wish = _wish(
        found.job_id,
        found.instrument_id,
        replace(
            typed,
            held_min="30" if same_held else typed.held_min,
            on_fail="leave-closed" if same_drying else typed.on_fail,
        ),
    )
    if same_held:
        wish.held_s = found.held_s
    if same_drying and found.drying is not None:
        kept = found.drying
        wish.drying = DryingWish(
            rounds=kept.rounds,
            pump_s=kept.pump_s,
            probability=kept.probability,
            exhaust_confirmed=kept.confirmed is not None,
        )
    return wish


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
            "waiting": True,
            "rounds_begun": 0,
            **_offered(conn, job),
            "on_fail": choices(conn, new, person.id, now_us),
            "unacknowledged": unacknowledged(conn),
        }
    return render(
        request,
        "plan_new.html",
        error.status if error else 200,
        problem=str(error) if error else "",
        field=error.field if error else None,
        typed=typed if typed.tell is not None else replace(typed, tell=(person.id,)),
        longest_words=LONGEST_WORDS,
        **values,
    )


def _offered(conn: Connection, job: dict[str, Any]) -> dict[str, Any]:
    """Whom a plan may tell, and what a job may be held by."""
    newest = procedures.newest(conn)
    own = procedures.by_id(conn, job["procedure_id"])
    return {
        "people": openings.who_may_be_named(conn),
        "procedures": [*(() if own in newest else (own,)), *newest],
    }


def _choices(found: tuple[Hindrance, ...]) -> list[Hindrance]:
    """What a person may accept beforehand. That the target is not held yet is what the plan waits for."""
    return [one for one in found if one.overridden_by is Who.PERSON and one.id != "above-target"]


def _page(
    request: Request,
    ctx: Context,
    person: Person,
    job_id: int,
    plan_id: int,
    error: BadInput | NotAllowed | None = None,
    typed: Typed | None = None,
) -> Response:
    now_us = ctx.clock.now_us()
    with ctx.database() as conn:
        job, found = _job(conn, job_id), _of_job(conn, job_id, plan_id)
        view = with_log(conn, found)
        form = _change_form(conn, job, found, person, now_us) if view.state.live else {}
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
        field=error.field if isinstance(error, BadInput) else None,
        changing=typed is not None,
        typed=typed or _as_typed(found),
        longest_words=LONGEST_WORDS,
        unacknowledged=waiting,
        **form,
    )


def _change_form(
    conn: Connection, job: dict[str, Any], found: HoldPlan, person: Person, now_us: int
) -> dict[str, Any]:
    """What the form of a plan that is there offers."""
    new = NewPlan(
        found.job_id,
        found.instrument_id,
        found.held_s,
        found.not_before_us,
        found.report_us,
        drying=found.drying,
    )
    hindering = _choices(against(conn, new, person.id, now_us))
    known = {one.id for one in hindering}
    accepted = [
        Hindrance(name, f"It may not be so that {interlocks.BY_ID[name].title}.", Who.PERSON)
        for name in found.accepted
        if name not in known and name in interlocks.BY_ID
    ]
    return {
        "waiting": found.progress.state is PlanState.WAITING,
        "rounds_begun": found.progress.rounds,
        "choices": [*hindering, *accepted],
        "on_fail": choices(conn, new, person.id, now_us),
        **_offered(conn, job),
    }


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

"""The valve part of the job page, and the pages on which an order is confirmed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Request
from starlette.responses import RedirectResponse, Response

from api.context import Ctx
from api.orders import mark_of, text_of
from api.pages import render
from api.permissions import MayLook, MayOrder
from api.routes.jobs import ANY_JOB
from api.routes.orders import NewOrder, give
from api.words import CHECKS, VALVES, Mark
from desk.core import interlocks, order_life
from desk.core.interlocks import Deed, Hindrance, Who
from model.clock import to_datetime
from model.equipment import Role
from model.errors import BadInput, Conflict, Hindered, NotFound
from model.hold_plan import HoldPlan
from model.order import KnownValve, OrderAction
from model.texts import LONGEST_WORDS
from model.valve_facts import Page, ValveFacts
from physics.refrigerants import listed
from store import lists, orders, plans, valve_facts
from store.database import Connection
from store.lists import CIRCUITS, JOBS, unacknowledged

router = APIRouter()


@dataclass(frozen=True, slots=True)
class OrderCard:
    """The last order to a valve, as the page shows it."""

    id: int
    mark: Mark
    text: str
    asked_at: datetime
    asked_by: str | None
    reason: str


@dataclass(frozen=True, slots=True)
class ValveCard:
    """A valve, as the page shows it."""

    id: int
    name: str
    gateway: str
    position: Mark | None
    """None: it never reported."""
    since: datetime | None
    at: datetime | None
    hindrance: str
    """Why it cannot be closed from afar now; empty if it can."""
    may_open: bool
    """Opening from afar is on at the site, and this person is named there."""
    order: OrderCard | None
    plan: int | None = None
    """Its latest hold plan at the job."""
    plan_live: bool = False


@dataclass(frozen=True, slots=True)
class Check:
    """An interlock before an act, as the page shows it."""

    id: str
    title: str
    mark: Mark
    text: str
    """Why it is not right; empty if it is."""
    overridden_by: Who


@dataclass(frozen=True, slots=True)
class Typed:
    """What was typed into the form of an order."""

    reason: str = ""
    decided_on: str = ""
    override: tuple[str, ...] = ()
    override_reason: str = ""
    on_site: bool = False


async def read_typed(request: Request) -> Typed:
    """The form of an order."""
    form = await request.form(max_fields=100)

    def one(name: str) -> str:
        value = form.get(name, "")
        return value if isinstance(value, str) else ""

    chosen = tuple(value for value in form.getlist("override") if isinstance(value, str))
    return Typed(one("reason"), one("decided_on"), chosen, one("override_reason"), one("on_site") == "yes")


def cards(conn: Connection, job_id: int, now_us: int, person_id: int) -> list[ValveCard]:
    """The valves that serve a job now."""
    serving = [
        item["instrument_id"]
        for item in lists.serving(conn, job_id)
        if item["role"] == Role.VALVE and item["until"] is None
    ]
    made: dict[int, HoldPlan] = {}
    for plan in plans.of_job(conn, job_id):
        made.setdefault(plan.instrument_id, plan)

    def card(valve: KnownValve) -> ValveCard:
        shown = card_of(valve_facts.of_known(conn, valve, now_us, person_id=person_id))
        plan = made.get(valve.instrument_id)
        return shown if plan is None else replace(shown, plan=plan.id, plan_live=plan.progress.state.live)

    return [card(valve) for valve in orders.known_all(conn, serving)]


@router.get("/jobs/{job_id}/valve")
def valve_part(request: Request, ctx: Ctx, person: MayLook, job_id: int) -> Response:
    """The part alone, for a page that is open."""
    with ctx.database() as conn:
        job, valves = job_of(conn, job_id), cards(conn, job_id, ctx.clock.now_us(), person.id)
    return render(request, "parts/valve.html", job=job, valves=valves)


@router.get("/jobs/{job_id}/valve/{instrument_id}/{action}")
def confirm(
    request: Request, ctx: Ctx, person: MayOrder, job_id: int, instrument_id: int, action: OrderAction
) -> Response:
    """What to bear in mind, what hinders, and the button that gives the order."""
    return _page(request, ctx, person.id, job_id, instrument_id, action)


@router.post("/jobs/{job_id}/valve/{instrument_id}/{action}")
def order(
    request: Request,
    ctx: Ctx,
    person: MayOrder,
    job_id: int,
    instrument_id: int,
    action: OrderAction,
    typed: Annotated[Typed, Depends(read_typed)],
) -> Response:
    """Give the order, by the plain form; never one that was decided on what is no longer so."""
    new = NewOrder(
        instrument_id=instrument_id,
        action=action,
        ttl_s=None,
        reason=typed.reason,
        decided_on=typed.decided_on,
        override=list(typed.override),
        override_reason=typed.override_reason,
        on_site=typed.on_site,
    )
    try:
        with ctx.database() as conn:
            check_serves(conn, job_id, instrument_id)
            if Page.parse(typed.decided_on) is None:
                raise Conflict(UNKNOWN_PAGE)
            give(conn, person, new, ctx.clock.now_us())
    except NotFound:
        raise
    except BadInput as error:
        return _page(request, ctx, person.id, job_id, instrument_id, action, error, typed)
    return RedirectResponse(f"/jobs/{job_id}#valve", 303)


UNKNOWN_PAGE = "This form does not say what it was decided on: look again, then decide."


def _page(
    request: Request,
    ctx: Ctx,
    person_id: int,
    job_id: int,
    instrument_id: int,
    action: OrderAction,
    error: BadInput | None = None,
    typed: Typed | None = None,
) -> Response:
    now_us = ctx.clock.now_us()
    with ctx.database() as conn:
        check_serves(conn, job_id, instrument_id)
        job = job_of(conn, job_id)
        refrigerant = refrigerant_of(conn, job["circuit_id"])
        facts = valve_facts.gather(conn, instrument_id, now_us, person_id=person_id)
        unseen = unacknowledged(conn)
    found = interlocks.hindrances(order_life.DEEDS[action], facts)
    remarks = interlocks.hindrances(Deed.HOLD, facts) if action is OrderAction.CLOSE else ()
    values: dict[str, Any] = {
        "job": job,
        "refrigerant": refrigerant,
        "fluid": listed(refrigerant),
        "valve": card_of(facts),
        "checks": _checks(order_life.DEEDS[action], found),
        "barred": any(one.overridden_by is Who.NOBODY for one in found),
        "remarks": [one for one in remarks if one.id not in {other.id for other in found}],
        "decided_on": Page(now_us, facts.version).ticket,
        "requires": None if action is OrderAction.CLOSE else _requires(facts),
        "unacknowledged": unseen,
    }
    return render(
        request,
        f"{action.value}_valve.html",
        error.status if error else 200,
        problem=problem_of(error, found),
        field=error.field if error else None,
        typed=typed or Typed(),
        longest=order_life.LONGEST_REASON,
        longest_words=LONGEST_WORDS,
        **values,
    )


def problem_of(error: BadInput | None, found: tuple[Hindrance, ...]) -> str:
    """What went wrong, without what the page says of itself now."""
    if isinstance(error, Hindered):
        now = {one.id for one in found}
        return " ".join(text for name, text in error.reasons.items() if name not in now)
    return str(error) if error else ""


def _checks(deed: Deed, found: tuple[Hindrance, ...]) -> list[Check]:
    """Every interlock of a deed with its state, in the order of the table."""
    texts: Mapping[str, str] = {one.id: one.text for one in found}
    return [
        Check(
            row.id,
            row.title,
            CHECKS[
                "fine"
                if row.id not in texts
                else "hinders"
                if row.overridden_by is Who.NOBODY
                else "may-override"
            ],
            texts.get(row.id, ""),
            row.overridden_by,
        )
        for row in interlocks.TABLE
        if deed in row.deeds
    ]


def _requires(facts: ValveFacts) -> float | None:
    """The pressure up to which the gateway will open [Pa]; None: not known."""
    try:
        return interlocks.requirements(facts).max_circuit_pa
    except Hindered:
        return None


def check_serves(conn: Connection, job_id: int, instrument_id: int) -> None:
    if not any(
        item["instrument_id"] == instrument_id and item["until"] is None
        for item in lists.serving(conn, job_id)
    ):
        raise NotFound("That valve does not serve this job.")


def job_of(conn: Connection, job_id: int) -> dict[str, Any]:
    job = JOBS.one(conn, ANY_JOB, job_id)
    if job is None:
        raise NotFound(f"There is no job {job_id}.")
    return job


def card_of(facts: ValveFacts) -> ValveCard:
    valve = facts.valve
    report, latest = valve.report, valve.latest
    found = interlocks.hindrances(Deed.CLOSE, facts)
    return ValveCard(
        id=valve.instrument_id,
        name=valve.name,
        gateway=valve.gateway,
        position=None if report is None else VALVES[report.position],
        since=None if report is None else to_datetime(report.since_us),
        at=None if report is None else to_datetime(report.at_us),
        hindrance=found[0].text if found else "",
        may_open=facts.opening_allowed and facts.may_open_here,
        order=None
        if latest is None
        else OrderCard(
            latest.id,
            mark_of(latest, valve.answer),
            text_of(latest, valve.answer),
            to_datetime(latest.asked_us),
            latest.asked_by,
            latest.reason,
        ),
    )


def refrigerant_of(conn: Connection, circuit_id: int | None) -> str | None:
    circuit = None if circuit_id is None else CIRCUITS.one(conn, {"site": None}, circuit_id)
    return circuit["refrigerant"] if circuit else None

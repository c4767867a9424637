"""The valve part of the job page, and the page on which an order is confirmed."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Form, Request
from starlette.responses import RedirectResponse, Response

from api.context import Ctx
from api.orders import mark_of, text_of
from api.pages import render
from api.permissions import LOOK, MayOrder
from api.routes.jobs import ANY_JOB
from api.routes.orders import NewOrder, give
from api.words import VALVES, Mark
from desk.core import order_life
from model.clock import to_datetime
from model.equipment import Role
from model.errors import BadInput, NotFound
from model.order import KnownValve, OrderAction
from physics.refrigerants import listed
from store import lists, orders
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
    order: OrderCard | None


def cards(conn: Connection, job_id: int, now_us: int) -> list[ValveCard]:
    """The valves that serve a job now."""
    serving = [
        item["instrument_id"]
        for item in lists.serving(conn, job_id)
        if item["role"] == Role.VALVE and item["until"] is None
    ]
    return [_card(valve, now_us) for valve in orders.known_all(conn, serving)]


@router.get("/jobs/{job_id}/valve", dependencies=[LOOK])
def valve_part(request: Request, ctx: Ctx, job_id: int) -> Response:
    """The part alone, for a page that is open."""
    with ctx.database() as conn:
        job, valves = _job(conn, job_id), cards(conn, job_id, ctx.clock.now_us())
    return render(request, "parts/valve.html", job=job, valves=valves)


@router.get("/jobs/{job_id}/valve/{instrument_id}/close")
def confirm(request: Request, ctx: Ctx, person: MayOrder, job_id: int, instrument_id: int) -> Response:
    """What to bear in mind, and the button that gives the order."""
    return _page(request, ctx, job_id, instrument_id)


@router.post("/jobs/{job_id}/valve/{instrument_id}/close")
def close(
    request: Request,
    ctx: Ctx,
    person: MayOrder,
    job_id: int,
    instrument_id: int,
    reason: Annotated[str, Form()] = "",
) -> Response:
    """Give the order, by the plain form."""
    new = NewOrder(
        instrument_id=instrument_id,
        action=OrderAction.CLOSE,
        reason=reason,
        ttl_s=order_life.USUAL_TTL_S,
    )
    try:
        with ctx.database() as conn:
            _serves(conn, job_id, instrument_id)
            give(conn, person, new, ctx.clock.now_us())
    except NotFound:
        raise
    except BadInput as error:
        return _page(request, ctx, job_id, instrument_id, error, reason)
    return RedirectResponse(f"/jobs/{job_id}#valve", 303)


def _page(
    request: Request,
    ctx: Ctx,
    job_id: int,
    instrument_id: int,
    error: BadInput | None = None,
    reason: str = "",
) -> Response:
    with ctx.database() as conn:
        _serves(conn, job_id, instrument_id)
        job = _job(conn, job_id)
        refrigerant = _refrigerant(conn, job["circuit_id"])
        values: dict[str, Any] = {
            "job": job,
            "refrigerant": refrigerant,
            "fluid": listed(refrigerant),
            "valve": _card(orders.known(conn, instrument_id), ctx.clock.now_us()),
            "unacknowledged": unacknowledged(conn),
        }
    return render(
        request,
        "close_valve.html",
        error.status if error else 200,
        problem=str(error) if error else "",
        field=error.field if error else None,
        reason=reason,
        longest=order_life.LONGEST_REASON,
        **values,
    )


def _serves(conn: Connection, job_id: int, instrument_id: int) -> None:
    if not any(
        item["instrument_id"] == instrument_id and item["until"] is None
        for item in lists.serving(conn, job_id)
    ):
        raise NotFound("That valve does not serve this job.")


def _job(conn: Connection, job_id: int) -> dict[str, Any]:
    job = JOBS.one(conn, ANY_JOB, job_id)
    if job is None:
        raise NotFound(f"There is no job {job_id}.")
    return job


def _card(valve: KnownValve, now_us: int) -> ValveCard:
    report, latest = valve.report, valve.latest
    return ValveCard(
        id=valve.instrument_id,
        name=valve.name,
        gateway=valve.gateway,
        position=None if report is None else VALVES[report.position],
        since=None if report is None else to_datetime(report.since_us),
        at=None if report is None else to_datetime(report.at_us),
        hindrance=order_life.why_not_close(valve, now_us),
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


def _refrigerant(conn: Connection, circuit_id: int | None) -> str | None:
    circuit = None if circuit_id is None else CIRCUITS.one(conn, {"site": None}, circuit_id)
    return circuit["refrigerant"] if circuit else None

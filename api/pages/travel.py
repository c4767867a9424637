"""The travel test of a valve: closed by order, watched, opened again past every interlock of an opening."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Form, Request
from starlette.responses import RedirectResponse, Response

from api.context import Context, Ctx
from api.orders import mark_of, text_of
from api.pages import render
from api.pages.after import see
from api.pages.valve import UNKNOWN_PAGE, card_of, check_serves, job_of, problem_of, refrigerant_of
from api.permissions import MayOrder
from api.routes.orders import NewOrder, give
from desk.core import interlocks
from desk.core.interlocks import Deed, age_s
from desk.core.preflight import travel_words
from model.clock import to_datetime
from model.errors import BadInput, Conflict, NotFound
from model.order import OrderAction
from model.preflight import ProofKind, TravelResult
from model.reading import Valve
from model.texts import LONGEST_WORDS
from model.valve_facts import REPORT_FRESH_S, Page, ValveFacts
from physics.refrigerants import listed
from store import board, proofs, valve_facts
from store.database import Connection
from store.lists import unacknowledged

router = APIRouter(prefix="/jobs/{job_id}/valve/{instrument_id}/travel")

BECAUSE = "Travel test"


@router.get("")
def travel(request: Request, ctx: Ctx, person: MayOrder, job_id: int, instrument_id: int) -> Response:
    """What the last close has shown, and the next step of a test."""
    return _page(request, ctx, person.id, job_id, instrument_id)


@router.post("")
def close(
    request: Request,
    ctx: Ctx,
    person: MayOrder,
    job_id: int,
    instrument_id: int,
    decided_on: Annotated[str, Form()] = "",
) -> Response:
    """Order it closed, as any close."""
    new = NewOrder(
        instrument_id=instrument_id,
        action=OrderAction.CLOSE,
        ttl_s=None,
        reason=BECAUSE,
        decided_on=decided_on,
        override=[],
        override_reason="",
        on_site=False,
    )
    try:
        with ctx.database() as conn:
            check_serves(conn, job_id, instrument_id)
            if Page.parse(decided_on) is None:
                raise Conflict(UNKNOWN_PAGE)
            give(conn, person, new, ctx.clock.now_us())
    except NotFound:
        raise
    except BadInput as error:
        return _page(request, ctx, person.id, job_id, instrument_id, error)
    return RedirectResponse(f"/jobs/{job_id}/valve/{instrument_id}/travel", 303)


@router.post("/power")
def power(
    request: Request,
    ctx: Ctx,
    person: MayOrder,
    job_id: int,
    instrument_id: int,
    text: Annotated[str, Form()] = "",
    seen: Annotated[str, Form()] = "",
) -> Response:
    """Write down that it closed when its power was taken away."""
    try:
        with ctx.database() as conn:
            check_serves(conn, job_id, instrument_id)
            if seen != "yes":
                raise BadInput("Only who has seen it writes it down: tick that.", field="seen")
            proofs.keep(
                conn,
                ProofKind.POWER,
                ctx.clock.now_us(),
                job_id=job_id,
                person_id=person.id,
                passed=True,
                text=text.strip() or "It closed by itself without power, and stayed closed.",
                instrument_id=instrument_id,
            )
    except NotFound:
        raise
    except BadInput as error:
        return _page(request, ctx, person.id, job_id, instrument_id, error, text)
    return see(f"/jobs/{job_id}/valve/{instrument_id}/travel", "noted")


def _page(
    request: Request,
    ctx: Context,
    person_id: int,
    job_id: int,
    instrument_id: int,
    error: BadInput | None = None,
    typed: str = "",
) -> Response:
    now_us = ctx.clock.now_us()
    with ctx.database() as conn:
        check_serves(conn, job_id, instrument_id)
        job = job_of(conn, job_id)
        facts = valve_facts.gather(conn, instrument_id, now_us, person_id=person_id)
        refrigerant = refrigerant_of(conn, job["circuit_id"])
        shown = _shown(conn, facts, job_id, now_us)
        waiting = unacknowledged(conn)
    return render(
        request,
        "travel.html",
        error.status if error else 200,
        job=job,
        valve=card_of(facts),
        refrigerant=refrigerant,
        fluid=listed(refrigerant),
        decided_on=Page(now_us, facts.version).ticket,
        problem=problem_of(error, shown["hindrances"]),
        field=error.field if error else None,
        typed=typed,
        longest_words=LONGEST_WORDS,
        unacknowledged=waiting,
        **shown,
    )


def _shown(conn: Connection, facts: ValveFacts, job_id: int, now_us: int) -> dict[str, Any]:
    valve, found = facts.valve, proofs.travel(conn, facts.valve.instrument_id, now_us)
    report, latest, pump = valve.report, valve.latest, facts.pump
    fresh = report is not None and age_s(now_us, report.at_us, report.arrived_us) <= REPORT_FRESH_S
    is_open = latest is not None and latest.state.open and now_us < latest.expires_us
    (row,) = board.rows(conn, [job_id])
    power = proofs.newest(conn, ProofKind.POWER, instrument_id=valve.instrument_id)
    step = "unreported"
    if row.hold is not None and not row.hold.verdict.final:
        step = "holding"
    elif is_open:
        step = "ordered"
    elif fresh and report is not None and report.position is Valve.OPEN:
        step = "close"
    elif found is not None and found.result is TravelResult.WATCHED:
        step = "watched"
    elif fresh and report is not None and report.position is Valve.CLOSED:
        step = "open"
    pump_runs = (
        pump is not None and pump.running and age_s(now_us, pump.at_us, pump.arrived_us) <= REPORT_FRESH_S
    )
    return {
        "step": step,
        "last": "" if found is None else travel_words(found),
        "proved": found is not None and found.result is TravelResult.PROVED,
        "power": power,
        "power_at": None if power is None else to_datetime(power.at_us),
        "hindrances": interlocks.hindrances(Deed.CLOSE, facts),
        "pump_runs": pump_runs,
        "order": None if latest is None or not is_open else text_of(latest, valve.answer),
        "order_mark": None if latest is None else mark_of(latest, valve.answer),
    }

"""The alert list."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Form, Request
from starlette.responses import RedirectResponse, Response

from api.context import Ctx
from api.pages import render
from api.permissions import LOOK, MayAcknowledge
from api.routes.alerts import LONGEST_NOTE, AlertDetail, read_alert
from model.alert import NEVER_HELD, AlertState, Answer, Priority
from model.clock import US
from model.errors import BadInput
from store import alerts, events, shelving
from store.database import Connection
from store.lists import ALERTS, unacknowledged

router = APIRouter()

MOST_LIVE = 200
MOST_OVER = 30

Words = Annotated[str, Form(max_length=LONGEST_NOTE)]


def _urgency(alert: AlertDetail) -> tuple[object, ...]:
    order = [
        AlertState.ACTIVE_UNACKNOWLEDGED,
        AlertState.ACTIVE_ACKNOWLEDGED,
        AlertState.CLEARED_UNACKNOWLEDGED,
        AlertState.NORMAL,
    ]
    return (
        order.index(alert.state),
        alert.held is not None,
        Priority(alert.priority).rank,
        -alert.raised_at.timestamp(),
    )


def _cards(conn: Connection) -> tuple[list[AlertDetail], list[AlertDetail]]:
    live = ALERTS.page(conn, {"job": None, "state": None, "over": False}, None, MOST_LIVE)
    over = ALERTS.page(conn, {"job": None, "state": AlertState.NORMAL, "over": True}, None, MOST_OVER)
    return (
        sorted((read_alert(conn, row["id"]) for row in live), key=_urgency),
        [read_alert(conn, row["id"]) for row in over],
    )


@router.get("/alerts", dependencies=[LOOK])
def alert_list(request: Request, ctx: Ctx) -> Response:
    """Live alerts, the one to act on first at the top; then the latest that are over."""
    with ctx.database() as conn:
        newest = events.newest_id(conn)
        live, over = _cards(conn)
        waiting = unacknowledged(conn)
    return render(
        request,
        "alerts.html",
        live=live,
        over=over,
        newest=newest,
        unacknowledged=waiting,
        never_held=NEVER_HELD,
    )


@router.get("/alerts/cards", dependencies=[LOOK])
def cards(request: Request, ctx: Ctx) -> Response:
    """The lists alone, for a page that is open."""
    with ctx.database() as conn:
        live, over = _cards(conn)
    return render(request, "parts/alert_lists.html", live=live, over=over, never_held=NEVER_HELD)


@router.post("/alerts/{alert_id}/acknowledge")
def acknowledge(ctx: Ctx, person: MayAcknowledge, alert_id: int, note: Words = "") -> Response:
    """Take an alert, by the plain form."""
    with ctx.database() as conn:
        alerts.acknowledge(conn, alert_id, person.id, note.strip(), ctx.clock.now_us())
    return RedirectResponse(f"/alerts#alert-{alert_id}", 303)


@router.post("/alerts/{alert_id}/note")
def add_note(ctx: Ctx, person: MayAcknowledge, alert_id: int, note: Words = "") -> Response:
    """Write something down, by the plain form."""
    if not note.strip():
        raise BadInput("A note without words says nothing. Go back and write some.", field="note")
    with ctx.database() as conn:
        alerts.add_note(conn, alert_id, person.id, note.strip(), ctx.clock.now_us())
    return RedirectResponse(f"/alerts#alert-{alert_id}", 303)


@router.post("/alerts/{alert_id}/shelve")
def shelve(
    ctx: Ctx, person: MayAcknowledge, alert_id: int, hours: Annotated[int, Form()], reason: Words = ""
) -> Response:
    """Put an alert aside for so many hours, by the plain form."""
    now_us = ctx.clock.now_us()
    with ctx.database() as conn:
        shelving.shelve(conn, alert_id, person.id, reason, now_us + hours * 3600 * US, now_us)
    return RedirectResponse(f"/alerts#alert-{alert_id}", 303)


@router.post("/alerts/{alert_id}/unshelve")
def unshelve(ctx: Ctx, person: MayAcknowledge, alert_id: int) -> Response:
    """Take it off the shelf before its time, by the plain form."""
    with ctx.database() as conn:
        shelving.unshelve(conn, alert_id, person.id, ctx.clock.now_us())
    return RedirectResponse(f"/alerts#alert-{alert_id}", 303)


@router.post("/alerts/{alert_id}/opinion")
def say_whether_right(
    ctx: Ctx, person: MayAcknowledge, alert_id: int, answer: Annotated[Answer, Form()]
) -> Response:
    """Whether it was right, with one tap."""
    with ctx.database() as conn:
        shelving.judge(conn, alert_id, person.id, answer, "", ctx.clock.now_us())
    return RedirectResponse(f"/alerts#alert-{alert_id}", 303)

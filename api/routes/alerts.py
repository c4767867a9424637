"""Alerts: what asks somebody to act."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Literal

from fastapi import APIRouter, Query
from pydantic import BaseModel, Field

from api.alerts import ALL, AlertView, alert_view
from api.asked import Asked
from api.context import Ctx
from api.paging import Page, Paged
from api.permissions import LOOK, MayAcknowledge, MayEquip
from api.problems import errors_of
from api.quantities import STORED, InUnit, Moment, Quantities, moment
from api.routes.places import Number, by_of
from model.alert import AlertEntry, AlertState, Answer
from model.clock import to_us
from model.errors import BadInput, NotFound
from store import alerts, changing, shelving
from store.database import Connection
from store.lists import ALERTS

router = APIRouter(tags=["alerts"])

LONGEST_NOTE = 2000
Kind = Literal["instruments", "gateways"]
KINDS: dict[Kind, str] = {"instruments": "instrument", "gateways": "gateway"}


class HistoryEntry(BaseModel):
    """One line of an alert's history."""

    at: datetime | None
    what: str
    state: AlertState
    person: str | None
    note: str


class OpinionView(BaseModel):
    """What somebody says of an alert."""

    person: str
    answer: Answer
    note: str
    at: datetime


class AlertDetail(AlertView):
    """An alert with its history, and what people say of it."""

    history: list[HistoryEntry]
    opinions: list[OpinionView]


class Note(Asked):
    """A person's words."""

    note: str = Field("", max_length=LONGEST_NOTE)


class Shelving(Asked):
    """For how long an alert is put aside, and why."""

    reason: str
    until: Moment = Field(description="A day ahead at most.")


class Opinion(Asked):
    """Whether an alert was right."""

    answer: Answer
    note: str = Field("", max_length=LONGEST_NOTE)


class Reason(Asked):
    """Why, in words."""

    reason: str


class ServiceView(BaseModel):
    """Whether alerts about an instrument or a gateway are in service."""

    in_service: bool
    reason: str = Field("", description="Why they are not.")
    person: str | None = None
    since: datetime | None = None


@router.get("/alerts", dependencies=[LOOK], responses=errors_of(401, 422, 503))
def list_alerts(
    ctx: Ctx,
    paging: Paged,
    unit: InUnit,
    job: int | None = None,
    state: AlertState | None = None,
    over: Annotated[bool, Query(description="Those that are over too.")] = False,
) -> Page[AlertView]:
    """Alerts, the newest first."""
    filters: dict[str, object] = {"job": job, "state": state, "over": over or state is AlertState.NORMAL}
    with ctx.database() as conn:
        return paging.page(conn, ALERTS, filters, lambda row: alert_view(row, unit))


@router.get("/alerts/{alert_id}", dependencies=[LOOK], responses=errors_of(401, 404, 422, 503))
def alert(ctx: Ctx, unit: InUnit, alert_id: int) -> AlertDetail:
    """One alert with its history, oldest first."""
    with ctx.database() as conn:
        return read_alert(conn, alert_id, unit)


@router.post("/alerts/{alert_id}/acknowledge", responses=errors_of(401, 403, 404, 422, 503))
def acknowledge(ctx: Ctx, person: MayAcknowledge, unit: InUnit, alert_id: int, words: Note) -> AlertDetail:
    """Take an alert: I have seen it and see to it. Of two who do, the first has it; a note is always kept."""
    with ctx.database() as conn:
        alerts.acknowledge(conn, alert_id, person.id, words.note.strip(), ctx.clock.now_us())
        return read_alert(conn, alert_id, unit)


@router.post("/alerts/{alert_id}/notes", status_code=201, responses=errors_of(401, 403, 404, 422, 503))
def add_note(ctx: Ctx, person: MayAcknowledge, unit: InUnit, alert_id: int, words: Note) -> AlertDetail:
    """Write something down beside an alert."""
    if not words.note.strip():
        raise BadInput("A note without words says nothing.", field="note")
    with ctx.database() as conn:
        alerts.add_note(conn, alert_id, person.id, words.note.strip(), ctx.clock.now_us())
        return read_alert(conn, alert_id, unit)


@router.post("/alerts/{alert_id}/shelve", responses=errors_of(401, 403, 404, 409, 422, 503))
def shelve(ctx: Ctx, person: MayAcknowledge, unit: InUnit, alert_id: int, wish: Shelving) -> AlertDetail:
    """Put an alert aside for a while: nobody is sent a message of it. It ends by itself.

    What is active then is told and must be acknowledged anew. One that becomes more urgent ends it, and an
    alert of a circuit that is being harmed is never put aside.
    """
    with ctx.database() as conn:
        until_us = to_us(wish.until)
        shelving.shelve(conn, alert_id, person.id, wish.reason, until_us, ctx.clock.now_us())
        return read_alert(conn, alert_id, unit)


@router.post("/alerts/{alert_id}/unshelve", responses=errors_of(401, 403, 404, 409, 422, 503))
def unshelve(ctx: Ctx, person: MayAcknowledge, unit: InUnit, alert_id: int) -> AlertDetail:
    """End that before its time."""
    with ctx.database() as conn:
        shelving.unshelve(conn, alert_id, person.id, ctx.clock.now_us())
        return read_alert(conn, alert_id, unit)


@router.post("/alerts/{alert_id}/opinion", responses=errors_of(401, 403, 404, 422, 503))
def say_whether_right(
    ctx: Ctx, person: MayAcknowledge, unit: InUnit, alert_id: int, said: Opinion
) -> AlertDetail:
    """Say whether an alert was right; each person once, and may change their mind."""
    with ctx.database() as conn:
        shelving.judge(conn, alert_id, person.id, said.answer, said.note.strip(), ctx.clock.now_us())
        return read_alert(conn, alert_id, unit)


@router.get("/{kind}/{number}/alert-service", dependencies=[LOOK], responses=errors_of(401, 404, 422, 503))
def alert_service(ctx: Ctx, kind: Kind, number: Number) -> ServiceView:
    """Whether alerts about an instrument or a gateway are in service."""
    with ctx.database() as conn:
        return _service(conn, kind, number)


@router.post("/{kind}/{number}/alert-service/out", responses=errors_of(401, 403, 404, 409, 422, 503))
def take_out_of_service(ctx: Ctx, person: MayEquip, kind: Kind, number: Number, why: Reason) -> ServiceView:
    """Take alerts about an instrument or a gateway out of service, until somebody puts them back.

    For a repair. Readings are kept and judged as ever.
    """
    with ctx.database() as conn:
        _service(conn, kind, number)
        shelving.take_out(conn, KINDS[kind], number, why.reason, by_of(ctx, person))
        return _service(conn, kind, number)


@router.post("/{kind}/{number}/alert-service/back", responses=errors_of(401, 403, 404, 409, 422, 503))
def put_back_in_service(ctx: Ctx, person: MayEquip, kind: Kind, number: Number) -> ServiceView:
    """Put them back; what is active then is told."""
    with ctx.database() as conn:
        _service(conn, kind, number)
        shelving.put_back(conn, KINDS[kind], number, by_of(ctx, person))
        return _service(conn, kind, number)


def _service(conn: Connection, kind: Kind, number: int) -> ServiceView:
    changing.row_of(conn, KINDS[kind], number)
    found = shelving.broken_off(conn, KINDS[kind], number)
    if found is None:
        return ServiceView(in_service=True, reason="")
    return ServiceView(
        in_service=False, reason=found.reason, person=found.person, since=moment(found.since_us)
    )


def read_alert(conn: Connection, alert_id: int, unit: Quantities = STORED) -> AlertDetail:
    """An alert with its history; raises `NotFound`."""
    row = ALERTS.one(conn, ALL, alert_id)
    if row is None:
        raise NotFound(f"There is no alert {alert_id}.")
    entries = [
        HistoryEntry(at=moment(e.at_us), what=e.what, state=e.state, person=e.person, note=_note(e, unit))
        for e in alerts.history(conn, alert_id)
    ]
    opinions = [OpinionView.model_validate(one) for one in shelving.opinions(conn, alert_id)]
    return AlertDetail(**alert_view(row, unit).model_dump(), history=entries, opinions=opinions)


def _note(entry: AlertEntry, unit: Quantities) -> str:
    # What people wrote stays as they wrote it.
    return unit.sentence(entry.note) if entry.person is None else entry.note

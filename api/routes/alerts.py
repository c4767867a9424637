"""Alerts: what asks somebody to act."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import BaseModel, Field

from api.alerts import ALL, AlertView, alert_view
from api.asked import Asked
from api.context import Ctx
from api.paging import Page, Paged
from api.permissions import LOOK, MayAcknowledge
from api.problems import errors_of
from api.quantities import STORED, InUnit, Quantities, moment
from model.alert import AlertEntry, AlertState
from model.errors import BadInput, NotFound
from store import alerts
from store.database import Connection
from store.lists import ALERTS

router = APIRouter(tags=["alerts"])

LONGEST_NOTE = 2000


class HistoryEntry(BaseModel):
    """One line of an alert's history."""

    at: datetime | None
    what: str
    state: AlertState
    person: str | None
    note: str


class AlertDetail(AlertView):
    """An alert with its history."""

    history: list[HistoryEntry]


class Note(Asked):
    """A person's words."""

    note: str = Field("", max_length=LONGEST_NOTE)


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


def read_alert(conn: Connection, alert_id: int, unit: Quantities = STORED) -> AlertDetail:
    """An alert with its history; raises `NotFound`."""
    row = ALERTS.one(conn, ALL, alert_id)
    if row is None:
        raise NotFound(f"There is no alert {alert_id}.")
    entries = [
        HistoryEntry(at=moment(e.at_us), what=e.what, state=e.state, person=e.person, note=_note(e, unit))
        for e in alerts.history(conn, alert_id)
    ]
    return AlertDetail(**alert_view(row, unit).model_dump(), history=entries)


def _note(entry: AlertEntry, unit: Quantities) -> str:
    # What people wrote stays as they wrote it.
    return unit.sentence(entry.note) if entry.person is None else entry.note

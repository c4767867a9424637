"""How an alert reads in the API, in the stream and on the pages."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Any

from pydantic import BaseModel, Field

from api.mailbox import Message
from api.quantities import STORED, Quantities
from api.sentences import TextFigure, find
from model.alert import AlertState, How, Priority
from store.database import Connection
from store.lists import ALERTS

ALL: dict[str, object] = {"job": None, "state": None, "over": True}
LIVE: dict[str, object] = {"job": None, "state": None, "over": False}
MOST_LIVE = 1000


class AlertView(BaseModel):
    """Something that asks somebody to act."""

    id: int
    kind: str
    priority: Priority
    state: AlertState = Field(description="Active or cleared × acknowledged or not, after ISA-18.2.")
    text: str = Field(description="What happened.")
    figures: list[TextFigure] = Field(description="The figures in `text`, in SI and in their order.")
    action: str = Field(description="What somebody should do.")
    site_id: int | None
    site: str | None
    time_zone: str | None = Field(description="Of the site.")
    job_id: int | None
    job: str | None
    gateway_id: int | None = Field(description="Of an alert about a gateway.")
    gateway: str | None = Field(
        description="Its name; `-`: all names that are not registered. Its refused messages: "
        "`/quarantine?gateway=`, or `?reason=unknown-gateway`."
    )
    happened_at: datetime = Field(description="Event time of the fact behind it.")
    raised_at: datetime
    updated_at: datetime
    cleared_at: datetime | None
    acknowledged_at: datetime | None
    acknowledged_by: str | None
    note: str
    count: int = Field(description="How many times it was told.")
    held: How | None = Field(
        description="Why nobody is sent a message of it now, after ISA-18.2; null: people are."
    )
    held_because: str = Field(description="That in words.")
    held_until: datetime | None = Field(description="It ends by itself then at the latest.")


def alert_view(row: dict[str, Any], unit: Quantities = STORED) -> AlertView:
    """An alert from its row in `store.lists.ALERTS`."""
    told = find(row["text"], settings=(row["target_pa"], row["limit_pa"]))
    said = {"text": unit.sentence(row["text"], told), "action": unit.sentence(row["action"])}
    return AlertView.model_validate({**row, **said, "figures": told})


def live_alerts(conn: Connection) -> dict[int, Message]:
    """Messages of all live alerts by number, the oldest first."""
    rows = ALERTS.page(conn, LIVE, None, MOST_LIVE)
    return {row["id"]: _message(row) for row in reversed(rows)}


def ended_alerts(conn: Connection, numbers: Iterable[int]) -> list[Message]:
    """Messages of those alerts that are over now."""
    rows = [ALERTS.one(conn, ALL, number) for number in numbers]
    return [_message(row) for row in rows if row is not None and row["state"] == AlertState.NORMAL]


def _message(row: dict[str, Any]) -> Message:
    return Message("alert", alert_view(row).model_dump_json(), job_id=row["job_id"])

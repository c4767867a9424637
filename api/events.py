"""How an event reads in the API and in the stream."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from pydantic import BaseModel, Field

from api.mailbox import Message
from model.clock import to_datetime
from model.event import Event, EventKind

SIGNALS = (EventKind.TARGET_REACHED, EventKind.HOLD_FAILED)
"""What people who follow a job are told; what they are told is then taken back if late readings say so."""


class EventView(BaseModel):
    """A fact, recorded once."""

    id: int = Field(description="Ids are in the order of commit.")
    kind: EventKind
    happened_at: datetime = Field(description="Event time: when it happened at the site.")
    recorded_at: datetime = Field(description="When it became known here.")
    site_id: int | None
    job_id: int | None
    subject: str = Field(description="What it is about.")
    text: str = Field(description="One sentence for people.")
    data: dict[str, Any]


def event_view(event: Event) -> EventView:
    """An event as the API shows it."""
    return EventView(
        id=event.id,
        kind=event.kind,
        happened_at=to_datetime(event.happened_us),
        recorded_at=to_datetime(event.recorded_us),
        site_id=event.site_id,
        job_id=event.job_id,
        subject=event.subject,
        text=event.text,
        data=event.data,
    )


def event_message(event: Event) -> Message:
    """An event as the stream sends it."""
    return Message("event", event_view(event).model_dump_json(), event.id, event.job_id)


def signal_message(event: Event) -> Message | None:
    """A word to all pages that those who follow the job are told something; they ask what."""
    told = event.kind in SIGNALS or event.kind is EventKind.HOLD_REVISED
    return Message("signal", f'{{"job_id": {event.job_id or 0}}}', None, event.job_id) if told else None

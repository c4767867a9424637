"""Channels as their owners see and change them: a person's own, and the company's."""

from __future__ import annotations

import time
from collections.abc import Sequence
from datetime import datetime

from pydantic import BaseModel, Field

from api.context import Context
from api.words import Mark
from model.channel import Channel, Kind, Tells
from model.errors import BadInput
from store import channels, notifications
from store.audit import By
from store.database import Connection
from store.notifications import TEST, Tried
from store.people import Person

PATIENCE_S = 10.0
"""So long a test is waited for; afterwards its outcome stands on the page."""
GLANCE_S = 0.2

STATES = {
    "stopped": Mark(key="stopped", word="Stopped", shape="fail", tone="bad"),
    "failing": Mark(key="failing", word="Last message not delivered", shape="unsure", tone="warn"),
    "works": Mark(key="works", word="Works", shape="pass", tone="good"),
    "untried": Mark(key="untried", word="Nothing sent yet", shape="await", tone="mute"),
}
TELLS_WORDS = {
    Tells.ALERTS: "alerts: raised, changed, over",
    Tells.PLANS: "how my hold plans went",
    Tells.MORNINGS: "the holds of the night, in the morning",
}


class ChannelView(BaseModel):
    """A channel. Its address is never given in full unless it is a mailbox."""

    id: int
    kind: Kind
    name: str
    address: str = Field(description="A mailbox; of anything else its service only: the rest may be secret.")
    tells: list[Tells] = Field(description="What goes over it.")
    of_settings: bool = Field(description="The webhook that `HOLDFAST_WEBHOOK_URL` names.")
    state: str = Field(description=f"One of {', '.join(STATES)}.")
    stopped_at: datetime | None = Field(description="Nothing is sent since, until somebody lets it go on.")
    problem: str = Field(description="Why it is stopped, or why its latest message was not delivered.")
    last_sent_at: datetime | None
    tested_at: datetime | None
    test: str = Field(description="What came of the latest test, in words; empty: none was made.")

    @property
    def mark(self) -> Mark:
        """As it is shown."""
        return STATES[self.state]


def view(conn: Connection, channel: Channel) -> ChannelView:
    """How a channel stands."""
    sent_at = notifications.last_sent(conn, channel.id)
    test = notifications.tried(conn, channel.id)
    return ChannelView(
        id=channel.id,
        kind=channel.kind,
        name=channel.name,
        address=channel.shown,
        tells=list(channel.tells),
        of_settings=channel.of_settings,
        state=_state(channel, sent_at),
        stopped_at=channel.stopped_at,
        problem=channel.stopped_because or channel.failure,
        last_sent_at=sent_at,
        tested_at=None if test is None else test.made_at,
        test="" if test is None else outcome(test),
    )


def _state(channel: Channel, sent_at: datetime | None) -> str:
    if channel.stopped_at is not None:
        return "stopped"
    if channel.failed_at is not None:
        return "failing"
    return "untried" if sent_at is None else "works"


def outcome(tried: Tried) -> str:
    """What came of a message, in words."""
    if tried.sent_at is not None:
        return "handed over; look whether it arrived"
    if tried.given_up_at is not None:
        return f"not sent: {tried.error}"
    return "on its way still; if it stays so, the desk does not run"


def views(conn: Connection, person_id: int | None) -> list[ChannelView]:
    """Somebody's channels, or the company's."""
    return [view(conn, one) for one in channels.of(conn, person_id)]


def add(
    ctx: Context,
    by: By,
    person_id: int | None,
    typed: str,
    name: str,
    tells: Sequence[str] | None,
    *,
    time_zone: str | None = None,
    locale: str | None = None,
) -> ChannelView:
    """Make a channel of what somebody typed; ``tells`` None: what such a channel is usually for.

    Raises
    ------
    BadInput
        With the field; it does not repeat the address.
    """
    with ctx.database() as conn:
        entered = channels.enter(
            conn,
            ctx.config.seal,
            person_id,
            typed,
            name,
            tells,
            by,
            time_zone=time_zone,
            locale=locale,
        )
        return view(conn, entered)


def test(ctx: Context, person: Person, channel_id: int, person_id: int | None) -> ChannelView:
    """Send a test message and wait a little for what comes of it."""
    with ctx.database() as conn:
        channel = channels.own(conn, channel_id, person_id)
        if channel.kind is Kind.WEBHOOK:
            raise BadInput("A webhook is tested by its receiver, see the handbook: alerts go there.")
        by = {"by": person.name}
        number = notifications.enqueue(conn, channel.id, TEST, dict(by), ctx.clock.now_us())
    until = time.monotonic() + PATIENCE_S
    while time.monotonic() < until:
        with ctx.database() as conn:
            tried = notifications.tried(conn, channel_id, number=number)
        if tried is None or tried.sent_at or tried.given_up_at:
            break
        time.sleep(GLANCE_S)
    with ctx.database() as conn:
        return view(conn, channels.own(conn, channel_id, person_id))

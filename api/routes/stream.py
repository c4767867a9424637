"""The event stream: resumable server-sent events."""

from __future__ import annotations

import json
import time
from collections.abc import AsyncIterator
from typing import Annotated

from fastapi import APIRouter, Depends, Header, Query, Request
from fastapi.sse import EventSourceResponse, ServerSentEvent
from starlette.concurrency import run_in_threadpool

from api.context import Context, Ctx, get_context
from api.events import event_message
from api.gate import still_may
from api.hub import tick_data
from api.mailbox import Mailbox, Message
from api.permissions import LOOK
from api.problems import errors_of
from model.errors import Unavailable
from model.rights import Right
from store import events

router = APIRouter(tags=["event stream"])

RETRY_MS = 1500
"""How soon a browser connects again."""
BATCH = 500
LONGEST_ID = 18
RECHECK_S = 30.0
"""How often a stream asks whether its login still holds; it also asks at once when somebody's was ended."""


async def _listening(request: Request) -> None:
    # Before the stream begins, while an error can still be answered as one.
    if not await get_context(request).hub.ready(timeout_s=3.0):
        raise Unavailable("The database does not answer; the stream cannot begin.")


@router.get(
    "/events",
    response_class=EventSourceResponse,
    responses=errors_of(401, 422, 503),
    dependencies=[LOOK, Depends(_listening)],
)
async def stream(
    request: Request,
    ctx: Ctx,
    last_event_id: Annotated[str | None, Header(description="Id of the last event that was seen.")] = None,
    after: Annotated[
        int | None, Query(ge=0, description="The same as a parameter, for a first connection.")
    ] = None,
    job: Annotated[
        int | None, Query(description="Events and rows of this job only, and no `board`; alerts all.")
    ] = None,
) -> AsyncIterator[ServerSentEvent]:
    """Events as they are recorded, changed alerts, and changed rows of the board.

    - `hello` first: the clock's time and speed; its id is where the stream begins.
    - `event`: a recorded fact, with its id. After a lost connection send `Last-Event-ID` (browsers do) and
      every later event comes once.
    - `alert`: an alert as it is now. All live ones come at the beginning.
    - `rows`: changed rows of the board as in `/api/v1/board`, at most once a second. All come first.
    - `board`: numbers of the jobs on the board, at the beginning and when one is opened or closed.
    - `signal`: a job reached its target or a hold went over; what the reader is told is at `/api/v1/me/told`.
    - `tick`: the clock, as long as the database answers. A page that gets none shows old figures.

    A reader that is too slow is cut off, and resumes by its last id.
    """
    mailbox = ctx.hub.subscribe(job)
    try:
        begin = ctx.hub.cursor
        seen = _number(last_event_id, after)
        if seen is None or seen > await run_in_threadpool(_newest, ctx):
            seen = begin
        yield ServerSentEvent(
            event="hello", id=str(seen), raw_data=json.dumps(tick_data(ctx.clock)), retry=RETRY_MS
        )
        while seen < begin and not mailbox.closed:
            missed = await run_in_threadpool(_recorded, ctx, seen)
            for message in missed:
                if job is None or message.job_id == job:
                    yield _sent(message)
            seen = missed[-1].id or begin if missed else begin
        async for message in _fresh(ctx, request, mailbox):
            # What was read from the table may have been handed out meanwhile, too.
            if message.id is None or message.id > seen:
                yield _sent(message)
    finally:
        ctx.hub.unsubscribe(mailbox)


async def _fresh(ctx: Context, request: Request, mailbox: Mailbox) -> AsyncIterator[Message]:
    due = time.monotonic() + RECHECK_S
    while not mailbox.closed:
        for message in await mailbox.take():
            yield message
        if mailbox.doubtful or time.monotonic() >= due:
            mailbox.doubtful = False
            due = time.monotonic() + RECHECK_S
            if not await run_in_threadpool(still_may, ctx, request, Right.LOOK):
                return


def _number(last_event_id: str | None, after: int | None) -> int | None:
    """An id that is no number is nothing that we sent; the stream then begins now."""
    if last_event_id is None:
        return after
    known = last_event_id.isascii() and last_event_id.isdigit() and len(last_event_id) <= LONGEST_ID
    return int(last_event_id) if known else None


def _newest(ctx: Context) -> int:
    with ctx.database() as conn:
        return events.newest_id(conn)


def _recorded(ctx: Context, seen: int) -> list[Message]:
    with ctx.database() as conn:
        return [event_message(event) for event in events.after(conn, seen, BATCH)]


def _sent(message: Message) -> ServerSentEvent:
    return ServerSentEvent(
        event=message.event, raw_data=message.data, id=None if message.id is None else str(message.id)
    )

"""Quarantine: what gateways sent and was refused."""

from __future__ import annotations

from dataclasses import asdict
from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Query, Response
from pydantic import BaseModel, Field

from api.asked import Asked
from api.context import Ctx
from api.paging import Page, Paged
from api.permissions import MayEquip, MaySeeRefused
from api.problems import errors_of
from api.refused import AT_ONCE, read_again
from api.routes.places import LARGEST_ID, Number, Reference, by_of
from store import quarantine
from store.lists import QUARANTINE
from store.quarantine import Wanted

router = APIRouter(tags=["quarantine"])


class QuarantinedView(BaseModel):
    """A refused message, or a refused record of one. Its raw bytes are kept."""

    id: int
    arrived_at: datetime
    topic: str
    gateway: str | None
    reason: str = Field(description="Code, stable.")
    message: str = Field(description="One sentence.")
    record: int | None = Field(description="Index of the record in its pack; null: the whole message.")
    size: int = Field(description="Bytes of the message.")
    times: int = Field(description="How many times the same was refused.")
    replayed_at: datetime | None


class QuarantinePage(Page[QuarantinedView]):
    """A page, and what was only counted."""

    total: int = Field(description="How many match on all pages.")
    counted_only: dict[str, int] = Field(description="Messages by reason that did not fit any more.")


class ShareView(BaseModel):
    """What a gateway has in quarantine. None may take more than a quarter of its room."""

    gateway: str | None = Field(description="Its name; null: all that came in the name of no registered one.")
    refusals: int
    bytes: int = Field(description="What they take.")
    waiting: int = Field(description="Those that were not read again with success.")
    only_counted: dict[str, int] = Field(description="Messages by reason that found no room.")


@router.get("/quarantine", responses=errors_of(401, 422, 503))
def list_quarantine(
    ctx: Ctx,
    person: MaySeeRefused,
    paging: Paged,
    gateway: Annotated[str | None, Query(description="Name of a gateway, registered or not.")] = None,
    reason: Annotated[str | None, Query(description="Code of a reason.")] = None,
    q: Annotated[str | None, Query(description="Stands in the topic or the sentence.")] = None,
    waiting: Annotated[bool | None, Query(description="Whether something of it is still refused.")] = None,
) -> QuarantinePage:
    """Refused messages, the newest first."""
    with ctx.database() as conn:
        filters = Wanted(gateway, reason, q, waiting).filters()
        page = paging.page(conn, QUARANTINE, filters, _view)
        return QuarantinePage(
            items=page.items,
            next=page.next,
            total=QUARANTINE.count(conn, filters),
            counted_only=quarantine.only_counted(conn, gateway),
        )


@router.get("/quarantine/shares", responses=errors_of(401, 503))
def list_shares(ctx: Ctx, person: MaySeeRefused) -> list[ShareView]:
    """What each gateway has in quarantine and what of it was only counted, the most bytes first."""
    with ctx.database() as conn:
        return [ShareView(**asdict(share)) for share in quarantine.shares(conn)]


@router.get(
    "/quarantine/{number}/raw",
    response_class=Response,
    responses={200: {"content": {"application/octet-stream": {}}}, **errors_of(401, 404, 422, 503)},
)
def raw(ctx: Ctx, person: MaySeeRefused, number: Number) -> Response:
    """The bytes of a refused message as they came."""
    with ctx.database() as conn:
        return download(number, quarantine.raw_of(conn, number))


def download(number: int, content: bytes) -> Response:
    """A file that no browser opens as a page of ours, whatever a stranger wrote into it."""
    headers = {
        "Content-Disposition": f'attachment; filename="refused-{number}.bin"',
        "X-Content-Type-Options": "nosniff",
    }
    return Response(content, media_type="application/octet-stream", headers=headers)


class ReplayAsked(Asked):
    """Which refused messages to read again: those of the numbers, or all that match."""

    ids: list[Reference] | None = Field(None, max_length=AT_ONCE, description="Null: all that match.")
    gateway: str | None = None
    reason: str | None = None
    q: str | None = Field(None, description="Stands in the topic or the sentence.")
    after: int = Field(0, ge=0, le=LARGEST_ID, description="Only those with a greater number.")


class ReplayedView(BaseModel):
    """What reading again came to."""

    readings: int = Field(description="Readings stored that were not there before.")
    mended: int = Field(description="Messages of which nothing is refused for that reason any more.")
    still_refused: int
    following: int | None = Field(description="Ask again with this as `after` for the next; null: no more.")


@router.post("/quarantine/replay", responses=errors_of(401, 403, 422, 503))
def replay(ctx: Ctx, person: MaySeeRefused, also: MayEquip, asked: ReplayAsked) -> ReplayedView:
    """Read refused messages again, oldest first, with the equipment as it is registered now.

    At most 500 in one request. It may be repeated as often as one likes. It takes the right to set up
    equipment as well.
    """
    wanted = Wanted(asked.gateway, asked.reason, asked.q)
    done = read_again(ctx, by_of(ctx, person), wanted, asked.ids, asked.after)
    return ReplayedView(**asdict(done))


def _view(row: dict[str, Any]) -> QuarantinedView:
    return QuarantinedView(**row)

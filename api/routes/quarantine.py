"""Quarantine: what gateways sent and was refused."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Query
from pydantic import BaseModel, Field

from api.context import Ctx
from api.paging import Page, Paged
from api.permissions import MaySeeRefused
from api.problems import errors_of
from store.lists import QUARANTINE, quarantined_elsewhere

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

    counted_only: dict[str, int] = Field(description="Messages by reason that did not fit any more.")


@router.get("/quarantine", responses=errors_of(401, 422, 503))
def list_quarantine(
    ctx: Ctx,
    person: MaySeeRefused,
    paging: Paged,
    gateway: Annotated[str | None, Query(description="Name of a gateway.")] = None,
) -> QuarantinePage:
    """Refused messages, the newest first."""
    with ctx.database() as conn:
        page = paging.page(conn, QUARANTINE, {"gateway": gateway}, _view)
        return QuarantinePage(items=page.items, next=page.next, counted_only=quarantined_elsewhere(conn))


def _view(row: dict[str, Any]) -> QuarantinedView:
    return QuarantinedView(**row)

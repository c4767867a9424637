"""The board."""

from __future__ import annotations

from datetime import timedelta

from fastapi import APIRouter, Request
from starlette.responses import Response

from api.board import TREND_HIGH_PA, TREND_LOW_PA, BoardReader
from api.context import Ctx
from api.pages import render
from api.permissions import LOOK
from api.words import VERDICTS
from model.clock import to_datetime
from store import events
from store.board import closed_since
from store.lists import unacknowledged

router = APIRouter()

CLOSED_FOR = timedelta(hours=24)
"""How long a closed job stays in sight beneath the board."""


@router.get("/", dependencies=[LOOK])
def board(request: Request, ctx: Ctx) -> Response:
    """Jobs that are not closed, the most urgent first."""
    with ctx.database() as conn:
        # Before the rows: an event between the two is then sent again rather than missed.
        newest = events.newest_id(conn)
        rows = BoardReader(ctx.clock).read(conn)
        waiting = unacknowledged(conn)
        closed = closed_since(conn, to_datetime(ctx.clock.now_us()) - CLOSED_FOR)
    return render(
        request,
        "board.html",
        rows=rows,
        trend_range=(TREND_LOW_PA, TREND_HIGH_PA),
        newest=newest,
        unacknowledged=waiting,
        closed=[(row, VERDICTS[row.verdict] if row.verdict else None) for row in closed],
    )

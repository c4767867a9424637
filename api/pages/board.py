"""The board."""

from __future__ import annotations

from fastapi import APIRouter, Request
from starlette.responses import Response

from api.board import BoardReader
from api.context import Ctx
from api.pages import render
from store import events
from store.lists import unacknowledged

router = APIRouter()


@router.get("/")
def board(request: Request, ctx: Ctx) -> Response:
    """Jobs that are not closed, the most urgent first."""
    with ctx.database() as conn:
        # Before the rows: an event between the two is then sent again rather than missed.
        newest = events.newest_id(conn)
        rows = BoardReader(ctx.clock).read(conn)
        waiting = unacknowledged(conn)
    return render(request, "board.html", rows=rows, newest=newest, unacknowledged=waiting)

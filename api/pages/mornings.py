"""The holds of a night on a page that can be printed."""

from __future__ import annotations

from datetime import date, timedelta

from fastapi import APIRouter, Request
from starlette.responses import Response

from api import mornings as shown
from api.context import Context, Ctx
from api.pages import render
from api.permissions import MayLook
from api.reader import figures_of
from api.sentences import TextFigure, tell
from api.words import URGENCIES

router = APIRouter()


@router.get("/mornings")
def newest(request: Request, ctx: Ctx, person: MayLook) -> Response:
    """The newest morning that has come."""
    return _page(request, ctx, None)


@router.get("/mornings/{day}")
def of_day(request: Request, ctx: Ctx, person: MayLook, day: date) -> Response:
    """The morning of a day."""
    return _page(request, ctx, day)


def _page(request: Request, ctx: Context, day: date | None) -> Response:
    figures = figures_of(request)

    def say(text: str, told: list[TextFigure] | None, time_zone: str) -> str:
        return tell(text, figures, told, time_zone)

    with ctx.database() as conn:
        found = shown.morning(conn, day, ctx.clock.now_us(), say)
    return render(
        request,
        "morning.html",
        morning=found,
        earlier=found.day - timedelta(days=1),
        later=found.day + timedelta(days=1) if found.until < found.as_of - timedelta(days=1) else None,
        urgencies=URGENCIES,
    )

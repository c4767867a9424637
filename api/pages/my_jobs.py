"""My jobs, and behind them all others: found by what they say, the newest first."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from typing import Annotated, Any

from fastapi import APIRouter, Form, Query, Request
from starlette.responses import Response

from api.board import RowView, view
from api.context import Context, Ctx
from api.job_forms import number
from api.liveness import clock_speed
from api.pages import render
from api.pages.after import see
from api.permissions import MayLook, Oneself
from api.routes.jobs import ANY_JOB
from model.clock import to_datetime
from store import board as stored
from store import equipment, events, mine
from store.database import Connection
from store.lists import JOBS, unacknowledged

router = APIRouter()

STAY = timedelta(hours=24)
"""How long a job of mine that was closed stays in sight."""
ON_A_PAGE = 30

Before = Annotated[int | None, Query(ge=1, le=2**31 - 1)]


@router.get("/jobs")
def my_jobs(request: Request, ctx: Ctx, person: MayLook, q: str = "", before: Before = None) -> Response:
    """What concerns the reader first; then everything else, or what was looked for among all."""
    sought = q.strip()[:200]
    with ctx.database() as conn:
        newest = events.newest_id(conn)
        closed_since = to_datetime(ctx.clock.now_us()) - STAY
        numbers = mine.jobs(conn, person.id, closed_since)
        own = [] if sought or before else sorted(_views(ctx, conn, numbers), key=lambda row: row.order)
        found = JOBS.page(conn, {**ANY_JOB, "q": sought}, before, ON_A_PAGE + 1)
        others = _views(ctx, conn, [row["id"] for row in found[:ON_A_PAGE]])
        values: dict[str, Any] = {
            "crews": equipment.crews(conn),
            "crew": mine.crew(conn, person.id),
            "total": JOBS.count(conn, {**ANY_JOB, "q": sought}),
            "unacknowledged": unacknowledged(conn),
        }
    shown = {row.job for row in own}
    return render(
        request,
        "jobs/mine.html",
        newest=newest,
        sought=sought,
        before=before,
        mine=own,
        others=[row for row in others if row.job not in shown],
        older=found[ON_A_PAGE - 1]["id"] if len(found) > ON_A_PAGE else None,
        **values,
    )


@router.post("/me/crew")
def my_crew(ctx: Ctx, person: Oneself, crew: Annotated[str, Form()] = "") -> Response:
    """Say which crew one is in, by the plain form."""
    with ctx.database() as conn:
        mine.join(conn, person.id, number(crew, "crew") if crew else None)
    return see("/jobs")


def _views(ctx: Context, conn: Connection, numbers: Sequence[int]) -> list[RowView]:
    """The jobs at a glance, in the order of their numbers given."""
    found = {row.job_id: row for row in stored.rows(conn, numbers)}
    now_us, speed = ctx.clock.now_us(), clock_speed(ctx.clock)
    return [view(found[one], now_us, speed, None) for one in numbers if one in found]

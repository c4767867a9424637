"""Hanging a gauge on a job with a phone: its name scanned or typed, and its side of the valve."""

from __future__ import annotations

from collections.abc import Mapping

from fastapi import APIRouter, Request
from starlette.responses import RedirectResponse, Response

from api.context import Context, Ctx
from api.pages import render
from api.pages.after import see
from api.pages.setup.forms import Typed, errors_of
from api.permissions import MayLook, MayRunJobs
from api.routes.job_changes import actor
from api.routes.jobs import ANY_JOB
from model.equipment import Position
from model.errors import BadInput, NotFound
from model.labels import PLACE, instrument_in
from store import hanging, jobs, lists
from store.lists import JOBS, unacknowledged

router = APIRouter()


@router.get("/jobs/{job_id}/site/gauge")
def gauge(request: Request, ctx: Ctx, person: MayRunJobs, job_id: int, name: str = "") -> Response:
    """The form."""
    return _page(request, ctx, job_id, {"instrument": name[:200]})


@router.post("/jobs/{job_id}/site/gauge")
def hang(request: Request, ctx: Ctx, person: MayRunJobs, job_id: int, typed: Typed) -> Response:
    """Hang it."""
    try:
        name = instrument_in(typed.get("instrument", ""))
        if typed.get("side") not in list(Position):
            raise BadInput("Say on which side of the valve it sits.", field="side")
        with ctx.database() as conn:
            job = jobs.by_id(conn, job_id)
            hanging.hang(
                conn,
                job_id,
                hanging.gauge_named(conn, name, job.site_id),
                Position(typed["side"]),
                job.opened_us if typed.get("since") == "opening" else ctx.clock.now_us(),
                actor(ctx, person),
                take_over="take_over" in typed,
            )
    except BadInput as error:
        if isinstance(error, NotFound) and error.field is None:
            raise
        return _page(request, ctx, job_id, typed, errors_of(error))
    return see(f"/jobs/{job_id}/site")


@router.get(PLACE + "{gateway}/{name}")
def label(request: Request, ctx: Ctx, person: MayLook, gateway: str, name: str) -> Response:
    """Where a label leads that a telephone's own camera read: the job that the gauge serves, or a choice."""
    with ctx.database() as conn:
        found = hanging.label_of(conn, instrument_in(f"{gateway}/{name}"))
        serves = hanging.serving_job(conn, found)
        if serves is not None:
            return RedirectResponse(f"/jobs/{serves}/site", 303)
        offered = hanging.open_jobs_at(conn, found.gateway_id)
    return render(request, "jobs/label.html", label=f"{gateway}/{name}", offered=offered)


def _page(
    request: Request,
    ctx: Context,
    job_id: int,
    typed: Mapping[str, str],
    errors: Mapping[str, str] | None = None,
) -> Response:
    with ctx.database() as conn:
        job = JOBS.one(conn, ANY_JOB, job_id)
        if job is None:
            raise NotFound(f"There is no job {job_id}.")
        values = {
            "gauges": hanging.gauges_at(conn, job["site_id"]),
            "serving": [one for one in lists.serving(conn, job_id) if one["until"] is None],
            "unacknowledged": unacknowledged(conn),
        }
    status = 422 if errors else 200
    return render(request, "jobs/gauge.html", status, job=job, typed=typed, errors=errors or {}, **values)

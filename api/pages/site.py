"""The job at the site: one figure, one next step, for a phone in one hand."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated

from fastapi import APIRouter, Form, Request
from starlette.responses import Response

from api.context import Context, Ctx
from api.pages import render
from api.pages.after import see
from api.permissions import LOOK, MayLook, MayRunJobs
from api.quantities import Quantities
from api.reader import figures_of
from api.routes.job_changes import actor
from api.site_view import SiteView, holding, site_view
from model.errors import BadInput, NotFound
from store import checks, events, job_changes, jobs, notes
from store.database import Connection
from store.lists import unacknowledged

router = APIRouter(prefix="/jobs/{job_id}/site")


@router.get("")
def site(request: Request, ctx: Ctx, person: MayLook, job_id: int) -> Response:
    """The page."""
    return _page(request, ctx, job_id)


@router.get("/now", dependencies=[LOOK])
def now(request: Request, ctx: Ctx, job_id: int) -> Response:
    """The part that goes on by itself, for a page that is open."""
    with ctx.database() as conn:
        seen = _view(request, ctx, conn, job_id)
    return render(request, "parts/site_now.html", seen=seen, holding=holding(seen.hold))


@router.post("/name")
def name(
    request: Request, ctx: Ctx, person: MayRunJobs, job_id: int, title: Annotated[str, Form()] = ""
) -> Response:
    """Give a walk-up job its name."""
    try:
        with ctx.database() as conn:
            known = job_changes.details(jobs.by_id(conn, job_id))
            job_changes.change(conn, job_id, replace(known, title=title), actor(ctx, person))
    except NotFound:
        raise
    except BadInput as error:
        return _page(request, ctx, job_id, title=title, problem=str(error))
    return see(f"/jobs/{job_id}/site")


@router.post("/notes")
def note(
    request: Request, ctx: Ctx, person: MayRunJobs, job_id: int, note: Annotated[str, Form()] = ""
) -> Response:
    """Write a note down."""
    try:
        with ctx.database() as conn:
            notes.add(conn, job_id, person.id, ctx.now(), note)
    except NotFound:
        raise
    except BadInput as error:
        return _page(request, ctx, job_id, note=note, note_problem=str(error))
    return see(f"/jobs/{job_id}/site#notes", "noted")


def _view(request: Request, ctx: Context, conn: Connection, job_id: int) -> SiteView:
    return site_view(conn, ctx.clock, job_id, Quantities(figures=figures_of(request)))


def _page(
    request: Request,
    ctx: Context,
    job_id: int,
    *,
    title: str | None = None,
    problem: str = "",
    note: str = "",
    note_problem: str = "",
) -> Response:
    """The page, with what was typed and cannot be used, and why."""
    with ctx.database() as conn:
        newest = events.newest_id(conn)
        seen = _view(request, ctx, conn, job_id)
        written = notes.of_job(conn, job_id)
        under_way = checks.begun(conn, job_id)
        waiting = unacknowledged(conn)
    return render(
        request,
        "jobs/site.html",
        422 if problem or note_problem else 200,
        seen=seen,
        holding=holding(seen.hold),
        newest=newest,
        notes=written,
        under_way=under_way,
        unacknowledged=waiting,
        title=title,
        problem=problem,
        note=note,
        note_problem=note_problem,
    )

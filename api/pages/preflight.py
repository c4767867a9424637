"""Before somebody leaves: one page a job with every check, which goes on by itself."""

from __future__ import annotations

from fastapi import APIRouter, Request
from starlette.responses import Response

from api.context import Context, Ctx
from api.pages import render
from api.permissions import MayLook
from api.preflight import preflight_view
from api.quantities import Quantities
from api.reader import figures_of
from api.routes.jobs import ANY_JOB
from model.errors import NotFound
from physics.refrigerants import listed
from store import events
from store.lists import CIRCUITS, JOBS, unacknowledged

router = APIRouter(prefix="/jobs/{job_id}/preflight")


@router.get("")
def preflight(request: Request, ctx: Ctx, person: MayLook, job_id: int) -> Response:
    """The page."""
    return _page(request, ctx, person.id, job_id, "jobs/preflight.html")


@router.get("/now")
def now(request: Request, ctx: Ctx, person: MayLook, job_id: int) -> Response:
    """The checks alone, for a page that is open."""
    return _page(request, ctx, person.id, job_id, "parts/preflight.html")


def _page(request: Request, ctx: Context, person_id: int, job_id: int, template: str) -> Response:
    unit = Quantities(figures=figures_of(request))
    with ctx.database() as conn:
        job = JOBS.one(conn, ANY_JOB, job_id)
        if job is None:
            raise NotFound(f"There is no job {job_id}.")
        newest = events.newest_id(conn)
        seen = preflight_view(conn, job_id, person_id, ctx.clock.now_us(), unit)
        circuit = None if job["circuit_id"] is None else CIRCUITS.one(conn, {"site": None}, job["circuit_id"])
        waiting = unacknowledged(conn)
    refrigerant = circuit["refrigerant"] if circuit else None
    return render(
        request,
        template,
        job=job,
        seen=seen,
        newest=newest,
        refrigerant=refrigerant,
        fluid=listed(refrigerant),
        unacknowledged=waiting,
    )

"""The page on which a job is opened."""

from __future__ import annotations

from collections.abc import Mapping

from fastapi import APIRouter, Request
from starlette.responses import Response

from api.context import Ctx
from api.job_forms import Choices, choices, number, read_details, written
from api.pages import render
from api.pages.after import see
from api.pages.setup.forms import Typed, errors_of
from api.permissions import MayRunJobs
from api.reader import texts_of
from api.routes.job_changes import actor
from model.errors import BadInput
from model.job import JobState
from store import job_changes
from store.job_changes import Serving
from store.lists import unacknowledged

router = APIRouter()

SERVES = "serves-"


@router.get("/jobs/new")
def new_job(request: Request, ctx: Ctx, person: MayRunJobs) -> Response:
    """The empty form."""
    return _page(request, ctx, {}, {})


@router.post("/jobs/new")
def open_job(request: Request, ctx: Ctx, person: MayRunJobs, typed: Typed) -> Response:
    """Open the job."""
    try:
        with ctx.database() as conn:
            texts = texts_of(request, typed)
            decides = texts.read("decides", number)
            given = read_details(conn, texts, None)
            chosen = [int(name[len(SERVES) :]) for name in typed if _is_number(name)]
            if decides is not None and decides not in chosen:
                raise BadInput("The gauge that decides must serve the job: tick it, too.", field="instrument")
            state = JobState.RUNNING if typed.get("state") == JobState.RUNNING else JobState.PLANNED
            made = job_changes.open_job(
                conn,
                given,
                [Serving(one, deciding=one == decides) for one in chosen],
                actor(ctx, person),
                state=state,
                take_over="take_over" in typed,
            )
    except BadInput as error:
        errors = errors_of(error)
        if "deciding" in errors:
            errors = {**errors, "instrument": errors["deciding"]}
        return _page(request, ctx, typed, errors, 422)
    return see(f"/jobs/{made.id}", "opened")


def _is_number(name: str) -> bool:
    return name.startswith(SERVES) and name[len(SERVES) :].isdecimal() and len(name) < len(SERVES) + 10


def _page(
    request: Request, ctx: Ctx, typed: Mapping[str, str], errors: Mapping[str, str], status: int = 200
) -> Response:
    with ctx.database() as conn:
        offered = choices(conn, ctx.now())
        waiting = unacknowledged(conn)
    site_id = typed.get("site_id", "")
    site = next((site for site in offered.sites if str(site["id"]) == site_id), None)
    if site is None and len(offered.sites) == 1:
        site = offered.sites[0]
    values = dict(typed) if typed else _empty(ctx, offered)
    return render(
        request,
        "jobs/new.html",
        status,
        choices=offered,
        typed=values,
        errors=errors,
        gateways=offered.gateways(None if site is None else site["id"]),
        serves=SERVES,
        unacknowledged=waiting,
    )


def _empty(ctx: Ctx, offered: Choices) -> dict[str, str]:
    first = offered.sites[0] if len(offered.sites) == 1 else None
    default = next((str(one["id"]) for one in offered.procedures if one["is_default"]), "")
    zone = "UTC" if first is None else str(first["time_zone"])
    return {
        "site_id": "" if first is None else str(first["id"]),
        "procedure_id": default,
        "start": "" if first is None else written(ctx.clock.now_us(), zone),
        "state": JobState.PLANNED,
    }

"""The volume of a job's circuit from its pipes, at the site; the sum can be kept as a note of the job."""

from __future__ import annotations

from fastapi import APIRouter, Request
from starlette.responses import Response

from api.context import Context, Ctx
from api.conventions import THIN
from api.figures import Figures
from api.pages import render
from api.pages.after import see
from api.pages.setup.forms import Typed
from api.pages.setup.pipes import Calculation
from api.permissions import MayRunJobs
from api.reader import figures_of
from api.routes.jobs import ANY_JOB
from model.errors import NotFound
from physics.pipes import Between
from store import notes
from store.lists import CIRCUITS, JOBS

router = APIRouter(prefix="/jobs/{job_id}/site")


@router.get("/volume")
def volume(request: Request, ctx: Ctx, person: MayRunJobs, job_id: int) -> Response:
    """The calculator at a job."""
    return _page(request, ctx, job_id, Calculation.empty())


@router.post("/volume")
def calculate(request: Request, ctx: Ctx, person: MayRunJobs, job_id: int, typed: Typed) -> Response:
    """The volume of what was typed, or the same kept as a note."""
    figures = figures_of(request)
    calculation = Calculation.of(typed, figures.conventions.decimal)
    if calculation.total is None or "keep" not in typed:
        return _page(request, ctx, job_id, calculation)
    with ctx.database() as conn:
        text = in_words(calculation, calculation.total, figures)
        notes.add(conn, job_id, person.id, ctx.now(), text)
    return see(f"/jobs/{job_id}/site#notes", "noted")


def in_words(calculation: Calculation, total: Between, figures: Figures) -> str:
    """A volume with what it was reckoned from, as plain text."""
    units = figures.units
    numbers = [figures.number(one / units.cubic_metres) for one in (total.value, total.low, total.high)]
    value, low, high = (f"{one} {units.volume}" for one in numbers)
    parts = []
    for line in calculation.pipes:
        given = line.values
        across = [
            f"{given[key]} {word}" for key, word in (("outer", "outside"), ("inner", "inside")) if given[key]
        ]
        if line.volume is not None:
            parts.append(f"{given['length']} of {' and '.join(across)}")
    parts += [line.values["vessel"] for line in calculation.vessels if line.volume is not None]
    return f"Volume by pipes and vessels: {value}, {low} to {high}. From {'; '.join(parts)}.".replace(
        THIN, " "
    )


def _page(request: Request, ctx: Context, job_id: int, calculation: Calculation) -> Response:
    with ctx.database() as conn:
        job = JOBS.one(conn, ANY_JOB, job_id)
        if job is None:
            raise NotFound(f"There is no job {job_id}.")
        circuit = CIRCUITS.one(conn, {"site": None}, job["circuit_id"]) if job["circuit_id"] else None
    status = 422 if calculation.errors else 200
    return render(request, "jobs/volume.html", status, job=job, circuit=circuit, calculation=calculation)

"""Records of a job, and the page where everybody who was handed one can check it."""

from __future__ import annotations

import re
from typing import Annotated

from fastapi import APIRouter, File, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from api.context import Context, Ctx
from api.pages import render
from api.pages.after import see
from api.permissions import OPEN_TO_ALL, MayLook, MayRunJobs
from api.records import making, sheet
from api.routes.jobs import ANY_JOB
from api.routes.records import CheckedView, checked, made_of
from model.errors import BadInput, Conflict, NotFound
from store import company, records
from store.lists import JOBS, unacknowledged
from store.records import RECORDS

router = APIRouter()

MOST = 100
DIGEST = re.compile(r"[0-9a-fA-F]{64}")


@router.get("/jobs/{job_id}/records")
def of_job(request: Request, ctx: Ctx, person: MayLook, job_id: int) -> Response:
    """Records that were made of a job."""
    return _of_job(request, ctx, job_id)


@router.post("/jobs/{job_id}/records")
def make(request: Request, ctx: Ctx, person: MayRunJobs, job_id: int) -> Response:
    """Make one of the job as it is now."""
    try:
        with ctx.database() as conn:
            made_of(ctx, conn, person, job_id)
    except Conflict as error:
        return _of_job(request, ctx, job_id, str(error), 409)
    return see(f"/jobs/{job_id}/records", "made")


def _of_job(request: Request, ctx: Context, job_id: int, problem: str = "", status: int = 200) -> Response:
    with ctx.database() as conn:
        job = JOBS.one(conn, ANY_JOB, job_id)
        if job is None:
            raise NotFound(f"There is no job {job_id}.")
        rows = RECORDS.page(conn, {"job": job_id}, None, MOST)
        kept = company.of(conn)
        waiting = unacknowledged(conn)
    return render(
        request,
        "records.html",
        status,
        job=job,
        rows=rows,
        company=kept,
        can_sign=bool(ctx.config.record_key),
        problem=problem,
        unacknowledged=waiting,
    )


# For everybody --------------------------------------------------------------------------------------------


@router.get("/verify", dependencies=[OPEN_TO_ALL])
def verify(request: Request, ctx: Ctx, digest: str = "") -> Response:
    """Look a digest up, and the form for a file."""
    return _verify(request, ctx, digest)


@router.post("/verify", dependencies=[OPEN_TO_ALL])
async def verify_file(request: Request, ctx: Ctx, file: Annotated[bytes, File()] = b"") -> Response:
    """Check a file."""
    if not file:
        return await run_in_threadpool(_verify, request, ctx, "", None, "Choose the file of a record.", 422)
    try:
        found = await checked(ctx, file)
    except BadInput as error:
        return await run_in_threadpool(_verify, request, ctx, "", None, str(error), 422)
    return await run_in_threadpool(_verify, request, ctx, found.digest if found.known_here else "", found)


def _verify(
    request: Request,
    ctx: Context,
    digest: str,
    found: CheckedView | None = None,
    problem: str = "",
    status: int = 200,
) -> Response:
    digest = re.sub(r"\s", "", digest)
    if digest and not DIGEST.fullmatch(digest):
        digest, problem = "", "A digest has 64 figures from 0 to 9 and a to f."
    told = None
    with ctx.database() as conn:
        made = records.by_digest(conn, digest) if digest else None
        if made is not None:
            record = making.told_by(made)
            told = {
                "number": record["number"],
                "company": record["company"]["name"],
                "made": made.made_at,
                "zone": record["job"]["time_zone"],
                "latest": records.is_latest(conn, made),
                "result": sheet.result_of(record, making.figures_for(company.of(conn), made.made_at)),
                "job": record["job"],
            }
        keys = records.keys(conn)
    return render(
        request,
        "verify.html",
        status,
        digest=digest,
        told=told,
        found=found,
        problem=problem,
        keys=keys,
        unacknowledged=0,
    )

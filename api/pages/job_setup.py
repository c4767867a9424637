"""The page on which a job is changed: its names, which instrument served it when, merging, closing."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from fastapi import APIRouter, Request
from starlette.responses import Response

from api.context import Ctx
from api.job_forms import choices, moment, number, others_of_site, read_details, write_rig, written
from api.pages import render
from api.pages.after import see
from api.pages.setup.forms import Typed, errors_of
from api.permissions import MayRunJobs
from api.reader import figures_of, texts_of
from api.routes.job_changes import actor
from api.routes.jobs import ANY_JOB
from model.clock import to_datetime, to_us
from model.equipment import Position
from model.errors import BadInput, NotFound
from model.texts import Texts
from store import assignments, job_changes, jobs, lists, merging
from store.assignments import Served, Wish
from store.database import Connection
from store.lists import JOBS, unacknowledged

router = APIRouter(prefix="/jobs/{job_id}")

Act = Callable[[Connection], object]


@router.get("/setup")
def setup(request: Request, ctx: Ctx, person: MayRunJobs, job_id: int) -> Response:
    """All that can be changed of a job."""
    return _page(request, ctx, job_id)


@router.post("/setup")
def change(request: Request, ctx: Ctx, person: MayRunJobs, job_id: int, typed: Typed) -> Response:
    """Title, site, circuit, crew, procedure, start, note in one form."""

    def act(conn: Connection) -> None:
        job = jobs.by_id(conn, job_id)
        old = job_changes.details(job)
        site_id = None if "site_id" in typed else job.site_id
        wanted = read_details(conn, texts_of(request, typed), site_id, old)
        job_changes.change(conn, job_id, wanted, actor(ctx, person))

    return _do(request, ctx, job_id, act, "names", typed)


@router.post("/assignments")
def assign(request: Request, ctx: Ctx, person: MayRunJobs, job_id: int, typed: Typed) -> Response:
    """An instrument serves the job in a span."""

    def act(conn: Connection) -> None:
        wish = _wish(Texts(typed), _job(conn, job_id), None)
        assignments.assign(conn, wish, actor(ctx, person), take_over="take_over" in typed)

    return _do(request, ctx, job_id, act, "assign", typed)


@router.post("/assignments/{assignment_id}")
def correct(
    request: Request, ctx: Ctx, person: MayRunJobs, job_id: int, assignment_id: int, typed: Typed
) -> Response:
    """How it was: another span, job or instrument, deciding or not, or not at all."""

    def act(conn: Connection) -> None:
        old = assignments.by_id(conn, assignment_id)
        if old.job_id != job_id:
            raise NotFound(f"Job {job_id} has no assignment {assignment_id}.")
        by, to_rule = actor(ctx, person), "to_rule" in typed
        if "remove" in typed:
            assignments.remove(conn, assignment_id, by, to_rule=to_rule)
            return
        wish = _wish(Texts(typed), _job(conn, job_id), old)
        take_over = "take_over" in typed
        assignments.correct(conn, assignment_id, wish, by, take_over=take_over, to_rule=to_rule)

    return _do(request, ctx, job_id, act, f"assignment-{assignment_id}", typed)


@router.post("/merge")
def merge(request: Request, ctx: Ctx, person: MayRunJobs, job_id: int, typed: Typed) -> Response:
    """Take another job in."""

    def act(conn: Connection) -> None:
        merging.merge(conn, number(typed.get("job", ""), "job"), job_id, actor(ctx, person))

    return _do(request, ctx, job_id, act, "merge", typed)


@router.post("/close")
def close(request: Request, ctx: Ctx, person: MayRunJobs, job_id: int, typed: Typed) -> Response:
    """The job is over."""

    def act(conn: Connection) -> None:
        job_changes.close(conn, job_id, actor(ctx, person), note=typed.get("note", ""))

    return _do(request, ctx, job_id, act, "end", typed)


@router.post("/reopen")
def reopen(request: Request, ctx: Ctx, person: MayRunJobs, job_id: int, typed: Typed) -> Response:
    """The job goes on."""

    def act(conn: Connection) -> None:
        job_changes.reopen(conn, job_id, actor(ctx, person), note=typed.get("note", ""))

    return _do(request, ctx, job_id, act, "end", typed)


def _wish(texts: Texts, job: Mapping[str, Any], old: Served | None) -> Wish:
    zone = job["time_zone"]
    old_since = None if old is None else to_us(old.since)
    old_until = None if old is None or old.until is None else to_us(old.until)
    instrument = texts.read("instrument", number, required=True)
    since = texts.read("since", lambda text, field: moment(text, zone, field, old_since), required=True)
    until = texts.read("until", lambda text, field: moment(text, zone, field, old_until))
    to_job = texts.read("job", number, default=job["id"])
    side = None if old is None else old.side
    if "side" in texts:
        side = texts.choice("side", Position) if texts.raw("side") else None
    texts.done()
    assert instrument is not None
    assert since is not None
    assert to_job is not None
    return Wish(to_job, instrument, since, until, "deciding" in texts, side)


def _job(conn: Connection, job_id: int) -> dict[str, Any]:
    job = JOBS.one(conn, ANY_JOB, job_id)
    if job is None:
        raise NotFound(f"There is no job {job_id}.")
    return job


def _do(request: Request, ctx: Ctx, job_id: int, act: Act, form: str, typed: Mapping[str, str]) -> Response:
    """Act, and go to the job; or show the page again with what was typed and what is wrong with it."""
    try:
        with ctx.database() as conn:
            _job(conn, job_id)
            act(conn)
    except BadInput as error:
        if isinstance(error, NotFound) and error.field is None:
            raise
        return _page(request, ctx, job_id, form, typed, errors_of(error))
    return see(f"/jobs/{job_id}")


def _page(
    request: Request,
    ctx: Ctx,
    job_id: int,
    form: str = "",
    typed: Mapping[str, str] | None = None,
    errors: Mapping[str, str] | None = None,
) -> Response:
    with ctx.database() as conn:
        job = _job(conn, job_id)
        offered = choices(conn, ctx.now())
        serving = lists.serving(conn, job_id)
        numbers = sorted({item["instrument_id"] for item in serving})
        values: dict[str, Any] = {
            "job": job,
            "serving": serving,
            "choices": offered,
            "gateways": offered.gateways(job["site_id"]),
            "others": others_of_site(conn, job_id, job["site_id"]),
            "merged_from": lists.merged_from(conn, job_id),
            "free": assignments.kept_free(conn, numbers),
            "unacknowledged": unacknowledged(conn),
        }
    # The version that the job has is on offer, too, though a newer one may be out.
    known = {one["id"] for one in offered.procedures}
    now = written(to_datetime(ctx.clock.now_us()), job["time_zone"])
    return render(
        request,
        "jobs/setup.html",
        422 if errors else 200,
        form=form,
        typed=typed or {},
        errors=errors or {},
        written=written,
        rig=write_rig(values["job"], figures_of(request)),
        registered=" and ".join(
            f"{one['gateway']}/{one['name']} ({figures_of(request).flow(one['pump_m3_s'])})"
            for one in serving
            if one["pump_m3_s"] is not None and one["until"] is None
        ),
        at_start=written(job["opened_at"], job["time_zone"]),
        at_now=now,
        older=job["procedure_id"] not in known,
        **values,
    )

"""Opening, changing, closing and merging jobs, and saying which instrument serves which."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Query, Response
from pydantic import AfterValidator, AwareDatetime, BaseModel, Field
from pydantic_core import PydanticCustomError

from api.asked import Asked
from api.context import Context, Ctx
from api.permissions import LOOK, MayRunJobs
from api.problems import errors_of
from api.quantities import Hose, InUnit, PumpRating
from api.routes.jobs import JobDetail, ServingView, job_detail
from api.routes.setup import DryRun, Table, decoded, refuse_bad
from model.clock import to_us
from model.equipment import Position
from model.errors import BadInput, NotFound
from model.job import JobState
from model.moments import can_be_meant
from store import assignments, job_changes, job_table, jobs, lists, merging
from store.acting import Actor
from store.assignments import Wish
from store.job_changes import Details, Serving
from store.people import Person

router = APIRouter(tags=["jobs"])


def _meant(moment: datetime) -> datetime:
    if not can_be_meant(moment):
        raise PydanticCustomError("moment", "The year {year} cannot be meant.", {"year": moment.year})
    return moment


Meant = Annotated[AwareDatetime, AfterValidator(_meant)]
Side = Annotated[
    Position | None,
    Field(
        description="Side of the valve on which a gauge sits in this span; null: where it is registered. "
        "Only on the circuit's side its pressure judges. A gauge that is moved gets a span for each side."
    ),
]
TakeOver = Annotated[
    bool, Field(description="If it serves another job then, that one gives the span up and is judged anew.")
]


class NewServing(Asked):
    """An instrument that shall serve a job."""

    instrument_id: int
    deciding: bool = Field(False, description="Its pressure decides.")
    side: Side = None
    since: Meant | None = Field(
        None, description="From when on; from the job's start, if not given. Readings are judged from there."
    )
    until: Meant | None = Field(None, description="Until before when; for good, if not given.")


class NewJob(Asked):
    """A job to open."""

    title: str
    site_id: int
    procedure_id: int
    circuit_id: int | None = None
    crew_id: int | None = None
    note: str = ""
    start: Meant | None = Field(
        None, description="When it began, or for when it is planned; now, if not given."
    )
    pump: PumpRating | None = Field(
        None, description="Of a pump that is not registered, in place of the registered ones."
    )
    hose: Hose | None = Field(None, description="Between pump and circuit.")
    state: JobState = JobState.PLANNED
    instruments: list[NewServing] = Field([])
    take_over: TakeOver = False


class JobChange(Asked):
    """What shall be different; what is not given stays, and null takes circuit, crew, pump or hose away.

    Another procedure or circuit has the job judged anew; another pump or hose, its pull-down estimated anew.
    """

    title: str | None = Field(None, description="Its name; jobs that a reading opened wait for one.")
    site_id: int | None = None
    procedure_id: int | None = None
    circuit_id: int | None = None
    crew_id: int | None = None
    note: str | None = None
    start: Meant | None = None
    pump: PumpRating | None = None
    hose: Hose | None = None


class NewAssignment(Asked):
    """An instrument that shall serve the job in a span."""

    instrument_id: int
    since: Meant
    until: Meant | None = Field(None, description="Until before when; for good, if not given.")
    deciding: bool = Field(False, description="Its pressure decides.")
    side: Side = None
    take_over: TakeOver = False


class Correction(Asked):
    """How it was; what is not given stays as it is written down; a null ``until`` means for good, a null
    ``side`` the one where the instrument is registered."""

    job_id: int | None = Field(None, description="It served another job.")
    instrument_id: int | None = Field(None, description="It was another instrument.")
    since: Meant | None = None
    until: Meant | None = None
    deciding: bool | None = None
    side: Side = None
    take_over: TakeOver = False
    to_rule: bool = Field(
        False,
        description="Readings that no job has any more may open walk-up jobs; else none opens there by "
        "itself.",
    )


class Merging(Asked):
    """The job that is the same one in truth."""

    job_id: int = Field(description="It is emptied and closed, with a link.")


class Note(Asked):
    """A word about why."""

    note: str = ""


class Closing(Note):
    """The end of a job."""

    at: Meant | None = Field(None, description="When it was over; now, if not given.")


class PlannedJob(BaseModel):
    """A job of a table."""

    line: int
    name: str
    job_id: int | None = Field(description="None for a dry run.")


class ImportedJobs(BaseModel):
    """The outcome of a table without a bad cell."""

    applied: bool = Field(description="False for a dry run: nothing has changed.")
    jobs: list[PlannedJob]


def actor(ctx: Context, person: Person) -> Actor:
    """Who acts in a request."""
    return Actor(person.name, ctx.clock.now_us(), person.id)


def _rig(asked: NewJob | JobChange) -> dict[str, Any]:
    """Pump and hose as they are stored, those that were given; raises `BadInput` for an unknown unit."""
    stored: dict[str, Any] = {}
    pump, hose = asked.pump, asked.hose
    if "pump" in asked.model_fields_set:
        stored["pump_m3_s"] = None if pump is None else pump.speed.cubic_metres_per_s("pump.speed")
        ultimate = None if pump is None else pump.ultimate
        stored["ultimate_pa"] = None if ultimate is None else ultimate.pascal("pump.ultimate")
    if "hose" in asked.model_fields_set:
        stored["hose_bore_m"] = None if hose is None else hose.bore.metres("hose.bore")
        stored["hose_length_m"] = None if hose is None else hose.length.metres("hose.length")
    return stored


def _us(moment: datetime | None) -> int | None:
    return None if moment is None else to_us(moment)


@router.post("/jobs", status_code=201, responses=errors_of(401, 403, 404, 409, 422, 503))
def add_job(ctx: Ctx, person: MayRunJobs, unit: InUnit, new: NewJob) -> JobDetail:
    """Open a job; its instruments serve it from its start on, or from another moment on."""
    now_us = ctx.clock.now_us()
    if new.state not in (JobState.PLANNED, JobState.RUNNING):
        raise BadInput("A job begins planned or running.", field="state")
    given = Details(
        new.title,
        new.site_id,
        new.procedure_id,
        now_us if new.start is None else to_us(new.start),
        new.circuit_id,
        new.crew_id,
        new.note,
        **_rig(new),
    )
    servings = [
        Serving(one.instrument_id, _us(one.since), _us(one.until), one.deciding, one.side)
        for one in new.instruments
    ]
    with ctx.database() as conn:
        made = job_changes.open_job(
            conn, given, servings, actor(ctx, person), state=new.state, take_over=new.take_over
        )
        return job_detail(ctx, conn, unit, made.id)


@router.post("/jobs/import", responses=errors_of(401, 403, 422, 503))
def import_jobs(ctx: Ctx, person: MayRunJobs, table: Table = None, dry_run: DryRun = False) -> ImportedJobs:
    """Planned jobs from a table with the columns title, site, circuit, crew, procedure, start, instruments,
    note, pump, ultimate, hose: all or nothing."""
    with ctx.database() as conn:
        outcome, numbers = job_table.run(conn, decoded(table or b""), actor(ctx, person), dry_run=dry_run)
    refuse_bad(outcome)
    return ImportedJobs(
        applied=outcome.applied,
        jobs=[PlannedJob(line=row.line, name=row.name, job_id=numbers.get(row.line)) for row in outcome.rows],
    )


@router.patch("/jobs/{job_id}", responses=errors_of(401, 403, 404, 422, 503))
def change_job(ctx: Ctx, person: MayRunJobs, unit: InUnit, job_id: int, change: JobChange) -> JobDetail:
    """Name a job, or write down another site, circuit, crew, procedure, start or note."""
    given = change.model_dump(exclude_unset=True, exclude={"pump", "hose"}) | _rig(change)
    start = given.pop("start", None)
    for field in ("title", "site_id", "procedure_id", "note"):
        if field in given and given[field] is None:
            raise BadInput("This cannot be taken away.", field=field)
    with ctx.database() as conn:
        known = job_changes.details(jobs.by_id(conn, job_id))
        opened_us = known.opened_us if start is None else to_us(start)
        wanted = replace(known, opened_us=opened_us, **given)
        job_changes.change(conn, job_id, wanted, actor(ctx, person))
        return job_detail(ctx, conn, unit, job_id)


@router.post("/jobs/{job_id}/close", responses=errors_of(401, 403, 404, 409, 422, 503))
def close_job(ctx: Ctx, person: MayRunJobs, unit: InUnit, job_id: int, closing: Closing) -> JobDetail:
    """Close a job; its instruments are free from then on."""
    with ctx.database() as conn:
        job_changes.close(conn, job_id, actor(ctx, person), note=closing.note, at_us=_us(closing.at))
        return job_detail(ctx, conn, unit, job_id)


@router.post("/jobs/{job_id}/reopen", responses=errors_of(401, 403, 404, 409, 422, 503))
def reopen_job(ctx: Ctx, person: MayRunJobs, unit: InUnit, job_id: int, why: Note) -> JobDetail:
    """Open a closed job again: instruments that are free since serve it on, and only a person closes it."""
    with ctx.database() as conn:
        job_changes.reopen(conn, job_id, actor(ctx, person), note=why.note)
        return job_detail(ctx, conn, unit, job_id)


@router.post("/jobs/{job_id}/merge", responses=errors_of(401, 403, 404, 409, 422, 503))
def merge_job(ctx: Ctx, person: MayRunJobs, unit: InUnit, job_id: int, other: Merging) -> JobDetail:
    """Take another job of the same site in: its instruments move here, and the job is judged anew.

    The other one is emptied, closed and kept with a link. To undo it, correct the assignments.
    """
    with ctx.database() as conn:
        merging.merge(conn, other.job_id, job_id, actor(ctx, person))
        return job_detail(ctx, conn, unit, job_id)


@router.get("/jobs/{job_id}/assignments", dependencies=[LOOK], responses=errors_of(401, 404, 422, 503))
def list_assignments(ctx: Ctx, job_id: int) -> list[ServingView]:
    """Which instrument served a job when, in order of time."""
    with ctx.database() as conn:
        jobs.by_id(conn, job_id)
        return [ServingView(**row) for row in lists.serving(conn, job_id)]


@router.post("/jobs/{job_id}/assignments", status_code=201, responses=errors_of(401, 403, 404, 409, 422, 503))
def add_assignment(ctx: Ctx, person: MayRunJobs, unit: InUnit, job_id: int, new: NewAssignment) -> JobDetail:
    """Let an instrument serve a job in a span, also of the past; the job is judged anew."""
    wish = Wish(job_id, new.instrument_id, to_us(new.since), _us(new.until), new.deciding, new.side)
    with ctx.database() as conn:
        assignments.assign(conn, wish, actor(ctx, person), take_over=new.take_over)
        return job_detail(ctx, conn, unit, job_id)


@router.patch("/jobs/{job_id}/assignments/{assignment_id}", responses=errors_of(401, 403, 404, 409, 422, 503))
def correct_assignment(
    ctx: Ctx, person: MayRunJobs, unit: InUnit, job_id: int, assignment_id: int, how: Correction
) -> JobDetail:
    """Say afterwards how it was, also of closed jobs: all that it touches is judged anew.

    Verdicts that change become revisions with the reason "assignment corrected by" and the name.
    """
    with ctx.database() as conn:
        old = assignments.by_id(conn, assignment_id)
        if old.job_id != job_id:
            raise NotFound(f"Job {job_id} has no assignment {assignment_id}.")
        until = how.until if "until" in how.model_fields_set else old.until
        wish = Wish(
            job_id if how.job_id is None else how.job_id,
            old.instrument_id if how.instrument_id is None else how.instrument_id,
            to_us(old.since if how.since is None else how.since),
            _us(until),
            old.deciding if how.deciding is None else how.deciding,
            how.side if "side" in how.model_fields_set else old.side,
        )
        by = actor(ctx, person)
        assignments.correct(conn, assignment_id, wish, by, take_over=how.take_over, to_rule=how.to_rule)
        return job_detail(ctx, conn, unit, job_id)


@router.delete(
    "/jobs/{job_id}/assignments/{assignment_id}",
    status_code=204,
    responses=errors_of(401, 403, 404, 409, 422, 503),
)
def remove_assignment(
    ctx: Ctx,
    person: MayRunJobs,
    job_id: int,
    assignment_id: int,
    to_rule: Annotated[bool, Query(description="Its readings may open walk-up jobs by rule.")] = False,
) -> Response:
    """The instrument did not serve the job at all; the job is judged anew without it."""
    with ctx.database() as conn:
        if assignments.by_id(conn, assignment_id).job_id != job_id:
            raise NotFound(f"Job {job_id} has no assignment {assignment_id}.")
        assignments.remove(conn, assignment_id, actor(ctx, person), to_rule=to_rule)
    return Response(status_code=204)

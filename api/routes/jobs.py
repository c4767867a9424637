"""Jobs, their phases, events and hold tests, and the board."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Query
from pydantic import BaseModel, Field

from analytics.core.evacuation import breaks_done
from api.board import BoardReader, RowView
from api.context import Context, Ctx
from api.events import EventView
from api.holds import HoldTestDetail, HoldTestView, hold_view, revision_view
from api.liveness import clock_speed, unkept
from api.paging import Page, Paged, Sought
from api.permissions import LOOK
from api.problems import errors_of
from api.pull_downs import PullDownView, pull_view
from api.quantities import Hose, InUnit, Pressure, PumpRating, Quantities
from model.clock import to_us
from model.equipment import Position, Role
from model.errors import NotFound
from model.event import EventKind
from model.job import JobState
from model.judgement import PhaseKind, Verdict
from store import jobs, lists
from store.board import rows as board_rows
from store.database import Connection
from store.lists import EVENTS, HOLD_TESTS, JOBS

router = APIRouter(tags=["jobs"])

ANY_JOB: dict[str, object] = {"site": None, "state": None}
ANY_HOLD: dict[str, object] = {"job": None, "verdict": None, "withdrawn": True}


class JobView(BaseModel):
    """One circuit's evacuation."""

    id: int
    title: str
    state: JobState
    walk_up: bool = Field(description="Opened by a reading of a gauge that nobody had assigned.")
    site_id: int
    site: str
    time_zone: str
    circuit_id: int | None
    circuit: str | None
    crew_id: int | None
    crew: str | None
    procedure_id: int
    procedure: str
    opened_at: datetime
    closed_at: datetime | None
    parked_at: datetime | None = Field(description="Its judgement failed again and again and was parked.")
    note: str
    merged_into: int | None = Field(description="The job that its instruments went to.")
    kept_open: bool = Field(description="A person opened it again: only a person closes it.")
    judged_anew: bool = Field(description="What it is judged by was changed, and the results lag behind.")


class PhaseView(BaseModel):
    """A stretch of an evacuation."""

    kind: PhaseKind
    started_at: datetime
    ended_at: datetime | None
    start: Pressure | None
    end: Pressure | None
    lowest: Pressure | None
    start_uncertainty_s: float


class ServingView(BaseModel):
    """An instrument that served a job."""

    assignment_id: int
    instrument_id: int
    gateway: str
    name: str
    role: Role
    position: Position = Field(description="Side of the valve on which it sat in this span.")
    side: Position | None = Field(
        description="What a person said of this span; null: it sat where the instrument is registered."
    )
    interval_s: float
    accuracy: float = Field(description="Share of the reading.")
    since: datetime
    until: datetime | None
    deciding: bool


class BreaksView(BaseModel):
    """How often the vacuum was broken with gas and pumped down anew: a triple evacuation has two breaks."""

    done: int
    asked: int = Field(description="By the procedure, before the hold that counts.")


class JobDetail(JobView):
    """A job with its phases, instruments and hold tests."""

    target: Pressure = Field(description="What the procedure asks to be reached.")
    permitted: Pressure | None = Field(description="What the procedure permits at the end of a hold.")
    breaks: BreaksView
    pump: PumpRating | None = Field(
        description="Of a pump that is not registered; it stands in place of the registered ones' ratings."
    )
    hose: Hose | None = Field(description="Between pump and circuit.")
    pull_down: PullDownView | None = Field(description="While one runs, once there are readings enough.")
    phases: list[PhaseView]
    instruments: list[ServingView]
    hold_tests: list[HoldTestView]


@router.get("/board", dependencies=[LOOK], responses=errors_of(401, 422, 503))
def board(ctx: Ctx, unit: InUnit) -> list[RowView]:
    """Jobs that are not closed at a glance, the most urgent first. The event stream sends changed rows.

    In the stream pressures are in Pa, whoever reads.
    """
    with ctx.database() as conn:
        return BoardReader(ctx.clock).read(conn, unit)


@router.get("/jobs", dependencies=[LOOK], responses=errors_of(401, 422, 503))
def list_jobs(
    ctx: Ctx, paging: Paged, site: int | None = None, state: JobState | None = None, q: Sought = None
) -> Page[JobView]:
    """Jobs, the newest first."""
    with ctx.database() as conn:
        return paging.page(conn, JOBS, {"site": site, "state": state, "q": q}, lambda row: JobView(**row))


@router.get("/jobs/{job_id}", dependencies=[LOOK], responses=errors_of(401, 404, 422, 503))
def job(ctx: Ctx, unit: InUnit, job_id: int) -> JobDetail:
    """One job."""
    with ctx.database() as conn:
        return job_detail(ctx, conn, unit, job_id)


def job_detail(ctx: Context, conn: Connection, unit: Quantities, job_id: int) -> JobDetail:
    """One job; raises `NotFound`."""
    row = JOBS.one(conn, ANY_JOB, job_id)
    if row is None:
        raise NotFound(f"There is no job {job_id}.")
    holds = HOLD_TESTS.page(conn, {**ANY_HOLD, "job": job_id, "withdrawn": False}, None, 100)
    phases = lists.phases(conn, job_id)
    return JobDetail(
        **row,
        target=unit(row["target_pa"]),
        permitted=unit.or_none(row["limit_pa"]),
        pump=unit.pump(row["pump_m3_s"], row["ultimate_pa"]),
        hose=unit.hose(row["hose_bore_m"], row["hose_length_m"]),
        pull_down=_pull_down(ctx, conn, unit, job_id),
        breaks=BreaksView(done=breaks_in(phases), asked=row["breaks_asked"]),
        phases=[_phase(item, unit) for item in phases],
        instruments=[ServingView(**item) for item in lists.serving(conn, job_id)],
        hold_tests=[hold_view(item, unit) for item in holds],
    )


@router.get("/jobs/{job_id}/phases", dependencies=[LOOK], responses=errors_of(401, 404, 422, 503))
def phases(ctx: Ctx, unit: InUnit, job_id: int) -> list[PhaseView]:
    """Phases of a job in order of time."""
    with ctx.database() as conn:
        jobs.by_id(conn, job_id)
        return [_phase(row, unit) for row in lists.phases(conn, job_id)]


@router.get("/jobs/{job_id}/events", dependencies=[LOOK], responses=errors_of(401, 404, 422, 503))
def events(ctx: Ctx, paging: Paged, unit: InUnit, job_id: int) -> Page[EventView]:
    """Events of a job, the last recorded first."""
    with ctx.database() as conn:
        jobs.by_id(conn, job_id)
        return paging.page(
            conn,
            EVENTS,
            {"job": job_id, "kinds": list(EventKind)},
            lambda row: EventView(**{**row, "text": unit.sentence(row["text"])}),
        )


@router.get("/hold-tests", dependencies=[LOOK], tags=["hold tests"], responses=errors_of(401, 422, 503))
def list_hold_tests(
    ctx: Ctx,
    paging: Paged,
    unit: InUnit,
    job: int | None = None,
    verdict: Verdict | None = None,
    withdrawn: Annotated[bool, Query(description="Withdrawn ones too.")] = False,
) -> Page[HoldTestView]:
    """Hold tests, the newest first."""
    filters: dict[str, object] = {"job": job, "verdict": verdict, "withdrawn": withdrawn}
    with ctx.database() as conn:
        return paging.page(conn, HOLD_TESTS, filters, lambda row: hold_view(row, unit))


@router.get(
    "/hold-tests/{hold_test_id}",
    dependencies=[LOOK],
    tags=["hold tests"],
    responses=errors_of(401, 404, 422, 503),
)
def hold_test(ctx: Ctx, unit: InUnit, hold_test_id: int) -> HoldTestDetail:
    """One hold test with its revisions, the newest first."""
    with ctx.database() as conn:
        row = HOLD_TESTS.one(conn, ANY_HOLD, hold_test_id)
        if row is None:
            raise NotFound(f"There is no hold test {hold_test_id}.")
        made = [revision_view(item, unit) for item in lists.revisions(conn, hold_test_id)]
    return HoldTestDetail(**hold_view(row, unit).model_dump(), revisions=made)


def _pull_down(ctx: Context, conn: Connection, unit: Quantities, job_id: int) -> PullDownView | None:
    rows = board_rows(conn, [job_id])
    if not rows or rows[0].pull is None:
        return None
    return pull_view(rows[0].pull, unit, unkept(rows[0], ctx.clock.now_us(), clock_speed(ctx.clock)))


def breaks_in(phases: Sequence[Mapping[str, Any]]) -> int:
    """How many breaks are among the phases of a job."""
    return breaks_done([(PhaseKind(row["kind"]), to_us(row["started_at"])) for row in phases])


def _phase(row: dict[str, Any], unit: Quantities) -> PhaseView:
    return PhaseView(
        kind=row["kind"],
        started_at=row["started_at"],
        ended_at=row["ended_at"],
        start=unit.or_none(row["start_pa"]),
        end=unit.or_none(row["end_pa"]),
        lowest=unit.or_none(row["lowest_pa"]),
        start_uncertainty_s=row["start_uncertainty_s"],
    )

"""The job page."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Form, Request
from starlette.responses import Response

from api.alerts import LIVE, alert_view
from api.board import view
from api.context import Context, Ctx
from api.figures import Figures
from api.holds import ForecastView, forecast_view
from api.liveness import clock_speed, unkept
from api.pages import render
from api.pages import valve as valves
from api.pages.after import see
from api.permissions import LOOK, MayLook, MayRunJobs
from api.pull_downs import PullDownView, line, pull_view
from api.quantities import Quantities
from api.reader import figures_of
from api.routes.job_changes import actor
from api.routes.jobs import ANY_HOLD, ANY_JOB, breaks_in
from api.sentences import TextFigure, find
from model.equipment import Role
from model.errors import BadInput, NotFound
from model.judgement import Diagnosis, HoldTest
from model.pull_down import PullEstimate
from physics.leaks import refrigerant_loss
from physics.refrigerants import Refrigerant, listed
from store import board as stored
from store import events, follows, job_changes, jobs, lists
from store.board import BoardRow
from store.database import Connection
from store.judgement import decode
from store.lists import ALERTS, CIRCUITS, HOLD_TESTS, JOBS, unacknowledged
from store.people import Person

router = APIRouter()

MOST_EVENTS = 60
SECONDS_A_YEAR = 31_557_600


@dataclass(frozen=True, slots=True)
class HoldCard:
    """A hold test as the page shows it."""

    id: int
    revision: int
    hold: HoldTest
    started_at: datetime
    decided_at: datetime | None
    forecast: ForecastView | None
    accuracy: float | None
    """Of the deciding gauge."""
    loss: tuple[float, float, str] | None
    """Refrigerant loss that the smallest leak shown may stand for [kg a year], and what that assumes."""
    leak_loss: tuple[float, float] | None
    """The same of the estimated leak, from the least of its interval to the most."""
    revisions: list[dict[str, Any]]


@dataclass(frozen=True, slots=True)
class PullCard:
    """What is said of the running pull-down, as the page shows it."""

    estimate: PullEstimate
    view: PullDownView
    line: str


@router.get("/jobs/{job_id}")
def job_page(request: Request, ctx: Ctx, person: MayLook, job_id: int) -> Response:
    """Plot, judgement, events and instruments of one job."""
    return _page(request, ctx, person, job_id)


def _page(
    request: Request, ctx: Ctx, person: Person, job_id: int, title: str | None = None, problem: str = ""
) -> Response:
    """The page, with a title that was typed and cannot be used, and why."""
    with ctx.database() as conn:
        newest = events.newest_id(conn)
        found = stored.rows(conn, [job_id])
        if not found:
            raise NotFound(f"There is no job {job_id}.")
        row = view(found[0], ctx.clock.now_us(), clock_speed(ctx.clock), None)
        values = _judgement(conn, job_id)
        waiting = unacknowledged(conn)
        serving = lists.serving(conn, job_id)
        merged = lists.merged_from(conn, job_id)
        followed = follows.of_job(conn, person.id, job_id)
        shut = valves.cards(conn, job_id, ctx.clock.now_us(), person.id)
        pull = _pull(ctx, found[0], figures_of(request))
    return render(
        request,
        "job.html",
        422 if problem else 200,
        title=title,
        problem=problem,
        row=row,
        serving=serving,
        merged_from=merged,
        follows=followed,
        valves=shut,
        pull=pull,
        newest=newest,
        unacknowledged=waiting,
        **values,
    )


@router.get("/jobs/{job_id}/judgement", dependencies=[LOOK])
def judgement(request: Request, ctx: Ctx, job_id: int) -> Response:
    """What changes with events, for a page that is open."""
    with ctx.database() as conn:
        values = _judgement(conn, job_id)
    return render(request, "parts/judgement.html", **values)


@router.get("/jobs/{job_id}/pull-down", dependencies=[LOOK])
def pull_down(request: Request, ctx: Ctx, job_id: int) -> Response:
    """What is said of the running pull-down, for a page that is open."""
    with ctx.database() as conn:
        job = _job(conn, job_id)
        accuracy = _accuracy(lists.serving(conn, job_id))
        rows = stored.rows(conn, [job_id])
        pull = _pull(ctx, rows[0], figures_of(request)) if rows else None
    return render(request, "parts/pull_down.html", job=job, accuracy=accuracy, pull=pull)


@router.post("/jobs/{job_id}/name")
def name(
    request: Request, ctx: Ctx, person: MayRunJobs, job_id: int, title: Annotated[str, Form()] = ""
) -> Response:
    """Give a job its name, by the plain form."""
    try:
        with ctx.database() as conn:
            known = job_changes.details(jobs.by_id(conn, job_id))
            job_changes.change(conn, job_id, replace(known, title=title), actor(ctx, person))
    except NotFound:
        raise
    except BadInput as error:
        return _page(request, ctx, person, job_id, title, str(error))
    return see(f"/jobs/{job_id}")


def _job(conn: Connection, job_id: int) -> dict[str, Any]:
    job = JOBS.one(conn, ANY_JOB, job_id)
    if job is None:
        raise NotFound(f"There is no job {job_id}.")
    return job


def _accuracy(serving: Sequence[Mapping[str, Any]]) -> float | None:
    """Of the deciding gauge."""
    return next((one["accuracy"] for one in serving if one["role"] == Role.GAUGE and one["deciding"]), None)


def _judgement(conn: Connection, job_id: int) -> dict[str, Any]:
    job = _job(conn, job_id)
    circuit = CIRCUITS.one(conn, {"site": None}, job["circuit_id"]) if job["circuit_id"] else None
    fluid = _fluid(circuit)
    phases = lists.phases(conn, job_id)
    rows = HOLD_TESTS.page(conn, {**ANY_HOLD, "job": job_id, "withdrawn": False}, None, 50)
    serving = [item for item in lists.serving(conn, job_id) if item["role"] == Role.GAUGE]
    accuracies = {item["instrument_id"]: item["accuracy"] for item in serving}
    holds = [_card(conn, row, fluid, accuracies) for row in rows]
    return {
        "job": job,
        "circuit": circuit,
        "fluid": fluid,
        "holds": sorted(holds, key=lambda card: card.started_at, reverse=True),
        "accuracy": _accuracy(serving),
        "told": _teller(job, [card.hold for card in holds], accuracies),
        "phases": list(reversed(phases)),
        "breaks": breaks_in(phases),
        "events": lists.timeline(conn, job_id, MOST_EVENTS),
        "alerts": [alert_view(row) for row in ALERTS.page(conn, {**LIVE, "job": job_id}, None, 20)],
    }


def _pull(ctx: Context, row: BoardRow, figures: Figures) -> PullCard | None:
    if row.pull is None:
        return None
    left = unkept(row, ctx.clock.now_us(), clock_speed(ctx.clock))
    seen = pull_view(row.pull, Quantities(figures=figures), left)
    return PullCard(row.pull, seen, line(row.pull, figures, row.time_zone, left))


def _teller(
    job: dict[str, Any], holds: Sequence[HoldTest], accuracies: Mapping[int, float]
) -> Callable[..., list[TextFigure]]:
    """Finds the figures of sentences about this job; what is stored in full is taken from there."""
    readings = [value for hold in holds for value in (hold.start_pa, hold.last_pa, hold.highest_pa)]
    settings = [job["target_pa"], job["limit_pa"], *(hold.limit_pa for hold in holds)]

    def told(text: str, card: HoldCard | None = None) -> list[TextFigure]:
        accuracy = max(accuracies.values(), default=None) if card is None else card.accuracy
        return find(text, readings, settings, accuracy)

    return told


def _card(
    conn: Connection, row: dict[str, Any], fluid: Refrigerant | None, accuracies: Mapping[int, float]
) -> HoldCard:
    hold = decode(row["detail"])
    return HoldCard(
        id=row["id"],
        revision=row["revision"],
        hold=hold,
        started_at=row["started_at"],
        decided_at=row["decided_at"],
        forecast=None if hold.forecast is None else forecast_view(hold.forecast),
        accuracy=accuracies.get(hold.deciding_instrument_id or 0),
        loss=_loss(hold, fluid),
        leak_loss=_leak_loss(hold.diagnosis, fluid),
        revisions=lists.revisions(conn, row["id"]),
    )


def _fluid(circuit: dict[str, Any] | None) -> Refrigerant | None:
    return listed(circuit["refrigerant"]) if circuit else None


def _loss(hold: HoldTest, fluid: Refrigerant | None) -> tuple[float, float, str] | None:
    """A range, never a single figure: the shape of a leak is not known."""
    if hold.smallest_leak_pa_m3_per_s is None or fluid is None:
        return None
    loss = refrigerant_loss(hold.smallest_leak_pa_m3_per_s, fluid)
    return SECONDS_A_YEAR * loss.low_kg_s, SECONDS_A_YEAR * loss.high_kg_s, loss.assumptions


def _leak_loss(diagnosis: Diagnosis | None, fluid: Refrigerant | None) -> tuple[float, float] | None:
    leak = None if diagnosis is None else diagnosis.leak_pa_m3_per_s
    if leak is None or fluid is None or leak.high <= 0:
        return None
    least = 0.0 if leak.low <= 0 else refrigerant_loss(leak.low, fluid).low_kg_s
    return SECONDS_A_YEAR * least, SECONDS_A_YEAR * refrigerant_loss(leak.high, fluid).high_kg_s

"""Two guided checks at the site: the rig alone, and finding a leak by cutting off section after section."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from fastapi import APIRouter, Request
from starlette.responses import RedirectResponse, Response

from api.context import Context, Ctx
from api.conventions import THIN
from api.figures import Figures
from api.pages import render
from api.pages.after import see
from api.pages.setup.forms import Typed
from api.permissions import MayRunJobs
from api.quantities import Quantities
from api.reader import figures_of
from api.site_checks import Course, course_of, sections_of
from api.site_view import SiteView, site_view
from desk.core.section_check import SHORTEST_S, USUAL_S, Finding, Rise, compare, conclusion, rig_words, rise
from model.clock import US, to_datetime
from model.errors import BadInput
from model.reading import Quantity
from physics.units import MICRON_PA
from store import notes
from store.database import Connection
from store.series import Span, read

router = APIRouter(prefix="/jobs/{job_id}/site")

HEALTHY_PA = 50.0 * MICRON_PA
"""A healthy two-stage pump, blanked off: 50 micron or less. Common practice, no source."""
BEFORE_S = 600
MOST_POINTS = 1000
WORDS = {
    Finding.IN_IT: "the rise ends without it: look there",
    Finding.NOT_IN_IT: "the rest rises as before: not there",
    Finding.OPEN: "not to be told",
}


@dataclass(frozen=True, slots=True)
class Watched:
    """A stretch as the page shows it."""

    name: str
    since: datetime
    rise: Rise | None
    words: str


@router.get("/rig")
def rig(request: Request, ctx: Ctx, person: MayRunJobs, job_id: int) -> Response:
    """Prove the rig alone."""
    return _page(request, ctx, job_id, "rig")


@router.post("/rig")
def rig_act(request: Request, ctx: Ctx, person: MayRunJobs, job_id: int, typed: Typed) -> Response:
    """Begin, read, or keep the result."""
    return _act(request, ctx, person.id, job_id, "rig", typed)


@router.get("/find")
def find(request: Request, ctx: Ctx, person: MayRunJobs, job_id: int) -> Response:
    """Find a leak by sections."""
    return _page(request, ctx, job_id, "find")


@router.post("/find")
def find_act(request: Request, ctx: Ctx, person: MayRunJobs, job_id: int, typed: Typed) -> Response:
    """Name the sections, begin, read, or keep the result."""
    return _act(request, ctx, person.id, job_id, "find", typed)


def _course(request: Request, kind: str, now_us: int) -> Course:
    asked = request.query_params
    sections = asked.getlist("s") if kind == "find" else []
    return course_of(sections, asked.getlist("t"), now_us)


def _act(
    request: Request, ctx: Context, person_id: int, job_id: int, kind: str, typed: dict[str, str]
) -> Response:
    now_us = ctx.clock.now_us()
    try:
        course = _course(request, kind, now_us)
        if "sections" in typed:
            course = Course(sections_of(typed["sections"].splitlines()))
            if not course.sections:
                raise BadInput("Name at least one section.", field="sections")
    except BadInput as error:
        return _page(request, ctx, job_id, kind, str(error), typed.get("sections", ""))
    act = typed.get("act", "")
    if act == "keep":
        with ctx.database() as conn:
            seen = _seen(request, ctx, conn, job_id)
            watched = _watch(conn, seen, course, now_us, figures_of(request), kind)
            notes.add(conn, job_id, person_id, ctx.now(), _note(kind, seen, course, watched, conn))
        return see(f"/jobs/{job_id}/site#notes", "noted")
    if act == "begin":
        course = course.begun(now_us)
    elif act == "read":
        course = course.ended(now_us)
    elif act == "again":
        course = course.again()
    return RedirectResponse(f"/jobs/{job_id}/site/{kind}?{course.query}", 303)


def _seen(request: Request, ctx: Context, conn: Connection, job_id: int) -> SiteView:
    return site_view(conn, ctx.clock, job_id, Quantities(figures=figures_of(request)))


def _page(
    request: Request, ctx: Context, job_id: int, kind: str, problem: str = "", typed: str = ""
) -> Response:
    now_us = ctx.clock.now_us()
    course = Course()
    if not problem:
        try:
            course = _course(request, kind, now_us)
        except BadInput as error:
            problem = str(error)
    with ctx.database() as conn:
        seen = _seen(request, ctx, conn, job_id)
        watched = _watch(conn, seen, course, now_us, figures_of(request), kind)
        said = _said(kind, seen, course, watched, conn) if course.over else ""
    running = course.running
    names = ["the rig alone"] if kind == "rig" else ["the whole", *course.sections]
    return render(
        request,
        "jobs/check.html",
        422 if problem else 200,
        kind=kind,
        seen=seen,
        job=seen.job,
        course=course,
        watched=watched,
        coming=names[len(watched)] if len(watched) < len(names) else "",
        begun=None if running is None else to_datetime(running.start_s * US),
        ready=running is not None and now_us // US - running.start_s >= SHORTEST_S,
        usual_min=round(USUAL_S / 60),
        least_min=round(SHORTEST_S / 60),
        healthy_pa=HEALTHY_PA,
        said=said,
        problem=problem,
        typed=typed,
    )


def _readings(
    conn: Connection, seen: SiteView, since_us: int, until_us: int
) -> tuple[list[int], list[float]]:
    if seen.gauge is None:
        return [], []
    window = (to_datetime(since_us), to_datetime(until_us + US))
    series = read(conn, Span(seen.gauge.instrument_id, Quantity.PRESSURE, *window), MOST_POINTS, 60.0)
    return [round(at.timestamp() * US) for at in series.times], list(series.values)


def _watch(
    conn: Connection, seen: SiteView, course: Course, now_us: int, figures: Figures, kind: str
) -> list[Watched]:
    names = (
        ["The rig alone"] if kind == "rig" else ["The whole", *(f"Without {one}" for one in course.sections)]
    )
    found: list[Watched] = []
    for name, one in zip(names, course.stretches, strict=False):
        start_us, end_us = one.start_s * US, one.end_us(now_us)
        risen = rise(*_readings(conn, seen, start_us, end_us), start_us, end_us)
        words = _in_words(risen, figures)
        if found and risen is not None and found[0].rise is not None and one.end_s is not None:
            words += f"; {WORDS[compare(found[0].rise, risen)]}"
        found.append(Watched(name, to_datetime(start_us), risen, words))
    return found


def _in_words(risen: Rise | None, figures: Figures) -> str:
    if risen is None:
        return "too few readings or too short to tell"
    if not risen.told:
        return "no rise that can be told"
    rate, error = figures.pressure_rate(risen.pa_per_s), figures.pressure_rate(risen.error_pa_per_s)
    return f"rises by {rate}, give or take {error}"


def _said(kind: str, seen: SiteView, course: Course, watched: list[Watched], conn: Connection) -> str:
    whole = watched[0].rise
    if whole is None:
        return "There were too few readings to tell anything. Watch again for longer."
    if kind == "rig":
        start_us = course.stretches[0].start_s * US
        _, values = _readings(conn, seen, start_us - BEFORE_S * US, start_us)
        return rig_words(whole, min(values, default=None), HEALTHY_PA)
    rest = list(zip(course.sections, watched[1:], strict=False))
    found = [(name, Finding.OPEN if one.rise is None else compare(whole, one.rise)) for name, one in rest]
    return conclusion(whole, found)


def _note(kind: str, seen: SiteView, course: Course, watched: list[Watched], conn: Connection) -> str:
    head = "Rig tested alone." if kind == "rig" else "Isolated by sections."
    lines = [f"{one.name}: {one.words}." for one in watched]
    said = _said(kind, seen, course, watched, conn) if course.over else "Not finished."
    # Notes are plain text: narrow spaces of figures become plain ones.
    return "\n".join([head, *lines, said]).replace(THIN, " ")

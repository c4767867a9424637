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
from api.routes.job_changes import actor
from api.site_view import SiteView, site_view
from desk.core.section_check import SHORTEST_S, USUAL_S, Finding, Rise, compare, conclusion, rig_words, rise
from model.clock import US, to_datetime
from model.errors import BadInput, NotFound
from model.guided_check import LONGEST_US, Check, Course, Press, course_of, sections_of
from model.preflight import ProofKind
from model.reading import Quantity
from physics.units import MICRON_PA
from store import checks, notes, proofs
from store.acting import Actor
from store.database import Connection
from store.series import Span, read

router = APIRouter(prefix="/jobs/{job_id}/site")

UNDO = "undo"

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
    return _page(request, ctx, job_id, Check.RIG)


@router.post("/rig")
def rig_act(request: Request, ctx: Ctx, person: MayRunJobs, job_id: int, typed: Typed) -> Response:
    """Begin, read, keep the result, or take a press back."""
    return _act(request, ctx, actor(ctx, person), job_id, Check.RIG, typed)


@router.get("/find")
def find(request: Request, ctx: Ctx, person: MayRunJobs, job_id: int) -> Response:
    """Find a leak by sections."""
    return _page(request, ctx, job_id, Check.FIND)


@router.post("/find")
def find_act(request: Request, ctx: Ctx, person: MayRunJobs, job_id: int, typed: Typed) -> Response:
    """Name the sections, begin, read, keep the result, or take a press back."""
    return _act(request, ctx, actor(ctx, person), job_id, Check.FIND, typed)


def _act(
    request: Request, ctx: Context, by: Actor, job_id: int, check: Check, typed: dict[str, str]
) -> Response:
    act, seen = typed.get("act", ""), typed.get("seen", "0")
    number = int(seen) if seen.isdecimal() and len(seen) <= 9 else 0
    try:
        with ctx.database() as conn:
            if act == UNDO:
                checks.undo(conn, job_id, check, number, by)
            elif act in list(Press):
                _press(request, ctx, conn, by, job_id, check, Press(act), number, typed)
    except BadInput as error:
        if isinstance(error, NotFound):
            raise
        return _page(request, ctx, job_id, check, error, typed.get("sections", ""))
    if act == Press.KEEP:
        return see(f"/jobs/{job_id}/site#notes", "noted")
    return RedirectResponse(f"/jobs/{job_id}/site/{check}", 303)


def _press(
    request: Request,
    ctx: Context,
    conn: Connection,
    by: Actor,
    job_id: int,
    check: Check,
    press: Press,
    seen: int,
    typed: dict[str, str],
) -> None:
    sections = sections_of(typed.get("sections", "").splitlines()) if press is Press.NAME else ()
    if press is Press.KEEP:
        site, course = _seen(request, ctx, conn, job_id), course_of(checks.steps(conn, job_id, check))
        watched = _watch(conn, site, course, by.at_us, figures_of(request), check)
        if watched:
            notes.add(conn, job_id, by.person_id, ctx.now(), _note(check, site, course, watched, conn))
            risen = watched[0].rise
            if check is Check.RIG and course.over and risen is not None:
                _prove(conn, job_id, by, risen, _said(check, site, course, watched, conn))
    checks.press(conn, job_id, check, press, seen, by, sections=sections)


def _seen(request: Request, ctx: Context, conn: Connection, job_id: int) -> SiteView:
    return site_view(conn, ctx.clock, job_id, Quantities(figures=figures_of(request)))


def _page(
    request: Request,
    ctx: Context,
    job_id: int,
    check: Check,
    error: BadInput | None = None,
    typed: str = "",
) -> Response:
    now_us = ctx.clock.now_us()
    with ctx.database() as conn:
        seen = _seen(request, ctx, conn, job_id)
        steps = checks.steps(conn, job_id, check)
        course = course_of(steps)
        watched = _watch(conn, seen, course, now_us, figures_of(request), check)
        said = _said(check, seen, course, watched, conn) if course.over else ""
    running = course.running
    names = ["the rig alone"] if check is Check.RIG else ["the whole", *course.sections]
    return render(
        request,
        "jobs/check.html",
        200 if error is None else error.status,
        kind=check,
        seen=seen,
        job=seen.job,
        course=course,
        steps=steps,
        watched=watched,
        coming=names[len(watched)] if len(watched) < len(names) else "",
        begun=None if running is None else to_datetime(running.start_us),
        ready=running is not None and now_us - running.start_us >= SHORTEST_S * US,
        full=running is not None and now_us - running.start_us >= LONGEST_US,
        fresh=course == Course(),
        last=to_datetime(steps[-1].at_us) if steps else None,
        usual_min=round(USUAL_S / 60),
        least_min=round(SHORTEST_S / 60),
        healthy_pa=HEALTHY_PA,
        said=said,
        problem="" if error is None else str(error),
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
    conn: Connection, seen: SiteView, course: Course, now_us: int, figures: Figures, check: Check
) -> list[Watched]:
    without = [f"Without {one}" for one in course.sections]
    names = ["The rig alone"] if check is Check.RIG else ["The whole", *without]
    found: list[Watched] = []
    for name, one in zip(names, course.stretches, strict=False):
        start_us, end_us = one.start_us, one.end_us(now_us)
        risen = rise(*_readings(conn, seen, start_us, end_us), start_us, end_us)
        words = _in_words(risen, figures)
        if found and risen is not None and found[0].rise is not None and one.ended_us is not None:
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


def _said(check: Check, seen: SiteView, course: Course, watched: list[Watched], conn: Connection) -> str:
    whole = watched[0].rise
    if whole is None:
        return "There were too few readings to tell anything. Watch again for longer."
    if check is Check.RIG:
        start_us = course.stretches[0].start_us
        _, values = _readings(conn, seen, start_us - BEFORE_S * US, start_us)
        return rig_words(whole, min(values, default=None), HEALTHY_PA)
    rest = list(zip(course.sections, watched[1:], strict=False))
    found = [(name, Finding.OPEN if one.rise is None else compare(whole, one.rise)) for name, one in rest]
    return conclusion(whole, found)


def _prove(conn: Connection, job_id: int, by: Actor, risen: Rise, said: str) -> None:
    """Keep what the rig has shown, for the checks before leaving."""
    proofs.keep(
        conn,
        ProofKind.RIG,
        by.at_us,
        job_id=job_id,
        person_id=by.person_id,
        passed=not risen.told,
        text=said.replace(THIN, " "),
    )


def _note(check: Check, seen: SiteView, course: Course, watched: list[Watched], conn: Connection) -> str:
    head = "Rig tested alone." if check is Check.RIG else "Isolated by sections."
    lines = [f"{one.name}: {one.words}." for one in watched]
    said = _said(check, seen, course, watched, conn) if course.over else "Not finished."
    # Notes are plain text: narrow spaces of figures become plain ones.
    return "\n".join([head, *lines, said]).replace(THIN, " ")

"""Many at once from a table, with a dry run first."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Literal

from fastapi import APIRouter, File, Form, Request, UploadFile
from starlette.responses import Response

from api.context import Context, Ctx
from api.pages import render
from api.permissions import MayEquip, MayRunJobs
from api.routes.job_changes import actor
from api.routes.places import by_of
from api.routes.setup import decoded
from model.errors import BadInput, NotAllowed
from model.rights import MEANING, Right
from store import bulk, job_table
from store.bulk import Outcome
from store.people import Person

# A browser sends the table in a field of the form, with two characters at the end of each line.
router = APIRouter(form_limits={"max_part_size": 2 * bulk.MOST_BYTES})

KindName = Literal["site", "circuit", "crew", "gateway", "instrument", "procedure"]
RIGHT = {"gateway": Right.GATEWAYS, "procedure": Right.PROCEDURES}
"""What a table of these takes beside the right to set up equipment."""
JOB = "job"
PLURAL = {name: f"{name}s" for name in (*bulk.KINDS, JOB)}


def _page(
    request: Request,
    kind: str,
    *,
    table: str = "",
    problem: str = "",
    outcome: Outcome | None = None,
    numbers: Mapping[int, int] | None = None,
) -> Response:
    what = bulk.KINDS.get(kind)
    columns, needed, example = (
        (what.columns, what.needed, what.example)
        if what
        else (job_table.COLUMNS, job_table.NEEDED, job_table.EXAMPLE)
    )
    bad = bool(problem) or (outcome is not None and bool(outcome.bad))
    return render(
        request,
        "setup/table.html",
        422 if bad else 200,
        kind=kind,
        plural=PLURAL[kind],
        columns=columns,
        needed=needed,
        example=example,
        numbers=numbers or {},
        table=table,
        problem=problem,
        outcome=outcome,
    )


@router.get("/setup/import/job")
def upload_jobs(request: Request, ctx: Ctx, person: MayRunJobs) -> Response:
    """The form for a table of planned jobs, which takes the right to open one."""
    return _page(request, JOB)


@router.post("/setup/import/job")
def take_jobs(
    request: Request,
    ctx: Ctx,
    person: MayRunJobs,
    file: Annotated[UploadFile | None, File()] = None,
    table: Annotated[str, Form()] = "",
    act: Annotated[str, Form()] = "try",
) -> Response:
    """Try a table of planned jobs, or open them."""
    try:
        table = _text(file, table)
        with ctx.database() as conn:
            outcome, numbers = job_table.run(conn, table, actor(ctx, person), dry_run=act != "import")
    except BadInput as error:
        return _page(request, JOB, table=table.replace("\0", ""), problem=str(error))
    return _page(request, JOB, table="" if outcome.applied else table, outcome=outcome, numbers=numbers)


def _text(file: UploadFile | None, table: str) -> str:
    if file is not None and file.filename:
        return decoded(file.file.read(bulk.MOST_BYTES + 1))
    return table


@router.get("/setup/import/{kind}")
def upload(request: Request, ctx: Ctx, person: MayEquip, kind: KindName) -> Response:
    """The form for a table."""
    _check(person, kind)
    return _page(request, kind)


@router.post("/setup/import/{kind}")
def take(
    request: Request,
    ctx: Ctx,
    person: MayEquip,
    kind: KindName,
    file: Annotated[UploadFile | None, File()] = None,
    table: Annotated[str, Form()] = "",
    act: Annotated[str, Form()] = "try",
) -> Response:
    """Try a table, or import it; without JavaScript the table itself travels along in the page."""
    _check(person, kind)
    try:
        table = _text(file, table)
        outcome = _run(ctx, person, kind, table, dry_run=act != "import")
    except BadInput as error:
        return _page(request, kind, table=table.replace("\0", ""), problem=str(error))
    return _page(request, kind, table="" if outcome.applied else table, outcome=outcome)


def _run(ctx: Context, person: Person, kind: str, table: str, *, dry_run: bool) -> Outcome:
    with ctx.database() as conn:
        return bulk.run(conn, kind, table, by_of(ctx, person), dry_run=dry_run)


def _check(person: Person, kind: str) -> None:
    right = RIGHT.get(kind)
    if right is not None and right not in person.rights:
        raise NotAllowed(f"{person.limits} {MEANING[right]}; that takes the right “{right}”.")

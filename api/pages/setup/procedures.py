"""Procedures: every number of the rule, where it comes from, and the smallest leak that it can show."""

from __future__ import annotations

from fastapi import APIRouter, Request
from starlette.responses import Response

from api.context import Context, Ctx
from api.pages import render
from api.pages.after import see
from api.pages.setup.forms import Field, Form, Typed, errors_of
from api.pages.setup.search import listed
from api.permissions import MayEquip, MaySetProcedures
from api.reader import figures_of, texts_of
from api.routes.places import Number, by_of, found
from model import quantities
from model.errors import BadInput, NotFound
from model.procedure import Procedure
from model.records import read_procedure, write_procedure
from store import audit, procedures
from store.lists import PROCEDURES

router = APIRouter()

MOST_SHOWN = 500
NUMBERS = (
    Field("target", "Target", "absolute, with its unit: 500 micron, 66.7 Pa, 0.5 Torr", required=True),
    Field("dwell", "Dwell", "how long the target must be held before the valve closes: 60 s, 5 min"),
    Field("hold", "Length of the hold", "from the valve's closing on: 30 min, 10 h", required=True),
    Field("settle", "Settling time", "until the start value is taken; longer with long thin pipe"),
    Field("limit", "Permitted pressure", "absolute; this or the rise, or both: the stricter wins"),
    Field("rise", "Permitted rise", "above the start value"),
    Field("persistence", "Over for", "how long the pressure must be over the limit for a fail: 60 s"),
    Field("median", "Median over", "the filtered pressure is the median of the readings of this long: 60 s"),
    Field("breaks", "Breaks", "with dry nitrogen before the last pull: 0, or 2 for triple evacuation"),
    Field("patience", "Patience", "how long missing readings of a finished hold are awaited: 24 h"),
    Field("origin", "Origin", "where the numbers come from: contract, code, manual, own practice", lines=3,
          required=True),
)  # fmt: skip
NAME = Field("name", "Name", "one of a known name becomes its next version", required=True)
USUAL = {
    "dwell": "60 s",
    "settle": "2 min",
    "persistence": "60 s",
    "median": "60 s",
    "breaks": "0",
    "patience": "24 h",
}
USUAL_VOLUME = "10 l"


def _volume(request: Request) -> tuple[str, float | None, str]:
    """What the reader typed for a volume, what it is, and what is wrong with it."""
    text = request.query_params.get("volume", USUAL_VOLUME).strip()[:40]
    if not text:
        return "", None, ""
    try:
        decimal = figures_of(request).conventions.decimal
        value = quantities.volume(quantities.pointed(text, decimal, "volume"), "volume")
    except BadInput as error:
        return text, None, str(error)
    if not 0 < value < 10_000:
        return text, None, "The volume must lie above zero and below 10,000 m³."
    return text, value, ""


def _list(request: Request, ctx: Context, form: Form, status: int = 200) -> Response:
    text, volume, problem = _volume(request)
    with ctx.database() as conn:
        rows, search = listed(request, conn, PROCEDURES, {"every_version": False}, MOST_SHOWN)
        default = conn.execute("SELECT id, name, version FROM procedure WHERE is_default").fetchone()
        jobs = {
            row["name"]: row["n"]
            for row in conn.execute(
                "SELECT p.name, count(*) AS n FROM job j JOIN procedure p ON p.id = j.procedure_id GROUP BY 1"
            )
        }
    shown = [(procedures.from_row(row), row["is_default"]) for row in rows]
    shown.sort(key=lambda pair: pair[0].smallest_rise_pa_per_s or 0.0, reverse=True)
    return render(
        request,
        "setup/procedures.html",
        422 if problem and status == 200 else status,
        rows=shown,
        search=search,
        form=form,
        jobs=jobs,
        default=default,
        volume=volume,
        volume_text=text,
        volume_problem=problem,
    )


def _empty(values: dict[str, str], errors: dict[str, str] | None = None) -> Form:
    return Form((NAME, *NUMBERS), values, "/setup/procedures", "Add procedure", errors or {})


@router.get("/setup/procedures")
def all_procedures(request: Request, ctx: Ctx, person: MayEquip) -> Response:
    """The newest version of each procedure, the laxest first, with what each can show."""
    return _list(request, ctx, _empty(USUAL))


@router.post("/setup/procedures")
def add_procedure(request: Request, ctx: Ctx, person: MaySetProcedures, typed: Typed) -> Response:
    """Add a procedure."""
    try:
        wanted = read_procedure(texts_of(request, typed))
        with ctx.database() as conn:
            made = procedures.add(conn, wanted, by=by_of(ctx, person))
    except BadInput as error:
        return _list(request, ctx, _empty(typed, errors_of(error)), 422)
    return see(f"/setup/procedures/{made.id}", "added")


def _one(
    request: Request,
    ctx: Context,
    number: int,
    status: int = 200,
    *,
    edit: Form | None = None,
    stray: str = "",
) -> Response:
    text, volume, problem = _volume(request)
    with ctx.database() as conn:
        row = found(conn, PROCEDURES, "procedure", number, every_version=True)
        shown: Procedure = procedures.from_row(row)
        versions = procedures.versions(conn, shown.name)
        history = audit.history(conn, f"procedure:{number}")
    figures = figures_of(request)
    values = write_procedure(shown, figures.units.pressure, figures.conventions.decimal)
    edit = edit or Form(NUMBERS, values, f"/setup/procedures/{number}", "Save as a new version")
    return render(
        request,
        "setup/procedure.html",
        422 if problem and status == 200 else status,
        procedure=shown,
        is_default=row["is_default"],
        versions=versions,
        newest=versions[0]["id"] == number,
        history=history,
        edit=edit,
        volume=volume,
        volume_text=text,
        volume_problem=problem,
        stray=stray,
    )


@router.get("/setup/procedures/{number}")
def procedure(request: Request, ctx: Ctx, person: MayEquip, number: Number) -> Response:
    """One version of a procedure."""
    return _one(request, ctx, number)


@router.post("/setup/procedures/{number}")
def change_procedure(
    request: Request, ctx: Ctx, person: MaySetProcedures, number: Number, typed: Typed
) -> Response:
    """Make a new version with other numbers; what jobs were given stays."""
    try:
        with ctx.database() as conn:
            before = procedures.by_id(conn, number)
            wanted = read_procedure(texts_of(request, {**typed, "name": before.name}), before)
            made = procedures.add(conn, wanted, by=by_of(ctx, person))
    except NotFound:
        raise
    except BadInput as error:
        action = f"/setup/procedures/{number}"
        form = Form(NUMBERS, typed, action, "Save as a new version", errors_of(error))
        return _one(request, ctx, number, 422, edit=form)
    return see(f"/setup/procedures/{made.id}", "added")


@router.post("/setup/procedures/{number}/default")
def choose_default(ctx: Ctx, person: MaySetProcedures, number: Number) -> Response:
    """Let walk-up jobs get this one."""
    with ctx.database() as conn:
        procedures.choose_default(conn, number, by_of(ctx, person))
    return see(f"/setup/procedures/{number}")


@router.post("/setup/procedures/{number}/delete")
def delete_procedure(request: Request, ctx: Ctx, person: MaySetProcedures, number: Number) -> Response:
    """Delete a version that no job was given."""
    try:
        with ctx.database() as conn:
            procedures.delete(conn, number, by_of(ctx, person))
    except NotFound:
        raise
    except BadInput as error:
        return _one(request, ctx, number, 409, stray=str(error))
    return see("/setup/procedures", "deleted")

"""What the company puts on its records."""

from __future__ import annotations

from fastapi import APIRouter, Request
from starlette.responses import Response

from api import conventions, words
from api.context import Context, Ctx
from api.pages import render
from api.pages.after import see
from api.pages.setup.forms import Field, Form, Typed, errors_of
from api.permissions import MayEquip
from api.routes.places import by_of
from model.errors import BadInput
from store import audit, company
from store.company import Company
from store.preferences import PRESSURE, TEMPERATURE, VOLUME

router = APIRouter()

PAPERS = (("a4", "A4"), ("letter", "Letter"))
FIELDS = (
    Field("name", "Name", "as it stands at the head of a record"),
    Field("address", "Address", "up to five lines", lines=4),
    Field("pressure_unit", "Pressures in", choices=tuple((one, words.UNIT_NAMES[one]) for one in PRESSURE)),
    Field("temperature_unit", "Temperatures in", choices=tuple((one, one) for one in TEMPERATURE)),
    Field("volume_unit", "Volumes in", choices=tuple((one, words.UNIT_NAMES[one]) for one in VOLUME)),
    Field("locale", "Numbers and dates as in", choices=tuple(words.LOCALES.items())),
    Field("paper", "Paper", choices=PAPERS),
)


def _page(request: Request, ctx: Context, form: Form, status: int = 200) -> Response:
    with ctx.database() as conn:
        history = audit.history(conn, "company")
    return render(request, "setup/company.html", status, form=form, history=history)


@router.get("/setup/company")
def read(request: Request, ctx: Ctx, person: MayEquip) -> Response:
    """What is written down."""
    with ctx.database() as conn:
        known = audit.of(company.of(conn))
    return _page(request, ctx, _form({name: str(value) for name, value in known.items()}))


@router.post("/setup/company")
def write(request: Request, ctx: Ctx, person: MayEquip, typed: Typed) -> Response:
    """Write it down."""
    given = {name: typed[name] for name in company.COLUMNS if name in typed}
    try:
        conventions.check(given.get("locale"))
        with ctx.database() as conn:
            company.keep(conn, Company(**given), by_of(ctx, person))
    except BadInput as error:
        return _page(request, ctx, _form(typed, error), 422)
    return see("/setup/company", "saved")


def _form(values: dict[str, str], error: BadInput | None = None) -> Form:
    return Form(FIELDS, values, "/setup/company", "Save", {} if error is None else errors_of(error))

"""The page where somebody chooses how figures are written."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from typing import Annotated, Any

from fastapi import APIRouter, Form, Request
from starlette.responses import Response

from api.context import Ctx
from api.conventions import SI, Conventions, asked_for, check, of_tag
from api.pages import render
from api.pages.after import see
from api.permissions import Oneself
from api.reader import figures_of
from api.words import LOCALES
from model.errors import BadInput
from physics.units import MICRON_PA
from store import preferences
from store.preferences import PRESSURE, TEMPERATURE, VOLUME, Preferences

router = APIRouter()

NONE = "none"
BROWSER = "browser"
OTHER = "other"
SAMPLE_PA = 503.2 * MICRON_PA
SAMPLE_K = 294.45
SAMPLE_M3 = 0.012
STANDARD_PA = 101_325.0
AFTERNOON = datetime(2026, 11, 24, 14, 5, tzinfo=UTC)

Field = Annotated[str, Form(max_length=60)]


@router.get("/me/figures")
def figures_page(request: Request, ctx: Ctx, person: Oneself) -> Response:
    """Units, locale, steps or exact."""
    with ctx.database() as conn:
        chosen = preferences.of(conn, person.id)
    return _page(request, _written(chosen))


@router.post("/me/figures")
def choose(
    request: Request,
    ctx: Ctx,
    person: Oneself,
    pressure_unit: Field = "",
    beside_unit: Field = NONE,
    temperature_unit: Field = "",
    volume_unit: Field = "",
    locale: Field = BROWSER,
    other_locale: Field = "",
    exact: Field = "",
) -> Response:
    """Choose, by the plain form."""
    tag = other_locale.strip() if locale == OTHER else None if locale == BROWSER else locale
    wanted: dict[str, Any] = {
        "pressure_unit": pressure_unit,
        "beside_unit": None if beside_unit == NONE else beside_unit,
        "temperature_unit": temperature_unit,
        "volume_unit": volume_unit,
        "locale": tag,
        "exact": bool(exact),
    }
    try:
        check(tag)
        with ctx.database() as conn:
            preferences.keep(conn, person.id, preferences.of(conn, person.id).changed(wanted))
    except BadInput as error:
        typed = {**wanted, "beside_unit": beside_unit, "locale": locale, "other_locale": other_locale}
        return _page(request, typed, problem=str(error), field=error.field)
    return see("/me/figures")


def _written(chosen: Preferences) -> dict[str, Any]:
    """What was chosen as the form has it."""
    listed = chosen.locale is None or chosen.locale in LOCALES
    return {
        "pressure_unit": chosen.pressure_unit,
        "beside_unit": chosen.beside_unit or NONE,
        "temperature_unit": chosen.temperature_unit,
        "volume_unit": chosen.volume_unit,
        "locale": (chosen.locale or BROWSER) if listed else OTHER,
        "other_locale": "" if listed else chosen.locale,
        "exact": chosen.exact,
    }


def _sample(conventions: Conventions | None) -> str:
    """How a locale writes the number 12 345.5 and an afternoon in November."""
    signs = conventions or SI
    return f"{signs.write(123455, -1)} · {signs.moment(AFTERNOON, year=False)}"


def _page(request: Request, typed: dict[str, Any], problem: str = "", field: str | None = None) -> Response:
    figures = figures_of(request)
    browser = asked_for(request.headers.get("accept-language"))
    steps = replace(figures, chosen=replace(figures.chosen, exact=False))
    return render(
        request,
        "figures.html",
        422 if problem else 200,
        typed=typed,
        pressure_units=PRESSURE,
        temperature_units=TEMPERATURE,
        volume_units=VOLUME,
        locales=[(tag, name, _sample(of_tag(tag))) for tag, name in LOCALES.items()],
        browser=(browser.tag, _sample(browser)),
        sample_pa=SAMPLE_PA,
        standard_pa=STANDARD_PA,
        sample_k=SAMPLE_K,
        sample_m3=SAMPLE_M3,
        in_steps=steps.pressure_text(SAMPLE_PA),
        problem=problem,
        field=field,
    )

"""How somebody reads figures."""

from __future__ import annotations

from dataclasses import asdict

from fastapi import APIRouter
from pydantic import BaseModel, Field

from api.asked import Asked
from api.context import Ctx
from api.conventions import check
from api.permissions import Oneself
from api.problems import errors_of
from store import preferences
from store.preferences import PRESSURE, TEMPERATURE, VOLUME, Preferences

router = APIRouter(tags=["oneself"])


class PreferencesView(BaseModel):
    """Units, locale, and steps or exact: on every page, and in the API where nothing else is asked for."""

    pressure_unit: str = Field(description=f"One of {', '.join(PRESSURE)}.")
    beside_unit: str | None = Field(description="A second unit of pressure on the pages; null: none.")
    temperature_unit: str = Field(description=f"On the pages: {' or '.join(TEMPERATURE)}.")
    volume_unit: str = Field(description=f"On the pages: {' or '.join(VOLUME)}.")
    locale: str | None = Field(
        description="How numbers and dates are written: a BCP 47 tag such as de-DE, `si`, or null for what "
        "the browser asks for. The language stays English."
    )
    exact: bool = Field(description="Readings as stored instead of in steps that the gauge supports.")
    chosen: bool = Field(description="False: these are what everybody begins with, and the API gives Pa.")


class PreferencesChange(Asked):
    """What is to change; what is left out stays."""

    pressure_unit: str = Field("", examples=["hPa"])
    beside_unit: str | None = Field(None, examples=["Pa"])
    temperature_unit: str = Field("", examples=["°C"])
    volume_unit: str = Field("", examples=["L"])
    locale: str | None = Field(None, examples=["de-DE"])
    exact: bool = False


@router.get("/me/preferences", responses=errors_of(401, 403, 503))
def get_preferences(ctx: Ctx, person: Oneself) -> PreferencesView:
    """How the reader reads figures."""
    with ctx.database() as conn:
        return _view(preferences.of(conn, person.id))


@router.patch("/me/preferences", responses=errors_of(401, 403, 422, 503))
def change_preferences(ctx: Ctx, person: Oneself, change: PreferencesChange) -> PreferencesView:
    """Choose. It changes what is shown everywhere, and nothing that is stored."""
    wanted = change.model_dump(exclude_unset=True)
    check(wanted.get("locale"))
    with ctx.database() as conn:
        chosen = preferences.of(conn, person.id).changed(wanted)
        preferences.keep(conn, person.id, chosen)
    return _view(chosen)


def _view(chosen: Preferences) -> PreferencesView:
    return PreferencesView.model_validate(asdict(chosen))

"""Who reads: the figures of a request, from what the person chose, the browser's language and time zone."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import replace
from functools import lru_cache
from typing import Annotated
from urllib.parse import unquote
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from fastapi import Depends, Request

from api.context import get_context
from api.conventions import SI, asked_for, of_tag
from api.figures import Figures
from model.errors import Unavailable
from model.texts import Texts
from store import preferences
from store.people import Person
from store.preferences import NONE_CHOSEN, Preferences

ZONE_COOKIE = "holdfast_zone"
"""Set by the pages' script: the browser's time zone."""
EXACT = "exact"
_YES = ("1", "true", "yes", "")

_current: ContextVar[Figures] = ContextVar("figures")


def preferences_of(request: Request) -> Preferences:
    """What the person of a request chose; machines and who is not logged in chose nothing."""
    person: Person | None = getattr(request.state, "person", None)
    if person is None or person.scopes is not None:
        return NONE_CHOSEN
    try:
        with get_context(request).database() as conn:
            return preferences.of(conn, person.id)
    except Unavailable:
        # The page that says so is written, too.
        return NONE_CHOSEN


def figures_of(request: Request) -> Figures:
    """How figures are written for a request; ``?exact=true`` shows stored values in full."""
    kept: Figures | None = getattr(request.state, "figures", None)
    if kept is not None:
        return kept
    chosen = preferences_of(request)
    exact = request.query_params.get(EXACT)
    if exact is not None:
        chosen = replace(chosen, exact=exact.lower() in _YES)
    conventions = (
        of_tag(chosen.locale) if chosen.locale else asked_for(request.headers.get("accept-language"))
    )
    zone = _zone(unquote(request.cookies.get(ZONE_COOKIE, "")))
    made = Figures(chosen, conventions or SI, zone, get_context(request).now().year)
    request.state.figures = made
    return made


def texts_of(request: Request, typed: Mapping[str, str]) -> Texts:
    """What was typed into a form, in the reader's way of writing numbers."""
    return Texts(typed, figures_of(request).conventions.decimal)


@lru_cache(maxsize=256)
def _zone(name: str) -> str | None:
    try:
        return ZoneInfo(name).key if name else None
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return None


@contextmanager
def reading(figures: Figures) -> Iterator[None]:
    """Within it templates write for this reader, also in macros that know nothing of the request."""
    token = _current.set(figures)
    try:
        yield
    finally:
        _current.reset(token)


def current() -> Figures:
    """The figures of the page that is being written."""
    return _current.get()


Reader = Annotated[Figures, Depends(figures_of)]

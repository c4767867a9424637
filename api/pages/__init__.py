"""Pages: templates with what all of them share."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime
from http import HTTPStatus
from pathlib import Path
from typing import Any

from fastapi import Request
from jinja2 import Environment, FileSystemLoader, StrictUndefined, select_autoescape
from starlette.responses import HTMLResponse, Response

from api import assets, words
from api.board import BatteryView
from api.context import get_context
from api.conventions import THIN
from api.figures import NOTHING, Figures
from api.pages.after import COOKIE, done_before
from api.reader import current, figures_of, reading
from api.sentences import tell
from store.lists import unacknowledged

TEMPLATES = Path(__file__).parent.parent / "templates"
ERROR = "error.html"

_environment = Environment(
    loader=FileSystemLoader(TEMPLATES),
    autoescape=select_autoescape(),
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
    auto_reload=False,
)


def _writes(method: Callable[..., Any]) -> Callable[..., Any]:
    """A filter that writes for the reader of the page."""
    name = method.__name__

    def write(*args: Any, **options: Any) -> Any:
        return getattr(current(), name)(*args, **options)

    return write


def _battery(battery: BatteryView | None) -> str:
    if battery is None:
        return NOTHING
    return battery.text if battery.volts is None else f"{current().number(battery.volts)}{THIN}V"


def _seconds_between(later: datetime, earlier: datetime) -> float:
    return (later - earlier).total_seconds()


_environment.filters.update(
    {
        method.__name__: _writes(method)
        for method in (
            Figures.pressure,
            Figures.pressure_text,
            Figures.pressure_number,
            Figures.pressure_rate,
            Figures.setting,
            Figures.setting_text,
            Figures.setting_number,
            Figures.temperature,
            Figures.volume,
            Figures.flow,
            Figures.flow_about,
            Figures.volume_number,
            Figures.when,
            Figures.number,
            Figures.scientific,
            Figures.percent,
            Figures.exact_number,
            Figures.temperature_difference,
        )
    },
    local=_writes(Figures.when),
    duration=words.duration,
    battery=_battery,
    sentence=lambda text, told=None, zone=None: tell(text, current(), told, zone),
)
_environment.globals.update(
    words=words,
    between=_seconds_between,
    units=lambda: current().units,
    plot_scripts=assets.PLOT_SCRIPTS,
    plot_address=assets.plot_address,
)


def render(request: Request, template: str, /, status: int = 200, **values: object) -> Response:
    """A page from a template."""
    context = get_context(request)
    shared = {
        "request": request,
        "person": getattr(request.state, "person", None),
        "heading": context.config.heading,
        "asset": lambda name: f"{assets.own_address()}/{name}",
        "now": context.now(),
        "unacknowledged": 0,
        "done": done_before(request),
    }
    whole = not template.startswith("parts/")
    # An error page is also made where the database does not answer, or where nobody may wait for it.
    if whole and shared["person"] and template != ERROR and "unacknowledged" not in values:
        with context.database() as conn:
            shared["unacknowledged"] = unacknowledged(conn)
    figures = figures_of(request)
    with reading(figures):
        html = _environment.get_template(template).render({**shared, "figures": figures, **values})
    answer = HTMLResponse(html, status)
    if whole and COOKIE in request.cookies:
        answer.delete_cookie(COOKIE)
    return answer


def error_page(
    request: Request, status: int, detail: str, headers: Mapping[str, str] | None = None
) -> Response:
    """A page that says what went wrong."""
    response = render(request, ERROR, status, title=HTTPStatus(status).phrase, code=status, detail=detail)
    response.headers.update(headers or {})
    return response

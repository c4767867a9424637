"""Pages: templates with what all of them share."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from http import HTTPStatus
from pathlib import Path

from fastapi import Request
from jinja2 import Environment, FileSystemLoader, StrictUndefined, select_autoescape
from starlette.responses import HTMLResponse, Response

from api import assets, words
from api.context import get_context
from model.clock import to_us

TEMPLATES = Path(__file__).parent.parent / "templates"

_environment = Environment(
    loader=FileSystemLoader(TEMPLATES),
    autoescape=select_autoescape(),
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
    auto_reload=False,
)


def _local(moment: datetime | None, time_zone: str) -> str:
    return "–" if moment is None else words.clock_time(to_us(moment), time_zone)


def _seconds_between(later: datetime, earlier: datetime) -> float:
    return (later - earlier).total_seconds()


_environment.filters.update(
    local=_local,
    duration=words.duration,
    both_units=words.both_units,
    micron=words.micron,
    number=words.number,
    scientific=words.scientific,
    percent=words.percent,
)
_environment.globals.update(
    words=words, between=_seconds_between, plot_scripts=assets.PLOT_SCRIPTS, plot_address=assets.plot_address
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
    }
    html = _environment.get_template(template).render({**shared, **values})
    return HTMLResponse(html, status)


def error_page(
    request: Request, status: int, detail: str, headers: Mapping[str, str] | None = None
) -> Response:
    """A page that says what went wrong."""
    response = render(
        request, "error.html", status, title=HTTPStatus(status).phrase, code=status, detail=detail
    )
    response.headers.update(headers or {})
    return response

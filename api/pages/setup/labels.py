"""Labels for gauges, several to a sheet: a code that leads to the gauge's job, and its name beside it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated
from urllib.parse import urlsplit

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from api.context import Ctx
from api.job_forms import number
from api.pages import render
from api.permissions import MayLook
from model.errors import BadInput
from model.labels import PLACE
from store import equipment, hanging

router = APIRouter()

LONGEST = 100
"""Longer addresses make a code too fine for a label [characters]."""
ALONE = ("localhost", "127.", "[::1]", "0.0.0.0")
"""A telephone that follows such an address finds itself."""


@dataclass(frozen=True, slots=True)
class Label:
    """What is printed for a gauge; ``code`` is an SVG."""

    gateway: str
    name: str
    serial: str
    address: str
    code: str


@router.get("/setup/labels")
def labels(
    request: Request,
    ctx: Ctx,
    person: MayLook,
    site: str = "",
    gauge: Annotated[list[str] | None, Query()] = None,
    host: str = "",
) -> Response:
    """A sheet of labels: of a site's gauges, of some, or of all."""
    problem, made, more = "", [], False
    base = host.strip() or f"{request.url.scheme}://{request.url.netloc}"
    with ctx.database() as conn:
        sites = equipment.sites(conn)
        try:
            found = hanging.to_label(
                conn,
                number(site, "site") if site else None,
                [number(one, "gauge") for one in gauge or []],
            )
            base = host_in(base)
            more = len(found) > hanging.MOST_LABELS
            made = [_label(base, one) for one in found[: hanging.MOST_LABELS]]
        except BadInput as error:
            problem = str(error)
    return render(
        request,
        "setup/labels.html",
        422 if problem else 200,
        sites=sites,
        site=site,
        gauges=gauge or [],
        host=base,
        alone=base.partition("://")[2].startswith(ALONE),
        labels=made,
        more=more,
        problem=problem,
    )


def host_in(text: str) -> str:
    """The beginning of the addresses on labels, without a slash at its end; raises `BadInput`."""
    try:
        parts = urlsplit(text.strip().rstrip("/"))
        port = parts.port
    except ValueError:
        parts, port = urlsplit(""), None
    if parts.scheme not in ("http", "https") or not parts.hostname or parts.path or parts.query:
        raise BadInput("Write it like https://vacuum.example.com.", field="host")
    if parts.username is not None or parts.fragment or len(text) > LONGEST or not text.isprintable():
        raise BadInput(f"An address of at most {LONGEST} characters, and nothing else.", field="host")
    name = f"[{parts.hostname}]" if ":" in parts.hostname else parts.hostname
    return f"{parts.scheme}://{name}" + ("" if port is None else f":{port}")


def _label(base: str, one: dict[str, str]) -> Label:
    import segno

    address = f"{base}{PLACE}{one['gateway']}/{one['name']}"
    # Level Q of ISO/IEC 18004: about a quarter of the code may be scratched or dirty.
    code = segno.make_qr(address, error="q").svg_inline(border=4, dark="#000", light="#fff", omitsize=True)
    return Label(one["gateway"], one["name"], one["serial"], address, code)

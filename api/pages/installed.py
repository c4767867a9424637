"""What makes the pages an app that can be installed: manifest, worker, and the page for no line.

All three are open without a login and say nothing of anybody: browsers ask for them without cookies.
"""

from __future__ import annotations

import json

from fastapi import APIRouter, Request
from starlette.responses import JSONResponse, Response

from api import assets
from api.pages import render
from api.permissions import OPEN_TO_ALL

router = APIRouter()

NO_LINE = "/no-line"
KEPT = (
    "holdfast.css", "icon.svg", "shell.js", "signals.js", "figures.js", "reader.js", "time.js", "marks.js",
    "jobs.js", "site.js", "no_line.js",
)  # fmt: skip
"""Files of the pages for a phone; what only the desk needs is left to the browser's own cache."""


@router.get("/manifest.webmanifest", dependencies=[OPEN_TO_ALL])
def manifest() -> Response:
    """Name, icons, and where the app begins (W3C, Web Application Manifest)."""
    own = assets.own_address()
    icons = [{"src": f"{own}/icon.svg", "sizes": "any", "type": "image/svg+xml"}]
    for name, purpose in (("icon-192", "any"), ("icon-512", "any"), ("icon-round-512", "maskable")):
        size = name.rpartition("-")[2]
        icons.append(
            {"src": f"{own}/{name}.png", "sizes": f"{size}x{size}", "type": "image/png", "purpose": purpose}
        )
    return JSONResponse(
        {
            "id": "/jobs",
            "name": "Holdfast",
            "short_name": "Holdfast",
            "description": "Evacuations and hold tests: my jobs, at the site.",
            "lang": "en",
            "start_url": "/jobs",
            "scope": "/",
            "display": "standalone",
            "background_color": "#f5f3ec",
            "theme_color": "#0f5c53",
            "icons": icons,
        },
        media_type="application/manifest+json",
    )


@router.get("/worker.js", dependencies=[OPEN_TO_ALL])
def worker() -> Response:
    """The worker, with the addresses of this version's files; at the root, because its place is its reach."""
    own = assets.own_address()
    told = {"NAME": own, "FILES": [f"{own}/{name}" for name in KEPT], "NO_LINE": NO_LINE}
    head = "".join(f"const {name} = {json.dumps(value)};\n" for name, value in told.items())
    text = head + (assets.STATIC / "worker.js").read_text(encoding="utf-8")
    return Response(text, media_type="text/javascript")


@router.get(NO_LINE, dependencies=[OPEN_TO_ALL])
def no_line(request: Request) -> Response:
    """Shown in place of a page that cannot be fetched."""
    return render(request, "no_line.html")

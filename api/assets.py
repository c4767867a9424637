"""Static files: our own, and the plotting library's browser bundle from its wheel.

Their addresses hold their version, so that browsers may keep them for good.
"""

from __future__ import annotations

import hashlib
from functools import cache
from importlib.metadata import version
from importlib.util import find_spec
from pathlib import Path

from starlette.responses import Response
from starlette.staticfiles import StaticFiles
from starlette.types import Scope

STATIC = Path(__file__).parent / "static"
PLOT_SCRIPTS = ("bokeh.min.js", "bokeh-api.min.js")


class LastingFiles(StaticFiles):
    """Files that never change at their address."""

    async def get_response(self, path: str, scope: Scope) -> Response:
        response = await super().get_response(path, scope)
        response.headers["Cache-Control"] = "public, max-age=31536000, immutable"
        return response


@cache
def own_address() -> str:
    """Where our files are served; one version for all, because modules import each other by plain names."""
    digest = hashlib.sha256()
    for path in sorted(STATIC.rglob("*")):
        if path.is_file():
            digest.update(path.name.encode() + path.read_bytes())
    return f"/static/{digest.hexdigest()[:10]}"


@cache
def plot_address() -> str:
    """Where the plotting library is served."""
    return f"/static/plot-{version('bokeh')}"


@cache
def plot_folder() -> Path:
    """Where the bokeh wheel keeps its JavaScript; found without importing it, which takes a second."""
    spec = find_spec("bokeh")
    if spec is None or spec.origin is None:
        raise LookupError("the bokeh package is not installed")
    return Path(spec.origin).parent / "server" / "static" / "js"

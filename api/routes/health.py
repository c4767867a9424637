"""Health and numbers, for whoever runs the installation."""

from __future__ import annotations

from typing import Literal

from fastapi import APIRouter, Request
from fastapi.responses import PlainTextResponse, Response
from pydantic import BaseModel

from api.context import Ctx
from api.metrics import text
from api.permissions import MEASURE, OPEN_TO_ALL
from api.problems import Problem, errors_of, problem
from api.readiness import BrokerProbe, parts

router = APIRouter(tags=["health"])

OPENMETRICS = "application/openmetrics-text; version=1.0.0; charset=utf-8"


class Alive(BaseModel):
    """The process lives."""

    status: Literal["alive"] = "alive"


class PartView(BaseModel):
    """A part that must answer."""

    ready: bool
    detail: str


class Ready(BaseModel):
    """Every part answers."""

    status: Literal["ready"] = "ready"
    parts: dict[str, PartView]


class NotReady(Problem):
    """Problem details with the state of every part."""

    parts: dict[str, PartView]


@router.get("/healthz", dependencies=[OPEN_TO_ALL])
async def healthz() -> Alive:
    """Whether the process lives. Asks nobody else."""
    return Alive()


@router.get(
    "/readyz",
    dependencies=[OPEN_TO_ALL],
    response_model=Ready,
    responses={
        503: {
            "description": "A part does not answer; `parts` says which.",
            "content": {"application/problem+json": {"schema": {"$ref": "#/components/schemas/NotReady"}}},
            "model": NotReady,
        }
    },
)
def readyz(request: Request, ctx: Ctx) -> Response | Ready:
    """Whether database, broker and workers really answer."""
    probe: BrokerProbe | None = request.app.state.probe
    found = parts(ctx, probe)
    views = {part.name: PartView(ready=part.ready, detail=part.detail) for part in found}
    missing = [part for part in found if not part.ready]
    if not missing:
        return Ready(parts=views)
    detail = "Not ready: " + "; ".join(f"{part.name}: {part.detail}" for part in missing)
    return problem(request, 503, detail, extra={"parts": {k: v.model_dump() for k, v in views.items()}})


@router.get(
    "/metrics", dependencies=[MEASURE], response_class=PlainTextResponse, responses=errors_of(401, 503)
)
def metrics(ctx: Ctx) -> Response:
    """Numbers in the OpenMetrics text format; with a login, or the token of the settings as bearer."""
    return Response(text(ctx), media_type=OPENMETRICS)

"""Following a job from its page, and one's own sounds."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Form, Request
from starlette.responses import Response

from api.context import Ctx
from api.pages import render
from api.pages.after import see
from api.permissions import Oneself
from api.words import SOUNDS
from model.errors import BadInput
from store import follows, jobs
from store.follows import SignalChoice

router = APIRouter()


@router.post("/jobs/{job_id}/follow")
def follow(
    ctx: Ctx,
    person: Oneself,
    job_id: int,
    target: Annotated[str, Form()] = "",
    over: Annotated[str, Form()] = "",
) -> Response:
    """Arm and disarm, by the plain form."""
    with ctx.database() as conn:
        jobs.by_id(conn, job_id)
        follows.set_follow(conn, person.id, job_id, target=bool(target), over=bool(over))
    return see(f"/jobs/{job_id}#follow")


@router.post("/me/told/{event_id}/seen")
def seen(ctx: Ctx, person: Oneself, event_id: int) -> Response:
    """Say that something was seen, by the plain form."""
    with ctx.database() as conn:
        follows.seen(conn, person.id, event_id, ctx.now())
    return see("/me/signals", "seen")


@router.get("/me/signals")
def signals_page(request: Request, ctx: Ctx, person: Oneself) -> Response:
    """What the reader is told, of which jobs, and how it sounds."""
    with ctx.database() as conn:
        chosen = follows.choice(conn, person.id)
    return _page(request, ctx, person.id, chosen)


@router.post("/me/signals")
def choose(
    request: Request,
    ctx: Ctx,
    person: Oneself,
    target_sound: Annotated[str, Form()] = "none",
    over_sound: Annotated[str, Form()] = "none",
    volume: Annotated[str, Form()] = "",
    until_seen: Annotated[str, Form()] = "",
) -> Response:
    """Choose sounds, by the plain form."""
    digits = volume.isascii() and volume.isdigit() and len(volume) <= 3
    chosen = SignalChoice(target_sound, over_sound, int(volume) if digits else -1, bool(until_seen))
    try:
        with ctx.database() as conn:
            follows.choose(conn, person.id, chosen)
    except BadInput as error:
        return _page(request, ctx, person.id, chosen, problem=str(error), field=error.field, volume=volume)
    return see("/me/signals")


def _page(
    request: Request,
    ctx: Ctx,
    person_id: int,
    chosen: SignalChoice,
    problem: str = "",
    field: str | None = None,
    volume: str | None = None,
) -> Response:
    with ctx.database() as conn:
        told = follows.told(conn, person_id)
        followed = follows.everything(conn, person_id)
    return render(
        request,
        "signals.html",
        422 if problem else 200,
        chosen=chosen,
        volume=str(chosen.volume) if volume is None else volume,
        sounds=SOUNDS,
        told=told,
        followed=followed,
        problem=problem,
        field=field,
    )

"""Following jobs: what somebody is told, and with which sound."""

from __future__ import annotations

from dataclasses import asdict, replace
from datetime import datetime

from fastapi import APIRouter
from pydantic import BaseModel, Field

from api.asked import Asked
from api.context import Ctx
from api.permissions import Oneself
from api.problems import errors_of
from api.quantities import InUnit
from store import follows, jobs
from store.follows import SOUNDS, Follow

router = APIRouter(tags=["following"])


class Following(Asked):
    """What somebody wants to be told of a job."""

    target: bool = Field(description="When its target is reached.")
    over: bool = Field(description="When a hold goes over its limit and is failed.")


class FollowedJob(Following):
    """A job that somebody follows."""

    job_id: int
    title: str
    site: str
    closed: bool


class Signals(BaseModel):
    """Sounds of an open page."""

    target_sound: str = Field(description=f"One of {', '.join(SOUNDS)}.")
    over_sound: str = Field(description=f"One of {', '.join(SOUNDS)}.")
    volume: int = Field(description="0 to 100.")
    until_seen: bool = Field(description="A hold that went over sounds again until it is seen.")


class SignalChange(Asked):
    """What is to change; what is left out stays."""

    target_sound: str | None = None
    over_sound: str | None = None
    volume: int | None = None
    until_seen: bool | None = None


class Told(BaseModel):
    """Something that somebody who follows a job is told."""

    event_id: int
    kind: str = Field(description="`target-reached` or `hold-failed`.")
    job_id: int
    title: str
    site: str
    time_zone: str = Field(description="Of the site.")
    text: str
    happened_at: datetime
    recorded_at: datetime
    taken_back: bool = Field(description="Late readings showed since that it was not so.")


@router.get("/jobs/{job_id}/follow", responses=errors_of(401, 404, 422, 503))
def following(ctx: Ctx, person: Oneself, job_id: int) -> Following:
    """How the reader follows a job."""
    with ctx.database() as conn:
        jobs.by_id(conn, job_id)
        return _following(follows.of_job(conn, person.id, job_id))


@router.put("/jobs/{job_id}/follow", responses=errors_of(401, 403, 404, 422, 503))
def follow(ctx: Ctx, person: Oneself, job_id: int, wanted: Following) -> Following:
    """Arm and disarm, for oneself; with neither the job is followed no longer."""
    with ctx.database() as conn:
        jobs.by_id(conn, job_id)
        return _following(follows.set_follow(conn, person.id, job_id, target=wanted.target, over=wanted.over))


@router.get("/me/follows", responses=errors_of(401, 503))
def list_follows(ctx: Ctx, person: Oneself) -> list[FollowedJob]:
    """The jobs that the reader follows, open ones first."""
    with ctx.database() as conn:
        return [FollowedJob(**row) for row in follows.everything(conn, person.id)]


@router.get("/me/told", responses=errors_of(401, 422, 503))
def list_told(ctx: Ctx, person: Oneself, unit: InUnit) -> list[Told]:
    """What the reader is told and has not seen yet, the newest first."""
    with ctx.database() as conn:
        rows = follows.told(conn, person.id)
    return [Told(event_id=row["id"], **{**row, "text": unit.sentence(row["text"])}) for row in rows]


@router.post("/me/told/{event_id}/seen", status_code=204, responses=errors_of(401, 403, 404, 422, 503))
def seen(ctx: Ctx, person: Oneself, event_id: int) -> None:
    """The reader has seen it: it is shown and sounded no longer, on any of their pages."""
    with ctx.database() as conn:
        follows.seen(conn, person.id, event_id, ctx.now())


@router.get("/me/signals", responses=errors_of(401, 503))
def signals(ctx: Ctx, person: Oneself) -> Signals:
    """The reader's sounds."""
    with ctx.database() as conn:
        return Signals.model_validate(asdict(follows.choice(conn, person.id)))


@router.patch("/me/signals", responses=errors_of(401, 403, 422, 503))
def change_signals(ctx: Ctx, person: Oneself, change: SignalChange) -> Signals:
    """Choose sounds."""
    with ctx.database() as conn:
        chosen = replace(follows.choice(conn, person.id), **change.model_dump(exclude_none=True))
        follows.choose(conn, person.id, chosen)
    return Signals.model_validate(asdict(chosen))


def _following(found: Follow | None) -> Following:
    return Following(target=bool(found and found.target), over=bool(found and found.over))

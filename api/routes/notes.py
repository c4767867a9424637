"""Notes of a job: what people write down at it."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from fastapi import APIRouter
from pydantic import BaseModel, Field

from api.asked import Asked
from api.context import Ctx
from api.paging import Page, Paged, Sought
from api.permissions import LOOK, MayRunJobs
from api.problems import errors_of
from model.texts import LONGEST_WORDS
from store import jobs, notes
from store.notes import NOTES

router = APIRouter(tags=["jobs"])


class NoteView(BaseModel):
    """What somebody wrote down at a job. It is added and never changed."""

    id: int
    job_id: int
    at: datetime
    text: str = Field(description="As it was written; plain text with line breaks.")
    person: str | None = Field(description="Name of the person or the token; null: the command line.")


class NewNote(Asked):
    """What the next one at this job should know."""

    text: str = Field(description=f"Plain text, at most {LONGEST_WORDS} characters.")


@router.get("/jobs/{job_id}/notes", dependencies=[LOOK], responses=errors_of(401, 404, 422, 503))
def list_notes(ctx: Ctx, paging: Paged, job_id: int, q: Sought = None) -> Page[NoteView]:
    """Notes of a job, the last first."""
    with ctx.database() as conn:
        jobs.by_id(conn, job_id)
        return paging.page(conn, NOTES, {"job": job_id, "q": q}, _view)


@router.post("/jobs/{job_id}/notes", status_code=201, responses=errors_of(401, 403, 404, 422, 503))
def add_note(ctx: Ctx, person: MayRunJobs, job_id: int, new: NewNote) -> NoteView:
    """Write a note down at a job, open or closed, with one's name and the time."""
    with ctx.database() as conn:
        number = notes.add(conn, job_id, person.id, ctx.now(), new.text, field="text")
        row = NOTES.one(conn, {"job": job_id}, number)
    assert row is not None
    return _view(row)


def _view(row: dict[str, Any]) -> NoteView:
    return NoteView(**row)

"""What people write down at a job: added, never changed."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from psycopg import errors

from model.errors import BadInput, NotFound
from model.texts import LONGEST_WORDS, check_text
from store.database import Connection, one
from store.lists import Listing


def add(
    conn: Connection, job_id: int, person_id: int | None, at: datetime, text: str, *, field: str = "note"
) -> int:
    """Write a note down; returns its number. Raises `BadInput` for an empty one, `NotFound`."""
    text = check_text(text, field, longest=LONGEST_WORDS)
    if not text:
        raise BadInput("An empty note says nothing.", field=field)
    try:
        row = conn.execute(
            "INSERT INTO job_note (job_id, person_id, at, text) VALUES (%s, %s, %s, %s) RETURNING id",
            (job_id, person_id, at, text),
        ).fetchone()
    except errors.ForeignKeyViolation as error:
        raise NotFound(f"There is no job {job_id}.") from error
    return int(one(row)["id"])


NOTES = Listing(
    "SELECT n.id, n.job_id, n.at, n.text, p.name AS person FROM job_note n "
    "LEFT JOIN person p ON p.id = n.person_id WHERE n.job_id = %(job)s",
    newest_first=True,
    searched="text, person",
)


def of_job(conn: Connection, job_id: int, limit: int = 50) -> list[dict[str, Any]]:
    """Notes of a job with who wrote them, the last first."""
    return NOTES.page(conn, {"job": job_id}, None, limit)

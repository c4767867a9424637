"""Which jobs concern somebody: opened by them, of their crew, or followed."""

from __future__ import annotations

from datetime import datetime

from psycopg import errors

from model.errors import NotFound
from store.database import Connection

_MINE = """
SELECT j.id FROM job j
WHERE j.withdrawn_at IS NULL AND j.merged_into IS NULL AND (j.closed_at IS NULL OR j.closed_at >= %(since)s)
  AND (j.id IN (SELECT job_id FROM follow WHERE person_id = %(person)s)
       OR j.crew_id = (SELECT crew_id FROM crew_of_person WHERE person_id = %(person)s)
       OR j.id IN (SELECT split_part(subject, ':', 2)::int FROM audit
                   WHERE act = 'open-job' AND person_id = %(person)s))
ORDER BY j.id
"""


def jobs(conn: Connection, person_id: int, since: datetime) -> list[int]:
    """The numbers of a person's jobs that are not closed, or were closed since then."""
    return [row["id"] for row in conn.execute(_MINE, {"person": person_id, "since": since})]


def crew(conn: Connection, person_id: int) -> int | None:
    """The number of a person's crew."""
    row = conn.execute("SELECT crew_id FROM crew_of_person WHERE person_id = %s", (person_id,)).fetchone()
    return None if row is None else int(row["crew_id"])


def join(conn: Connection, person_id: int, crew_id: int | None) -> None:
    """A person is in that crew from now on, or in none; raises `NotFound`."""
    if crew_id is None:
        conn.execute("DELETE FROM crew_of_person WHERE person_id = %s", (person_id,))
        return
    try:
        conn.execute(
            "INSERT INTO crew_of_person (person_id, crew_id) VALUES (%s, %s) "
            "ON CONFLICT (person_id) DO UPDATE SET crew_id = excluded.crew_id",
            (person_id, crew_id),
        )
    except errors.ForeignKeyViolation as error:
        raise NotFound(f"There is no crew {crew_id}.", field="crew") from error

"""Jobs, and which instrument served which job when."""

from __future__ import annotations

from typing import Any

from psycopg import errors

from model.clock import to_datetime, to_us
from model.equipment import Position
from model.errors import BadInput, Conflict, NotFound
from model.job import Assignment, Job, JobState
from model.rig import NO_RIG, Rig
from store.database import Connection, one
from store.equipment import tell


def add(
    conn: Connection,
    title: str,
    site_id: int,
    procedure_id: int,
    opened_us: int,
    *,
    circuit_id: int | None = None,
    crew_id: int | None = None,
    state: JobState = JobState.PLANNED,
    walk_up: bool = False,
    rig: Rig = NO_RIG,
) -> Job:
    """Open a job."""
    if not title.strip():
        raise BadInput("A job needs a title.", field="title")
    try:
        row = conn.execute(
            "INSERT INTO job (title, state, walk_up, site_id, circuit_id, crew_id, procedure_id, opened_at, "
            "pump_m3_s, ultimate_pa, hose_bore_m, hose_length_m) "
            "VALUES (%s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s) RETURNING *",
            (
                title.strip(),
                state,
                walk_up,
                site_id,
                circuit_id,
                crew_id,
                procedure_id,
                to_datetime(opened_us),
                rig.pump_m3_s,
                rig.ultimate_pa,
                rig.bore_m,
                rig.length_m,
            ),
        ).fetchone()
    except errors.ForeignKeyViolation as error:
        raise NotFound("The site, circuit, crew or procedure of the job does not exist.") from error
    return from_row(one(row))


def assign(
    conn: Connection, job_id: int, instrument_id: int, since_us: int, *, deciding: bool = False
) -> Assignment:
    """Let an instrument serve a job from a moment on; raises `Conflict` if it serves another one."""
    try:
        row = conn.execute(
            "INSERT INTO assignment (job_id, instrument_id, since, deciding, since_fixed) "
            "VALUES (%s, %s, %s, %s, true) RETURNING *",
            (job_id, instrument_id, to_datetime(since_us), deciding),
        ).fetchone()
    except errors.ExclusionViolation as error:
        raise Conflict(
            "That instrument serves another job then; end that first.", field="instrument"
        ) from error
    except errors.ForeignKeyViolation as error:
        raise NotFound("There is no such job or instrument.") from error
    tell(conn)
    return assignment_from_row(one(row))


def release(conn: Connection, job_id: int, until_us: int) -> None:
    """End the assignments of a job; one that had not begun is taken away."""
    until = to_datetime(until_us)
    conn.execute(
        "DELETE FROM assignment WHERE job_id = %s AND until IS NULL AND since >= %s", (job_id, until)
    )
    conn.execute("UPDATE assignment SET until = %s WHERE job_id = %s AND until IS NULL", (until, job_id))
    tell(conn)


def by_id(conn: Connection, job_id: int) -> Job:
    """One job; raises `NotFound`."""
    row = conn.execute("SELECT * FROM job WHERE id = %s", (job_id,)).fetchone()
    if row is None:
        raise NotFound(f"There is no job {job_id}.")
    return from_row(row)


def assignments(conn: Connection, job_id: int) -> list[Assignment]:
    """Which instruments served a job, in order of time."""
    rows = conn.execute("SELECT * FROM assignment WHERE job_id = %s ORDER BY since, id", (job_id,))
    return [assignment_from_row(row) for row in rows]


def from_row(row: dict[str, Any]) -> Job:
    """A job from its row."""
    return Job(
        id=row["id"],
        title=row["title"],
        state=JobState(row["state"]),
        walk_up=row["walk_up"],
        site_id=row["site_id"],
        circuit_id=row["circuit_id"],
        crew_id=row["crew_id"],
        procedure_id=row["procedure_id"],
        opened_us=to_us(row["opened_at"]),
        closed_us=None if row["closed_at"] is None else to_us(row["closed_at"]),
        note=row["note"],
        merged_into=row["merged_into"],
        kept_open=row["kept_open"],
        pump_m3_s=row["pump_m3_s"],
        ultimate_pa=row["ultimate_pa"],
        hose_bore_m=row["hose_bore_m"],
        hose_length_m=row["hose_length_m"],
    )


def assignment_from_row(row: dict[str, Any]) -> Assignment:
    """An assignment from its row."""
    return Assignment(
        id=row["id"],
        job_id=row["job_id"],
        instrument_id=row["instrument_id"],
        since_us=to_us(row["since"]),
        until_us=None if row["until"] is None else to_us(row["until"]),
        deciding=row["deciding"],
        since_fixed=row["since_fixed"],
        until_fixed=row["until_fixed"],
        side=None if row["side"] is None else Position(row["side"]),
    )

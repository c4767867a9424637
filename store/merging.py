"""Two jobs that are one: the instruments of the one move to the other, which is judged from all readings.

To undo it, correct the assignments: a job that gets an instrument back is a job of its own again.
"""

from __future__ import annotations

from model.clock import to_datetime
from model.errors import BadInput, Conflict
from model.event import EventKind
from model.job import Assignment, Job
from store import anew, jobs
from store.acting import Act, Actor
from store.database import Connection


def merge(conn: Connection, source_id: int, into_id: int, actor: Actor) -> Job:
    """Move all that serves ``source_id`` to ``into_id`` and close the emptied job with a link.

    Raises
    ------
    BadInput, Conflict
        They are the same job, at different sites, or one of them was merged away already.
    """
    act = Act(conn, actor)
    _lock(conn, source_id, into_id)
    source, into = jobs.by_id(conn, source_id), jobs.by_id(conn, into_id)
    _check(source, into)
    before = jobs.assignments(conn, source_id)
    deciding = _deciding(jobs.assignments(conn, into_id)) or _deciding(before)
    conn.execute(
        "UPDATE assignment SET job_id = %s, since_fixed = true, until_fixed = until IS NOT NULL, "
        "deciding = (instrument_id = %s AND side IS DISTINCT FROM 'pump') WHERE job_id = %s",
        (into_id, deciding, source_id),
    )
    _join(conn, into_id)
    _end(conn, source, into, actor.at_us)
    act.also(anew.withdraw(conn, source, f"merged into job {into_id} by {actor.name}", actor.at_us))
    act.note(
        "merge-job",
        f"job:{source_id}",
        {"merged_into": None, "assignments": [_shown(one) for one in before]},
        {"merged_into": into_id, "assignments": []},
    )
    act.note("merge-job", f"job:{into_id}", after={"merged_from": source_id})
    act.tell(
        EventKind.JOB_CLOSED,
        source,
        f"{source.title}: merged into job {into_id}, “{into.title}”, by {actor.name}.",
        {"merged_into": into_id, "why": f"the job was merged into job {into_id}."},
    )
    act.tell(
        EventKind.JOB_CHANGED,
        into,
        f"Job {source_id}, “{source.title}”, was merged into this one by {actor.name}. "
        "The job is judged anew.",
        {"merged_from": source_id},
    )
    act.anew.add(into_id)
    act.done(f"merged with job {source_id} by {actor.name}")
    return jobs.by_id(conn, into_id)


def _lock(conn: Connection, *job_ids: int) -> None:
    numbers = [one.instrument_id for job_id in job_ids for one in jobs.assignments(conn, job_id)]
    anew.lock(conn, numbers, job_ids)


def _check(source: Job, into: Job) -> None:
    if source.id == into.id:
        raise BadInput("A job cannot be merged into itself.", field="job")
    if source.site_id != into.site_id:
        raise BadInput(
            f"Job {source.id} is at another site than job {into.id}; only jobs of one site can be one.",
            field="job",
        )
    for job in (source, into):
        if job.merged_into is not None:
            raise Conflict(f"Job {job.id} was merged into job {job.merged_into} already.", field="job")


def _deciding(assignments: list[Assignment]) -> int | None:
    found = [one.instrument_id for one in assignments if one.deciding]
    return found[-1] if found else None


def _join(conn: Connection, job_id: int) -> None:
    """Make one span of two that touch: so the job is served as if it had been one from the start."""
    before: dict[int, Assignment] = {}
    for after in jobs.assignments(conn, job_id):
        first = before.get(after.instrument_id)
        if first is None or (first.until_us, first.side) != (after.since_us, after.side):
            before[after.instrument_id] = after
            continue
        conn.execute("DELETE FROM assignment WHERE id = %s", (after.id,))
        row = conn.execute(
            "UPDATE assignment SET until = %s, until_fixed = %s, deciding = deciding OR %s WHERE id = %s "
            "RETURNING *",
            (
                None if after.until_us is None else to_datetime(after.until_us),
                after.until_fixed,
                after.deciding,
                first.id,
            ),
        ).fetchone()
        assert row is not None
        before[after.instrument_id] = jobs.assignment_from_row(row)


def _end(conn: Connection, source: Job, into: Job, now_us: int) -> None:
    """Close the emptied job; the other one is closed only if both were.

    Where one was closed by rule in between, the rule would part them again: then only a person closes it.
    """
    ends = [job.closed_us for job in (source, into)]
    closed = [end for end in ends if end is not None]
    both = len(closed) == len(ends)
    conn.execute(
        "UPDATE job SET opened_at = least(opened_at, %(opened)s), "
        "circuit_id = coalesce(circuit_id, %(circuit)s), crew_id = coalesce(crew_id, %(crew)s), "
        "closed_at = %(closed)s, closed_by_rule = false, kept_open = kept_open OR %(kept)s, "
        "state = CASE WHEN %(both)s THEN 'closed' WHEN state = 'closed' THEN 'running' ELSE state END "
        "WHERE id = %(id)s",
        {
            "opened": to_datetime(source.opened_us),
            "circuit": source.circuit_id,
            "crew": source.crew_id,
            "closed": to_datetime(max(closed)) if both else None,
            "kept": not both and bool(closed),
            "both": both,
            "id": into.id,
        },
    )
    conn.execute(
        "UPDATE job SET state = 'closed', closed_at = coalesce(closed_at, %s), closed_by_rule = false, "
        "merged_into = %s WHERE id = %s",
        (to_datetime(now_us), into.id, source.id),
    )


def _shown(one: Assignment) -> dict[str, object]:
    return {
        "instrument_id": one.instrument_id,
        "since": to_datetime(one.since_us).isoformat(),
        "until": None if one.until_us is None else to_datetime(one.until_us).isoformat(),
        "deciding": one.deciding,
        "side": one.side,
    }

"""What people do with jobs: open, change, close and open again."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from psycopg import sql

from model.clock import to_datetime
from model.equipment import Position
from model.errors import BadFields, BadInput, Conflict, NotFound
from model.event import EventKind
from model.job import Job, JobState
from model.rig import Rig, hose_errors, pump_errors
from model.texts import LONGEST_WORDS, check_text
from store import anew, assignments, audit, jobs, pull_downs
from store.acting import Act, Actor
from store.assignments import Wish
from store.database import Connection, one

JUDGED_BY: Mapping[str, str] = {"procedure_id": "procedure", "circuit_id": "circuit"}
"""What a job is judged by: another one has it judged anew."""

PUMPED_WITH = frozenset({"pump_m3_s", "ultimate_pa", "hose_bore_m", "hose_length_m"})
"""What only the estimate of its pull-down is set against."""


@dataclass(frozen=True, slots=True)
class Details:
    """What is written down of a job. ``opened_us`` may lie ahead, for a planned one [µs].

    Pump and hose are what it is pumped with beside the registered pumps, see `model.job.Job`.
    """

    title: str
    site_id: int
    procedure_id: int
    opened_us: int
    circuit_id: int | None = None
    crew_id: int | None = None
    note: str = ""
    pump_m3_s: float | None = None
    ultimate_pa: float | None = None
    hose_bore_m: float | None = None
    hose_length_m: float | None = None


@dataclass(frozen=True, slots=True)
class Serving:
    """An instrument that shall serve a new job, from its opening on unless another moment is given [µs]."""

    instrument_id: int
    since_us: int | None = None
    until_us: int | None = None
    deciding: bool = False
    side: Position | None = None


def details(job: Job) -> Details:
    """What is written down of a job now."""
    return Details(
        job.title,
        job.site_id,
        job.procedure_id,
        job.opened_us,
        job.circuit_id,
        job.crew_id,
        job.note,
        job.pump_m3_s,
        job.ultimate_pa,
        job.hose_bore_m,
        job.hose_length_m,
    )


def open_job(
    conn: Connection,
    new: Details,
    servings: Sequence[Serving],
    actor: Actor,
    *,
    state: JobState = JobState.PLANNED,
    take_over: bool = False,
    act: Act | None = None,
) -> Job:
    """Open a job with its instruments; what came before it was opened is judged with it.

    Within a larger ``act`` it is left to that one to be done.
    """
    new = _checked(conn, new)
    larger, act = act is not None, act or Act(conn, actor)
    sinces_us = [new.opened_us if one.since_us is None else one.since_us for one in servings]
    anew.lock(conn, [one.instrument_id for one in servings], [])
    made = jobs.add(
        conn,
        new.title,
        new.site_id,
        new.procedure_id,
        min([new.opened_us, *sinces_us]),
        circuit_id=new.circuit_id,
        crew_id=new.crew_id,
        state=state,
        rig=Rig(new.pump_m3_s, new.ultimate_pa, new.hose_bore_m, new.hose_length_m),
    )
    conn.execute("UPDATE job SET note = %s WHERE id = %s", (new.note, made.id))
    made = jobs.by_id(conn, made.id)
    act.note("open-job", f"job:{made.id}", after=_shown(details(made)))
    act.tell(EventKind.JOB_OPENED, made, f"{made.title}: opened by {actor.name}.", {"walk_up": False})
    for serving, since_us in zip(servings, sinces_us, strict=True):
        wish = Wish(
            made.id, serving.instrument_id, since_us, serving.until_us, serving.deciding, serving.side
        )
        assignments.place(act, wish, take_over=take_over)
    if not larger:
        act.done(f"assignment corrected by {actor.name}")
    return made


def change(conn: Connection, job_id: int, wanted: Details, actor: Actor) -> Job:
    """Write other details down; another procedure or circuit has the job judged anew.

    Another pump or hose has its running pull-down estimated anew.
    """
    act = Act(conn, actor)
    anew.lock(conn, [], [job_id])
    before = jobs.by_id(conn, job_id)
    wanted = _checked(conn, wanted)
    old = details(before)
    changed = [name for name in audit.of(old) if getattr(old, name) != getattr(wanted, name)]
    if not changed:
        return before
    conn.execute(
        "UPDATE job SET title = %(title)s, site_id = %(site_id)s, procedure_id = %(procedure_id)s, "
        "circuit_id = %(circuit_id)s, crew_id = %(crew_id)s, note = %(note)s, opened_at = %(opened_at)s, "
        "pump_m3_s = %(pump_m3_s)s, ultimate_pa = %(ultimate_pa)s, hose_bore_m = %(hose_bore_m)s, "
        "hose_length_m = %(hose_length_m)s WHERE id = %(id)s",
        {**audit.of(wanted), "opened_at": to_datetime(wanted.opened_us), "id": job_id},
    )
    after = jobs.by_id(conn, job_id)
    act.note("change-job", f"job:{job_id}", _shown(old), _shown(details(after)))
    judged_by = [word for name, word in JUDGED_BY.items() if name in changed]
    if judged_by:
        act.anew.add(job_id)
    elif PUMPED_WITH & set(changed):
        pull_downs.renew(conn, [job_id], actor.at_us)
    what = list(dict.fromkeys(_WORDS[name] for name in changed))
    text = f"{after.title}: {_and(what)} changed by {actor.name}."
    if judged_by:
        text += " The job is judged anew."
    act.tell(EventKind.JOB_CHANGED, after, text, {"changed": changed})
    act.done(f"{_and(judged_by)} changed by {actor.name}")
    return after


def close(conn: Connection, job_id: int, actor: Actor, *, note: str = "", at_us: int | None = None) -> Job:
    """Close a job; its instruments are free from then on.

    Raises
    ------
    Conflict
        It is closed already.
    """
    act = Act(conn, actor)
    before = _locked(conn, job_id)
    at_us = actor.at_us if at_us is None else at_us
    if before.closed_us is not None:
        raise Conflict(f"Job {job_id} is closed already.")
    if at_us > actor.at_us:
        raise BadInput("A job cannot be closed ahead of time.", field="at")
    if at_us < min([before.opened_us, actor.at_us]):
        raise BadInput("The job was opened later than that.", field="at")
    note = check_text(note, "note", longest=LONGEST_WORDS)
    serving = [one for one in jobs.assignments(conn, job_id) if one.until_us is None]
    jobs.release(conn, job_id, at_us)
    conn.execute(
        "UPDATE assignment SET until_fixed = true WHERE id = ANY(%s)", ([one.id for one in serving],)
    )
    conn.execute(
        "UPDATE job SET state = 'closed', closed_at = %s, closed_by_rule = false, kept_open = false, "
        "note = %s WHERE id = %s",
        (to_datetime(at_us), note or before.note, job_id),
    )
    after = jobs.by_id(conn, job_id)
    act.note("close-job", f"job:{job_id}", _state(before), _state(after))
    said = f" {note}" if note else ""
    act.tell(EventKind.JOB_CLOSED, after, f"{after.title}: closed by {actor.name}.{said}")
    if at_us < actor.at_us:
        # Readings of after the end were judged with the job.
        act.anew.add(job_id)
        for one_ in serving:
            anew.look_at(conn, one_.instrument_id, at_us, None)
    act.done(f"job closed by {actor.name}")
    return after


def reopen(conn: Connection, job_id: int, actor: Actor, *, note: str = "") -> Job:
    """Open a closed job again: the instruments that served it to its end serve it on, if they are free since,
    and only a person closes it."""
    act = Act(conn, actor)
    before = _locked(conn, job_id)
    if before.closed_us is None:
        raise Conflict(f"Job {job_id} is not closed.")
    if before.merged_into is not None:
        raise Conflict(
            f"Job {job_id} was merged into job {before.merged_into}. Give it an instrument back, and it is a "
            "job of its own again."
        )
    note = check_text(note, "note", longest=LONGEST_WORDS)
    conn.execute(
        "UPDATE assignment a SET until = NULL, until_fixed = false WHERE job_id = %s AND until = %s "
        "AND NOT EXISTS (SELECT FROM assignment b WHERE b.instrument_id = a.instrument_id "
        "AND b.since >= a.until)",
        (job_id, to_datetime(before.closed_us)),
    )
    conn.execute(
        "UPDATE job SET state = 'running', closed_at = NULL, closed_by_rule = false, kept_open = true, "
        "note = %s WHERE id = %s",
        (note or before.note, job_id),
    )
    after = jobs.by_id(conn, job_id)
    act.note("reopen-job", f"job:{job_id}", _state(before), _state(after))
    said = f" {note}" if note else ""
    act.tell(EventKind.JOB_REOPENED, after, f"{after.title}: opened again by {actor.name}.{said}")
    act.anew.add(job_id)
    act.done(f"job opened again by {actor.name}")
    return jobs.by_id(conn, job_id)


# Parts --------------------------------------------------------------------------------------------------

_WORDS: Mapping[str, str] = {
    "title": "title",
    "site_id": "site",
    "procedure_id": "procedure",
    "opened_us": "start",
    "circuit_id": "circuit",
    "crew_id": "crew",
    "note": "note",
    "pump_m3_s": "pump",
    "ultimate_pa": "pump",
    "hose_bore_m": "hose",
    "hose_length_m": "hose",
}
_TABLES: Mapping[str, str] = {
    "site_id": "site",
    "procedure_id": "procedure",
    "circuit_id": "circuit",
    "crew_id": "crew",
}


def _checked(conn: Connection, given: Details) -> Details:
    """The details with their texts trimmed; raises what is wrong with the first field that is."""
    try:
        title = check_text(given.title, "title", longest=200, required=True)
    except BadInput as error:
        text = "A job needs a title." if not given.title.strip() else str(error)
        raise BadInput(text, field="title") from error
    note = check_text(given.note, "note", longest=LONGEST_WORDS)
    errors = pump_errors(given.pump_m3_s, given.ultimate_pa, "pump")
    errors |= hose_errors(given.hose_bore_m, given.hose_length_m)
    if errors:
        raise BadFields(errors)
    for field, table in _TABLES.items():
        number = getattr(given, field)
        query = sql.SQL("SELECT FROM {} WHERE id = %s").format(sql.Identifier(table))
        if number is not None and conn.execute(query, (number,)).fetchone() is None:
            raise NotFound(f"There is no {table} {number}.", field=field)
    if given.circuit_id is not None:
        row = one(
            conn.execute(
                "SELECT c.site_id, c.name, s.name AS site FROM circuit c JOIN site s ON s.id = c.site_id "
                "WHERE c.id = %s",
                (given.circuit_id,),
            ).fetchone()
        )
        if row["site_id"] != given.site_id:
            raise BadInput(
                f"The circuit “{row['name']}” is at another site ({row['site']}).", field="circuit_id"
            )
    return replace(given, title=title, note=note)


def _locked(conn: Connection, job_id: int) -> Job:
    jobs.by_id(conn, job_id)
    anew.lock(conn, [one.instrument_id for one in jobs.assignments(conn, job_id)], [job_id])
    return jobs.by_id(conn, job_id)


def _shown(given: Details) -> dict[str, object]:
    shown = audit.of(given)
    shown["opened_at"] = to_datetime(int(str(shown.pop("opened_us"))))
    return shown


def _state(job: Job) -> dict[str, object]:
    closed = None if job.closed_us is None else to_datetime(job.closed_us)
    return {"state": job.state.value, "closed_at": closed, "note": job.note}


def _and(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}" if words else ""

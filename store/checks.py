"""Guided checks of a job, press by press: on whatever telephone, and tomorrow, they go on where they were.

A press that is undone stays, struck out; what was kept as a note ends a check and is not undone.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

from model.clock import to_datetime, to_us
from model.errors import Conflict
from model.event import EventKind
from model.guided_check import Check, Course, Press, Step, course_of
from store import events, jobs
from store.acting import Actor
from store.database import Connection, one
from store.events import NewEvent

HEADS: Mapping[Check, str] = {Check.RIG: "Rig alone", Check.FIND: "Leak by sections"}

_STEPS = """
SELECT s.id, s.act, s.at, s.sections, p.name AS person FROM check_step s
LEFT JOIN person p ON p.id = s.person_id
WHERE s.job_id = %(job)s AND s.kind = %(kind)s AND s.undone_at IS NULL AND s.id > coalesce((
    SELECT max(id) FROM check_step WHERE job_id = %(job)s AND kind = %(kind)s AND act = 'keep'), 0)
ORDER BY s.id
"""


def steps(conn: Connection, job_id: int, check: Check) -> list[Step]:
    """The presses since the check was begun, without those that were undone, in their order."""
    return [
        Step(row["id"], Press(row["act"]), to_us(row["at"]), tuple(row["sections"]), row["person"])
        for row in conn.execute(_STEPS, {"job": job_id, "kind": check})
    ]


def begun(conn: Connection, job_id: int) -> dict[Check, datetime]:
    """The checks of a job that are under way, and since when."""
    found = {}
    for check in Check:
        done = steps(conn, job_id, check)
        if course_of(done) != Course():
            found[check] = to_datetime(done[-1].at_us)
    return found


def press(
    conn: Connection,
    job_id: int,
    check: Check,
    what: Press,
    seen: int,
    actor: Actor,
    *,
    sections: tuple[str, ...] = (),
) -> None:
    """Go on with a check; the last thing in a transaction.

    Parameters
    ----------
    seen : int
        Number of the last press that the page showed, 0 for none.

    Raises
    ------
    Conflict
        Somebody went on meanwhile, or it cannot be pressed now.
    """
    course = course_of(_seen(conn, job_id, check, seen))
    if not course.takes(what) or (what is Press.NAME and check is Check.RIG):
        raise Conflict("That is no step of this check now. Look how it stands.")
    conn.execute(
        "INSERT INTO check_step (job_id, kind, act, at, person_id, sections) VALUES (%s, %s, %s, %s, %s, %s)",
        (job_id, check, what, to_datetime(actor.at_us), actor.person_id, list(sections)),
    )
    _tell(conn, job_id, check, what, _words(course, what, sections, actor.at_us), actor)


def undo(conn: Connection, job_id: int, check: Check, seen: int, actor: Actor) -> None:
    """Take the last press back; the last thing in a transaction. Raises `Conflict` as `press` does."""
    done = _seen(conn, job_id, check, seen)
    if not done:
        raise Conflict("There is nothing to undo.")
    conn.execute(
        "UPDATE check_step SET undone_at = %s, undone_by = %s WHERE id = %s",
        (to_datetime(actor.at_us), actor.person_id, done[-1].id),
    )
    _tell(conn, job_id, check, None, f"the last press (“{_LABELS[done[-1].press]}”) undone", actor)


# Parts --------------------------------------------------------------------------------------------------

_LABELS: Mapping[Press, str] = {
    Press.NAME: "sections named",
    Press.BEGIN: "watch",
    Press.READ: "read",
    Press.AGAIN: "again",
    Press.KEEP: "keep",
    Press.ANEW: "from the beginning",
}


def _seen(conn: Connection, job_id: int, check: Check, seen: int) -> list[Step]:
    # Two telephones press one after the other.
    jobs.by_id(conn, job_id)
    one(conn.execute("SELECT id FROM job WHERE id = %s FOR NO KEY UPDATE", (job_id,)).fetchone())
    done = steps(conn, job_id, check)
    if (done[-1].id if done else 0) != seen:
        raise Conflict("Somebody went on with this check meanwhile. This is how it stands now.")
    return done


def _words(course: Course, what: Press, sections: tuple[str, ...], at_us: int) -> str:
    number = len(course.stretches)
    if what is Press.NAME:
        return f"sections to be cut off: {', '.join(sections)}"
    if what is Press.BEGIN:
        return f"watched without {course.sections[number - 1]}" if number else "cut off, and watched"
    if what is Press.READ:
        minutes = (course.stretches[-1].end_us(at_us) - course.stretches[-1].start_us) // 60_000_000
        return f"read after {minutes} min"
    if what is Press.AGAIN:
        return "the last stretch is watched again"
    return "the result kept as a note" if what is Press.KEEP else "begun anew"


def _tell(conn: Connection, job_id: int, check: Check, what: Press | None, words: str, actor: Actor) -> None:
    job = jobs.by_id(conn, job_id)
    told = NewEvent(
        kind=EventKind.GUIDED_CHECK,
        happened_us=actor.at_us,
        text=f"{HEADS[check]}: {words}, by {actor.name}.",
        subject=f"job:{job_id}",
        site_id=job.site_id,
        job_id=job_id,
        data={"check": check, "press": what, "by": actor.name},
    )
    events.record(conn, [told], actor.at_us)

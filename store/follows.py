"""Following jobs: who is told of a reached target and of a hold that went over, and what each has seen.

What somebody is told is not written down twice: it is the events since they began to follow, less those that
they have seen."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from psycopg import errors

from model.errors import BadInput, NotFound
from model.event import EventKind
from store import events
from store.database import Connection, one
from store.lists import MOVED_S

SOUNDS = ("none", "rise", "fall", "two-tone", "warble", "knock")
"""What an open page can sound; the pages' script makes them from these names."""

MOST_TOLD = 50


@dataclass(frozen=True, slots=True)
class Follow:
    """What a person wants to be told of a job."""

    job_id: int
    target: bool
    over: bool


@dataclass(frozen=True, slots=True)
class SignalChoice:
    """A person's sounds.

    Parameters
    ----------
    volume : int
        0 to 100 [%].
    until_seen : bool
        A hold that went over sounds again until it is seen.
    """

    target_sound: str = "rise"
    over_sound: str = "warble"
    volume: int = 60
    until_seen: bool = True


def of_job(conn: Connection, person_id: int, job_id: int) -> Follow | None:
    """How a person follows a job, None if not at all."""
    row = conn.execute(
        "SELECT job_id, target, over FROM follow WHERE person_id = %s AND job_id = %s", (person_id, job_id)
    ).fetchone()
    return None if row is None else Follow(**row)


def set_follow(conn: Connection, person_id: int, job_id: int, *, target: bool, over: bool) -> Follow | None:
    """Arm and disarm; with neither the person follows the job no longer.

    Arming anew does not bring back what happened while it was disarmed.
    """
    if not target and not over:
        conn.execute("DELETE FROM follow WHERE person_id = %s AND job_id = %s", (person_id, job_id))
        return None
    try:
        row = conn.execute(
            "INSERT INTO follow (person_id, job_id, target, over, since_event) VALUES (%s, %s, %s, %s, %s) "
            "ON CONFLICT (person_id, job_id) DO UPDATE SET target = excluded.target, over = excluded.over, "
            "since_event = CASE WHEN (excluded.target AND NOT follow.target) OR "
            "(excluded.over AND NOT follow.over) THEN excluded.since_event ELSE follow.since_event END "
            "RETURNING job_id, target, over",
            (person_id, job_id, target, over, events.newest_id(conn)),
        ).fetchone()
    except errors.ForeignKeyViolation as error:
        raise NotFound(f"There is no job {job_id}.") from error
    return Follow(**one(row))


def everything(conn: Connection, person_id: int) -> list[dict[str, Any]]:
    """The jobs that a person follows, open ones first, with what is armed."""
    return conn.execute(
        "SELECT f.job_id, f.target, f.over, j.title, s.name AS site, j.closed_at IS NOT NULL AS closed "
        "FROM follow f JOIN job j ON j.id = f.job_id JOIN site s ON s.id = j.site_id "
        "WHERE f.person_id = %s ORDER BY j.closed_at IS NOT NULL, j.id DESC",
        (person_id,),
    ).fetchall()


# A later revision may have taken a target or a verdict back; the person is still told, with that word.
_TOLD = """
SELECT e.id, e.kind, e.happened_at, e.recorded_at, e.job_id, e.text, j.title, s.name AS site, s.time_zone,
       CASE WHEN e.kind = %(target_kind)s THEN NOT EXISTS (
                SELECT FROM fact k WHERE k.job_id = e.job_id AND k.kind = e.kind AND k.withdrawn_at IS NULL
                AND abs(extract(epoch FROM k.subject_at) - split_part(e.subject, ':', 2)::numeric / 1000000)
                    <= %(moved_s)s)
            ELSE NOT EXISTS (
                SELECT FROM hold_test h WHERE h.job_id = e.job_id AND h.withdrawn_at IS NULL
                AND h.verdict = 'failed' AND e.subject = 'hold:' || h.id)
       END AS taken_back
FROM follow f
JOIN event e ON e.job_id = f.job_id AND e.id > f.since_event
    AND ((f.target AND e.kind = %(target_kind)s) OR (f.over AND e.kind = %(over_kind)s))
JOIN job j ON j.id = f.job_id JOIN site s ON s.id = j.site_id
LEFT JOIN told_seen t ON t.person_id = f.person_id AND t.event_id = e.id
WHERE f.person_id = %(person)s AND t.event_id IS NULL
ORDER BY e.id DESC LIMIT %(most)s
"""


def told(conn: Connection, person_id: int) -> list[dict[str, Any]]:
    """What a person is told and has not seen yet, the newest first."""
    return conn.execute(
        _TOLD,
        {
            "person": person_id,
            "target_kind": EventKind.TARGET_REACHED,
            "over_kind": EventKind.HOLD_FAILED,
            "moved_s": MOVED_S,
            "most": MOST_TOLD,
        },
    ).fetchall()


def seen(conn: Connection, person_id: int, event_id: int, now: datetime) -> None:
    """A person has seen what they were told; saying so twice does no harm."""
    try:
        conn.execute(
            "INSERT INTO told_seen (person_id, event_id, at) VALUES (%s, %s, %s) ON CONFLICT DO NOTHING",
            (person_id, event_id, now),
        )
    except errors.ForeignKeyViolation as error:
        raise NotFound(f"There is no event {event_id}.") from error


def choice(conn: Connection, person_id: int) -> SignalChoice:
    """A person's sounds."""
    row = conn.execute(
        "SELECT target_sound, over_sound, volume, until_seen FROM signal_choice WHERE person_id = %s",
        (person_id,),
    ).fetchone()
    return SignalChoice() if row is None else SignalChoice(**row)


def choose(conn: Connection, person_id: int, chosen: SignalChoice) -> None:
    """Keep a person's sounds."""
    for field in ("target_sound", "over_sound"):
        if getattr(chosen, field) not in SOUNDS:
            raise BadInput(
                f"{getattr(chosen, field)!r} is no sound; use one of {', '.join(SOUNDS)}.", field=field
            )
    if not 0 <= chosen.volume <= 100:
        raise BadInput("The volume is from 0 to 100.", field="volume")
    conn.execute(
        "INSERT INTO signal_choice (person_id, target_sound, over_sound, volume, until_seen) "
        "VALUES (%s, %s, %s, %s, %s) ON CONFLICT (person_id) DO UPDATE SET "
        "target_sound = excluded.target_sound, over_sound = excluded.over_sound, volume = excluded.volume, "
        "until_seen = excluded.until_seen",
        (person_id, chosen.target_sound, chosen.over_sound, chosen.volume, chosen.until_seen),
    )

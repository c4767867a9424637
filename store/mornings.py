"""Mornings: when the holds of the night are told, and which they are.

The time is the company's, in a time zone of the company's. A night is what lies between an evening and that
time.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import time
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from model.clock import to_datetime
from model.errors import BadInput
from model.judgement import Verdict
from store import audit, timers
from store.audit import By
from store.database import Connection, one
from store.plans import SELECT as PLANS
from store.timers import Timer

TIMER, SUBJECT = "morning", "company"
OLDEST_DAYS = 62
"""A hold that began so long before is of no night any more, whatever it still awaits."""

# Most sites' time zone where nobody chose one.
TIME = """
    SELECT at, time_zone, coalesce(
        time_zone, (SELECT s.time_zone FROM site s GROUP BY 1 ORDER BY count(*) DESC, 1 LIMIT 1), 'UTC'
    ) AS zone
    FROM morning_time
"""
HOLD = """
    SELECT h.id, h.job_id, h.started_at, h.ended_at, h.detail, j.title, j.site_id, s.name AS site,
           s.time_zone, c.name AS circuit, c.refrigerant,
           (SELECT max(p.id) FROM hold_plan p WHERE (p.progress ->> 'hold_id')::int = h.id) AS plan_id,
           away.name AS gateway, away.at AS away_since
    FROM hold_test h JOIN job j ON j.id = h.job_id JOIN site s ON s.id = j.site_id
    LEFT JOIN circuit c ON c.id = j.circuit_id
    LEFT JOIN LATERAL (
        SELECT g.name, p.arrived_at AS at FROM instrument i JOIN gateway g ON g.id = i.gateway_id
        JOIN gateway_presence p ON p.gateway_id = g.id
        WHERE i.id = (h.detail ->> 'deciding_instrument_id')::int AND NOT p.online) away ON true
"""
HOLDS = (
    HOLD
    + """
    WHERE h.withdrawn_at IS NULL AND h.started_at < %(until)s
      AND h.started_at > %(since)s - make_interval(days => %(oldest)s)
      AND (j.closed_at IS NULL OR j.closed_at >= %(since)s)
      AND (h.ended_at IS NULL OR h.ended_at >= %(since)s OR h.verdict = %(awaiting)s)
    ORDER BY s.name, j.id, h.started_at
"""
)
NIGHT_PLANS = """
    WITH found AS ({plans})
    SELECT found.*, j.title, s.name AS site, c.name AS circuit, line.text AS last_line, line.at AS last_at
    FROM found JOIN job j ON j.id = found.job_id JOIN site s ON s.id = j.site_id
    LEFT JOIN circuit c ON c.id = j.circuit_id
    LEFT JOIN LATERAL (
        SELECT l.text, l.at FROM hold_plan_line l WHERE l.plan_id = found.id AND l.at < %(until)s
        ORDER BY l.id DESC LIMIT 1) line ON true
    WHERE found.made_at < %(until)s AND (found.state NOT IN ('ended', 'called-off')
        OR EXISTS (SELECT FROM hold_plan_line l WHERE l.plan_id = found.id AND l.at >= %(since)s
                   AND l.at < %(until)s))
    ORDER BY s.name, found.id
""".replace("{plans}", PLANS)


@dataclass(frozen=True, slots=True)
class MorningTime:
    """When the mornings come.

    Parameters
    ----------
    at : time
        Local time.
    chosen_zone : str or None
        IANA name; None: the one that most sites are in.
    zone : str
        The one that counts.
    """

    at: time
    chosen_zone: str | None
    zone: str


def when(conn: Connection) -> MorningTime:
    """When the mornings come."""
    row = one(conn.execute(TIME).fetchone())
    return MorningTime(row["at"], row["time_zone"], row["zone"])


def choose(conn: Connection, at: time, time_zone: str | None, by: By) -> MorningTime:
    """Set the time; audited. Set the timer anew, too (`set_timer`).

    Raises
    ------
    BadInput
        For a time zone that does not exist; its ``field`` says so.
    """
    if time_zone is not None:
        try:
            ZoneInfo(time_zone)
        except (ZoneInfoNotFoundError, ValueError, OSError) as error:
            raise BadInput(
                f"{time_zone[:60]!r} is no time zone; use a name such as Europe/Berlin.", field="time_zone"
            ) from error
    before = when(conn)
    conn.execute("UPDATE morning_time SET at = %s, time_zone = %s", (at, time_zone))
    after = when(conn)
    audit.write(conn, by, "set-morning", "company:1", _noted(before), _noted(after))
    return after


def set_timer(conn: Connection, due_us: int) -> None:
    """Set when the next morning comes [µs]."""
    timers.put(conn, [Timer(TIMER, SUBJECT, due_us)])


def has_timer(conn: Connection) -> bool:
    """Whether a morning is to come."""
    row = conn.execute("SELECT FROM timer WHERE kind = %s AND subject = %s", (TIMER, SUBJECT)).fetchone()
    return row is not None


def holds(conn: Connection, since_us: int, until_us: int) -> list[dict[str, Any]]:
    """Holds that ran at any time of a night, and older ones that still await readings; by site."""
    given = _night(since_us, until_us) | {"oldest": OLDEST_DAYS, "awaiting": Verdict.AWAITING}
    return conn.execute(HOLDS, given).fetchall()


def hold(conn: Connection, hold_id: int) -> dict[str, Any] | None:
    """One hold as `holds` gives it."""
    return conn.execute(HOLD + "WHERE h.id = %s", (hold_id,)).fetchone()


def plans(conn: Connection, since_us: int, until_us: int) -> list[dict[str, Any]]:
    """Plans that were live or had something to say in a night; rows of `store.plans.from_row` and more."""
    return conn.execute(NIGHT_PLANS, _night(since_us, until_us)).fetchall()


def _night(since_us: int, until_us: int) -> dict[str, object]:
    return {"since": to_datetime(since_us), "until": to_datetime(until_us)}


def _noted(chosen: MorningTime) -> dict[str, object]:
    return {"at": f"{chosen.at:%H:%M}", "time_zone": chosen.chosen_zone}

"""Lists for the API: filtered, in order of their number, paged by the last number seen."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from model.event import EventKind
from store.database import Connection, one


@dataclass(frozen=True, slots=True)
class Listing:
    """A list that can be paged.

    Parameters
    ----------
    query : str
        A complete SELECT whose first column is ``id``; its filters are parameters that may be null.
    newest_first : bool
        Whether it runs down in numbers.
    searched : str
        What the filter ``q`` looks in, as SQL; without it there is no such filter.
    """

    query: str
    newest_first: bool = False
    searched: str = ""

    def _found(self, filters: Mapping[str, object]) -> tuple[str, dict[str, object]]:
        q = filters.get("q")
        pattern = containing(q) if isinstance(q, str) else None
        found = f"SELECT * FROM ({self.query}) listed"  # noqa: S608 - constants of this module
        if self.searched and pattern:
            found += f" WHERE concat_ws(' ', {self.searched}) ILIKE %(pattern)s"
        return found, {**filters, "pattern": pattern}

    def page(
        self, conn: Connection, filters: Mapping[str, object], after: int | None, limit: int
    ) -> list[dict[str, Any]]:
        """At most ``limit`` rows beyond the number ``after``."""
        compare, order = ("<", "DESC") if self.newest_first else (">", "ASC")
        found, values = self._found(filters)
        statement = (
            f"SELECT * FROM ({found}) found "  # noqa: S608 - as above
            f"WHERE %(after)s::bigint IS NULL OR id {compare} %(after)s ORDER BY id {order} LIMIT %(limit)s"
        )
        return conn.execute(statement, {**values, "after": after, "limit": limit}).fetchall()

    def one(self, conn: Connection, filters: Mapping[str, object], number: int) -> dict[str, Any] | None:
        """The row of that number."""
        statement = f"SELECT * FROM ({self.query}) listed WHERE id = %(number)s"  # noqa: S608 - as above
        return conn.execute(statement, {**filters, "number": number}).fetchone()

    def count(self, conn: Connection, filters: Mapping[str, object]) -> int:
        """How many rows there are."""
        found, values = self._found(filters)
        statement = f"SELECT count(*) AS n FROM ({found}) found"  # noqa: S608 - as above
        return int(one(conn.execute(statement, values).fetchone())["n"])

    def ids(self, conn: Connection, filters: Mapping[str, object]) -> set[int]:
        """The numbers of all rows."""
        found, values = self._found(filters)
        statement = f"SELECT id FROM ({found}) found"  # noqa: S608 - as above
        return {row["id"] for row in conn.execute(statement, values)}


def containing(text: str | None) -> str | None:
    """A pattern for ``ILIKE``: what contains the text as it is; None for an empty one."""
    text = (text or "").strip()
    if not text:
        return None
    return "%" + re.sub(r"([\\%_])", r"\\\1", text) + "%"


_SITE_NAME = "(SELECT s.name FROM site s WHERE s.id = listed.site_id)"

SITES = Listing("SELECT id, name, time_zone, place FROM site", searched="name, time_zone, place")

CIRCUITS = Listing(
    "SELECT id, site_id, name, volume_m3, refrigerant, oil FROM circuit "
    "WHERE %(site)s::int IS NULL OR site_id = %(site)s",
    searched=f"name, refrigerant, oil, {_SITE_NAME}",
)

CREWS = Listing("SELECT id, name FROM crew", searched="name")

GATEWAYS = Listing(
    "SELECT g.id, g.name, g.site_id, g.created_at, g.revoked_at, p.online, p.software, p.boot, "
    "p.arrived_at AS presence_at, c.ahead_s AS clock_ahead_s "
    "FROM gateway g LEFT JOIN gateway_presence p ON p.gateway_id = g.id "
    "LEFT JOIN gateway_clock_ahead c ON c.gateway_id = g.id "
    "WHERE %(site)s::int IS NULL OR g.site_id = %(site)s",
    searched=f"name, software, {_SITE_NAME}",
)

INSTRUMENTS = Listing(
    "SELECT i.*, g.name AS gateway, g.site_id, a.job_id, l.value AS pressure_pa, l.time AS pressure_at, "
    "b.value AS battery_share, seen.at AS last_arrived_at, "
    "m.since AS suspect_since, m.reason AS suspect_reason, p.name AS suspect_by, "
    "(SELECT time_zone FROM site WHERE id = g.site_id) AS time_zone "
    "FROM instrument i JOIN gateway g ON g.id = i.gateway_id "
    "LEFT JOIN assignment a ON a.instrument_id = i.id AND a.until IS NULL "
    "LEFT JOIN latest l ON l.instrument_id = i.id AND l.quantity = 1 AND l.place_id = 1 "
    "LEFT JOIN latest b ON b.instrument_id = i.id AND b.quantity = 4 AND b.place_id = 1 "
    "LEFT JOIN LATERAL (SELECT max(arrived) AS at FROM latest WHERE instrument_id = i.id) seen ON true "
    "LEFT JOIN suspect_mark m ON m.instrument_id = i.id AND m.until IS NULL "
    "LEFT JOIN person p ON p.id = m.marked_by "
    "WHERE (%(gateway)s::int IS NULL OR i.gateway_id = %(gateway)s) "
    "AND (%(site)s::int IS NULL OR g.site_id = %(site)s)",
    searched=f"gateway || '/' || name, role, position, principle, serial, {_SITE_NAME}",
)

PROCEDURES = Listing(
    "SELECT p.* FROM procedure p WHERE %(every_version)s OR NOT EXISTS "
    "(SELECT FROM procedure q WHERE q.name = p.name AND q.version > p.version)",
    searched="name, origin",
)

JOBS = Listing(
    "SELECT j.id, j.title, j.state, j.walk_up, j.site_id, s.name AS site, s.time_zone, j.circuit_id, "
    "c.name AS circuit, j.crew_id, w.name AS crew, j.procedure_id, p.name AS procedure, "
    "p.version AS procedure_version, j.opened_at, "
    "j.closed_at, j.parked_at, j.note, p.target_pa, p.limit_pa, "
    "p.rise_pa, p.dwell_s, p.hold_s, p.settle_s, p.breaks AS breaks_asked, j.merged_into, j.kept_open, "
    "j.pump_m3_s, j.ultimate_pa, j.hose_bore_m, j.hose_length_m, "
    "j.parked_at IS NULL AND coalesce(t.seen = 'again' OR t.because <> '', false) AS judged_anew "
    "FROM job j JOIN site s ON s.id = j.site_id JOIN procedure p ON p.id = j.procedure_id "
    "LEFT JOIN circuit c ON c.id = j.circuit_id LEFT JOIN crew w ON w.id = j.crew_id "
    "LEFT JOIN track t ON t.job_id = j.id "
    "WHERE (%(site)s::int IS NULL OR j.site_id = %(site)s) AND "
    "(%(state)s::text IS NULL OR j.state = %(state)s) AND j.withdrawn_at IS NULL",
    newest_first=True,
    searched="title, site, circuit, crew, procedure, note",
)

HOLD_TESTS = Listing(
    "SELECT h.*, j.site_id, j.title, s.time_zone "
    "FROM hold_test h JOIN job j ON j.id = h.job_id JOIN site s ON s.id = j.site_id "
    "WHERE (%(job)s::int IS NULL OR h.job_id = %(job)s) "
    "AND (%(verdict)s::text IS NULL OR h.verdict = %(verdict)s) "
    "AND (%(withdrawn)s OR h.withdrawn_at IS NULL)",
    newest_first=True,
)

ALERTS = Listing(
    "SELECT a.id, a.kind, a.priority, a.state, a.text, a.action, a.site_id, s.name AS site, s.time_zone, "
    "a.job_id, j.title AS job, a.raised_at, a.updated_at, a.cleared_at, a.acknowledged_at, "
    "p.name AS acknowledged_by, a.note, a.count, a.happened_at, r.target_pa, r.limit_pa, a.held, "
    "a.held_because, a.held_until, "
    "substring(a.key FROM '^gateway:([^/]+)/') AS gateway, g.id AS gateway_id "
    "FROM alert a LEFT JOIN site s ON s.id = a.site_id LEFT JOIN job j ON j.id = a.job_id "
    "LEFT JOIN procedure r ON r.id = j.procedure_id "
    "LEFT JOIN person p ON p.id = a.acknowledged_by "
    "LEFT JOIN gateway g ON g.name = substring(a.key FROM '^gateway:([^/]+)/') "
    "WHERE (%(job)s::int IS NULL OR a.job_id = %(job)s) "
    "AND (%(state)s::text IS NULL OR a.state = %(state)s) AND (%(over)s OR a.state <> 'normal')",
    newest_first=True,
)

QUARANTINE = Listing(
    "SELECT id, arrived_at, topic, gateway, reason, message, record, octet_length(raw) AS size, times, "
    "replayed_at "
    "FROM quarantine WHERE (%(gateway)s::text IS NULL OR gateway = %(gateway)s) "
    "AND (%(reason)s::text IS NULL OR reason = %(reason)s) "
    "AND (%(text)s::text IS NULL OR topic ILIKE %(text)s OR message ILIKE %(text)s) "
    "AND (%(waiting)s::boolean IS NULL OR (replayed_at IS NULL) = %(waiting)s)",
    newest_first=True,
)

EVENTS = Listing(
    "SELECT id, kind, happened_at, recorded_at, site_id, job_id, subject, text, data FROM event "
    "WHERE job_id = %(job)s AND kind = ANY(%(kinds)s)",
    newest_first=True,
)
"""``kinds``: those that this program knows; a newer one may have written others."""


# A fact about a stretch of the curve is named by its start, which late readings may move, or take back whole.
_TIMELINE = """
SELECT id, happened_at, recorded_at, text,
       kind = ANY(%(facts)s) AND subject NOT LIKE 'job:%%' AND NOT EXISTS (
           SELECT FROM fact f WHERE f.job_id = e.job_id AND f.kind = e.kind AND f.withdrawn_at IS NULL
           AND abs(extract(epoch FROM coalesce(f.told_at, f.subject_at))
                   - split_part(e.subject, ':', 2)::numeric / 1000000) <= %(moved_s)s
       ) AS void
FROM event e WHERE job_id = %(job)s ORDER BY happened_at DESC, id DESC LIMIT %(limit)s
"""
MOVED_S = 600
"""How far the start of a stretch may move and be the same still [s]."""


def timeline(conn: Connection, job_id: int, limit: int) -> list[dict[str, Any]]:
    """Events of a job by event time, the latest first; ``void`` ones were taken back by late readings."""
    facts = [
        EventKind.JOB_OPENED,
        EventKind.JOB_CLOSED,
        EventKind.PULL_DOWN_STARTED,
        EventKind.TARGET_REACHED,
        EventKind.VACUUM_BROKEN,
        EventKind.PUMP_STOPPED,
        EventKind.PUMP_STOP_OVER,
        EventKind.EVACUATION_FINISHED,
        EventKind.EVACUATION_UNPROVEN,
    ]
    what = {"job": job_id, "facts": facts, "moved_s": MOVED_S, "limit": limit}
    return conn.execute(_TIMELINE, what).fetchall()


def withdrawn(conn: Connection, job_id: int) -> bool:
    """Whether late readings showed that there was no such walk-up job."""
    row = conn.execute("SELECT withdrawn_at FROM job WHERE id = %s", (job_id,)).fetchone()
    return row is not None and row["withdrawn_at"] is not None


def phases(conn: Connection, job_id: int) -> list[dict[str, Any]]:
    """Phases of a job in order of time."""
    return conn.execute("SELECT * FROM phase WHERE job_id = %s ORDER BY started_at", (job_id,)).fetchall()


def revisions(conn: Connection, hold_test_id: int) -> list[dict[str, Any]]:
    """Revisions of a hold test, newest first."""
    return conn.execute(
        "SELECT revision, verdict, reason, text, cause, because, at FROM hold_test_revision "
        "WHERE hold_test_id = %s ORDER BY revision DESC",
        (hold_test_id,),
    ).fetchall()


def serving(conn: Connection, job_id: int) -> list[dict[str, Any]]:
    """Instruments that served a job, with gateway names, in order of time."""
    return conn.execute(
        "SELECT a.id AS assignment_id, a.instrument_id, g.name AS gateway, i.name, i.role, "
        "coalesce(a.side, i.position) AS position, a.side, i.position AS registered, i.interval_s, "
        "i.principle, i.accuracy, i.range_low_pa, i.range_high_pa, i.serial, i.pump_m3_s, i.ultimate_pa, "
        "a.since, a.until, a.deciding "
        "FROM assignment a JOIN instrument i ON i.id = a.instrument_id JOIN gateway g ON g.id = i.gateway_id "
        "WHERE a.job_id = %s ORDER BY a.since, a.id",
        (job_id,),
    ).fetchall()


def merged_from(conn: Connection, job_id: int) -> list[dict[str, Any]]:
    """Jobs that were merged into this one, by number."""
    return conn.execute("SELECT id, title FROM job WHERE merged_into = %s ORDER BY id", (job_id,)).fetchall()


def unacknowledged(conn: Connection) -> int:
    """How many alerts nobody has taken."""
    row = conn.execute("SELECT count(*) AS n FROM alert WHERE state LIKE '%-unacknowledged'").fetchone()
    return int(row["n"]) if row else 0

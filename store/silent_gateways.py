"""What is known of a gateway whose gauges are silent."""

from __future__ import annotations

from dataclasses import dataclass

from model.alert import Priority
from store.database import Connection
from store.timers import Timer, put

LOOK = "gateway-silence"
"""Kind of the timers; the subject is the gateway's number."""

_SEEN = """
SELECT g.id, g.name, g.site_id, coalesce(NOT p.online, false) AS away,
       gauges.serving, gauges.silent, children.n AS children, children.priority,
       EXISTS (SELECT FROM alert WHERE key = 'gateway:' || g.name || '/silent'
               AND state IN ('active-unacknowledged', 'active-acknowledged')) AS told
FROM gateway g LEFT JOIN gateway_presence p ON p.gateway_id = g.id
CROSS JOIN LATERAL (
    SELECT count(DISTINCT i.id) AS serving,
           count(DISTINCT i.id) FILTER (WHERE i.id = ANY(t.silent)) AS silent
    FROM instrument i JOIN assignment a ON a.instrument_id = i.id AND a.until IS NULL
    JOIN job j ON j.id = a.job_id AND j.closed_at IS NULL LEFT JOIN track t ON t.job_id = j.id
    WHERE i.gateway_id = g.id AND i.role = 'gauge'
) gauges
CROSS JOIN LATERAL (
    SELECT count(DISTINCT a.instrument_id) AS n,
           (ARRAY['urgent', 'high', 'medium', 'low'])[
               min(array_position(ARRAY['urgent', 'high', 'medium', 'low'], a.priority))] AS priority
    FROM alert a JOIN instrument i ON i.id = a.instrument_id
    WHERE i.gateway_id = g.id AND a.kind = 'series-silent'
      AND a.state IN ('active-unacknowledged', 'active-acknowledged')
) children
WHERE g.id = %s
"""


@dataclass(frozen=True, slots=True)
class Seen:
    """A gateway and its gauges.

    Parameters
    ----------
    away : bool
        It said, or the broker said for it, that it is off line.
    serving, silent : int
        Gauges that serve a running job, and those of them that are silent.
    children : int
        Gauges of it whose silence is an alert now, because a hold waits for them.
    priority : Priority or None
        Of the most urgent of these alerts.
    told : bool
        The gateway's own alert is active.
    """

    gateway_id: int
    name: str
    site_id: int
    away: bool
    serving: int
    silent: int
    children: int
    priority: Priority | None
    told: bool


def look(conn: Connection, gateway_id: int, at_us: int) -> None:
    """Have the desk look at a gateway then."""
    put(conn, [Timer(LOOK, str(gateway_id), at_us)])


def of_instrument(conn: Connection, label: str) -> int | None:
    """Number of the gateway in ``gateway/name``."""
    row = conn.execute("SELECT id FROM gateway WHERE name = split_part(%s, '/', 1)", (label,)).fetchone()
    return None if row is None else int(row["id"])


def seen(conn: Connection, gateway_id: int) -> Seen | None:
    """What is known of it now; None: there is no such gateway."""
    row = conn.execute(_SEEN, (gateway_id,)).fetchone()
    if row is None:
        return None
    return Seen(
        gateway_id=row["id"],
        name=row["name"],
        site_id=row["site_id"],
        away=row["away"],
        serving=row["serving"],
        silent=row["silent"],
        children=row["children"],
        priority=None if row["priority"] is None else Priority(row["priority"]),
        told=row["told"],
    )

"""What the checks before leaving read that no interlock does: how a gauge was heard, whether messages go."""

from __future__ import annotations

from model.clock import US, to_datetime, to_us
from model.equipment import Position, Role
from model.preflight import Rhythm, Route
from model.reading import Quantity
from store.database import Connection, one

LISTENED_S = 1800.0

GAUGE = """
    SELECT i.id, i.gateway_id FROM assignment a JOIN instrument i ON i.id = a.instrument_id
    WHERE a.job_id = %s AND a.until IS NULL AND i.role = %s
    ORDER BY coalesce(a.side, i.position) <> %s, a.deciding DESC, i.id LIMIT 1
"""
ARRIVALS = """
    SELECT DISTINCT arrived FROM reading_of(%s, %s, 'infinity')
    WHERE quantity = %s AND place_id = 1 ORDER BY arrived
"""
# By the database's own clock, as notifications are; a test message counts as any other. Of several channels
# it is enough that one works.
ROUTE = """
    WITH over AS (
        SELECT c.id, max(n.sent_at) AS sent_at, coalesce(bool_or(
            n.sent_at IS NULL AND n.attempts > 0 AND n.id > coalesce((
                SELECT max(s.id) FROM notification s WHERE s.channel_id = c.id AND s.sent_at IS NOT NULL), 0)
        ), false) AS failing
        FROM channel c LEFT JOIN notification n ON n.channel_id = c.id
        WHERE c.removed_at IS NULL AND c.stopped_at IS NULL AND 'alerts' = ANY(c.tells) GROUP BY c.id)
    SELECT extract(epoch FROM clock_timestamp() - coalesce(
               max(sent_at) FILTER (WHERE NOT failing), max(sent_at)))::float8 AS delivered_s,
           coalesce(bool_or(failing) AND count(sent_at) FILTER (WHERE NOT failing) = 0, false) AS failing
    FROM over
"""


def gauge(conn: Connection, job_id: int) -> tuple[int, int] | None:
    """Instrument and gateway of the gauge of a job, the one on the circuit's side that decides first."""
    row = conn.execute(GAUGE, (job_id, Role.GAUGE, Position.CIRCUIT)).fetchone()
    return None if row is None else (row["id"], row["gateway_id"])


def rhythm(conn: Connection, instrument_id: int, now_us: int) -> Rhythm:
    """How a gauge was heard over the last half hour."""
    since = to_datetime(now_us - round(LISTENED_S * US))
    rows = conn.execute(ARRIVALS, (instrument_id, since, int(Quantity.PRESSURE))).fetchall()
    arrivals = [to_us(row["arrived"]) for row in rows if to_us(row["arrived"]) <= now_us]
    if not arrivals:
        return Rhythm(None)
    begun_us, gap_us = max(
        zip(arrivals, [*arrivals[1:], now_us], strict=True), key=lambda pair: pair[1] - pair[0]
    )
    longest_s = (gap_us - begun_us) / US
    return Rhythm(arrivals[-1], longest_s, begun_us, (now_us - arrivals[0]) / US)


def route(conn: Connection) -> Route:
    """How messages of alerts have gone out."""
    row = one(conn.execute(ROUTE).fetchone())
    return Route(row["delivered_s"], row["failing"])

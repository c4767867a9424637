"""Numbers that the tables tell at the moment they are asked: queues, their ages, verdicts, alerts."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from model.clock import US, to_us
from model.skew import TOLERANCE_S
from store import layout, timers
from store.database import Connection, one

MOST_STRAYS = 10_000
"""More readings outside of their days are not counted at each look."""

# Ages of work and notifications are by the database's own clock, which wrote their times; timers are due by
# the injected one.
_NUMBERS = """
SELECT (SELECT count(*) FROM job WHERE closed_at IS NULL) AS jobs_open,
       (SELECT count(*) FROM job WHERE parked_at IS NOT NULL AND closed_at IS NULL) AS jobs_parked,
       (SELECT count(*) FROM work) AS work_items,
       (SELECT coalesce(extract(epoch FROM clock_timestamp() - min(at)), 0)::float8 FROM work)
           AS work_oldest_seconds,
       (SELECT count(*) FROM timer) AS timers,
       (SELECT count(*) FROM timer WHERE due <= %(now)s) AS timers_overdue,
       (SELECT coalesce(extract(epoch FROM %(now)s - min(due)), 0)::float8 FROM timer WHERE due <= %(now)s)
           AS timer_overdue_seconds,
       (SELECT count(*) FROM event
        WHERE id > coalesce((SELECT event_id FROM event_cursor WHERE reader = 'desk'), 0)) AS events_waiting,
       (SELECT count(*) FROM notification WHERE sent_at IS NULL AND given_up_at IS NULL)
           AS notifications_waiting,
       (SELECT coalesce(greatest(extract(epoch FROM clock_timestamp() - min(due_at)), 0), 0)::float8
        FROM notification WHERE sent_at IS NULL AND given_up_at IS NULL) AS notification_overdue_seconds,
       (SELECT count(*) FROM quarantine WHERE replayed_at IS NULL) AS quarantined_refusals,
       (SELECT count(DISTINCT gateway) FROM quarantine_overflow) AS quarantine_overflow_gateways,
       (SELECT count(*) FROM gateway_presence p JOIN gateway g ON g.id = p.gateway_id
        WHERE p.online AND g.revoked_at IS NULL) AS gateways_online,
       (SELECT count(*) FROM gateway_clock_ahead c JOIN gateway g ON g.id = c.gateway_id
        WHERE abs(c.ahead_s) > %(tolerance_s)s AND g.revoked_at IS NULL) AS gateways_clock_off
"""


def numbers(conn: Connection, now: datetime) -> dict[str, float]:
    """Single numbers by their names.

    Parameters
    ----------
    now : datetime
        By the injected clock.
    """
    given = {"now": now, "tolerance_s": TOLERANCE_S}
    return {name: float(value) for name, value in one(conn.execute(_NUMBERS, given).fetchone()).items()}


def readings(conn: Connection, now: datetime) -> dict[str, float]:
    """How the readings are laid out, by names of metrics; what only partitions have is missing elsewhere."""
    parts = layout.parts(conn)
    told: dict[str, float] = {"reading_days": len(parts)}
    if layout.kind_of(conn) == layout.PARTITIONS:
        told["reading_days_ahead"] = sum(part.since > now for part in parts)
        told["readings_stray"] = layout.strays(conn, MOST_STRAYS)
    return told


@dataclass(frozen=True, slots=True)
class Astray:
    """Readings outside of the tables of their days, and since when the upkeep that moves them is due [s].

    Parameters
    ----------
    readings : int
        Counted up to `MOST_STRAYS`.
    overdue_s : float or None
        Negative before it is due; None if no upkeep was ever done.
    """

    readings: int
    overdue_s: float | None


def astray(conn: Connection, now: datetime) -> Astray | None:
    """What is in the DEFAULT partition; None where there is none, for TimescaleDB makes days as they come."""
    if layout.kind_of(conn) != layout.PARTITIONS:
        return None
    due_us = timers.next_due_us(conn, [timers.READINGS_UPKEEP])
    overdue_s = None if due_us is None else (to_us(now) - due_us) / US
    return Astray(layout.strays(conn, MOST_STRAYS), overdue_s)


def hold_tests(conn: Connection) -> dict[tuple[str, str], int]:
    """How many hold tests have each verdict for each reason; withdrawn ones do not count."""
    rows = conn.execute(
        "SELECT verdict, reason, count(*) AS n FROM hold_test WHERE withdrawn_at IS NULL GROUP BY 1, 2"
    )
    return {(row["verdict"], row["reason"]): row["n"] for row in rows}


def alerts(conn: Connection) -> dict[tuple[str, str], int]:
    """How many alerts are in each state with each priority, those back to normal left out."""
    rows = conn.execute(
        "SELECT state, priority, count(*) AS n FROM alert WHERE state <> 'normal' GROUP BY 1, 2"
    )
    return {(row["state"], row["priority"]): row["n"] for row in rows}


def only_counted(conn: Connection) -> dict[str, int]:
    """How many refusals found no room in quarantine, by reason; gateways would be too many for a label."""
    rows = conn.execute("SELECT reason, sum(messages)::bigint AS n FROM quarantine_overflow GROUP BY 1")
    return {row["reason"]: row["n"] for row in rows}


def orders(conn: Connection) -> dict[str, int]:
    """How many orders to valves are in each state."""
    rows = conn.execute("SELECT state, count(*) AS n FROM valve_order GROUP BY 1")
    return {row["state"]: row["n"] for row in rows}

"""Having jobs judged anew because equipment that they are judged by has changed."""

from __future__ import annotations

from model.clock import to_us
from store import anew, events
from store.audit import By
from store.database import Connection

_WITH_READINGS = """
SELECT DISTINCT a.job_id FROM assignment a WHERE a.job_id = ANY(%s) AND EXISTS (
    SELECT FROM reading_of(a.instrument_id, a.since, coalesce(a.until, 'infinity')) r
    WHERE r.time < coalesce(a.until, 'infinity'::timestamptz))
ORDER BY 1
"""


def of_instrument(conn: Connection, instrument_id: int) -> list[int]:
    """The jobs that an instrument served or serves."""
    rows = conn.execute(
        "SELECT DISTINCT job_id FROM assignment WHERE instrument_id = %s AND job_id IS NOT NULL ORDER BY 1",
        (instrument_id,),
    )
    return [row["job_id"] for row in rows]


def served_now(conn: Connection, instrument_id: int) -> list[int]:
    """The jobs that an instrument still serves."""
    rows = conn.execute(
        "SELECT job_id FROM assignment WHERE instrument_id = %s AND until IS NULL AND job_id IS NOT NULL "
        "ORDER BY 1",
        (instrument_id,),
    )
    return [row["job_id"] for row in rows]


def of_circuit(conn: Connection, circuit_id: int) -> list[int]:
    """The jobs on a circuit."""
    rows = conn.execute("SELECT id FROM job WHERE circuit_id = %s ORDER BY 1", (circuit_id,))
    return [row["id"] for row in rows]


def ask(conn: Connection, job_ids: list[int], because: str, by: By) -> list[int]:
    """Let jobs be judged anew; returns those that have readings. A verdict that changes names the reason."""
    if not job_ids:
        return []
    served = conn.execute("SELECT instrument_id FROM assignment WHERE job_id = ANY(%s)", (job_ids,))
    anew.lock(conn, [row["instrument_id"] for row in served], job_ids)
    now_us = to_us(by.at)
    told = anew.ask(conn, job_ids, because, now_us)
    judged = [row["job_id"] for row in conn.execute(_WITH_READINGS, (job_ids,))]
    events.record(conn, told, now_us)
    return judged

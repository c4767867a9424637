"""Having jobs judged again because something that they are judged by has changed.

The digest of a job's settings shows the judgement that it must begin anew; here only the work is queued that
makes it look. Verdicts that change by it are revised, with the old one beside them."""

from __future__ import annotations

from collections.abc import Iterable

from model.clock import to_us
from store import standing, work
from store.database import Connection
from store.work import Span

_FIRST = """
SELECT DISTINCT ON (job_id) job_id, instrument_id, since FROM assignment
WHERE job_id = ANY(%s) ORDER BY job_id, since, id
"""


def of_instrument(conn: Connection, instrument_id: int) -> list[int]:
    """The jobs that an instrument served or serves."""
    rows = conn.execute(
        "SELECT DISTINCT job_id FROM assignment WHERE instrument_id = %s AND job_id IS NOT NULL ORDER BY 1",
        (instrument_id,),
    )
    return [row["job_id"] for row in rows]


def of_circuit(conn: Connection, circuit_id: int) -> list[int]:
    """The jobs on a circuit."""
    rows = conn.execute("SELECT id FROM job WHERE circuit_id = %s ORDER BY 1", (circuit_id,))
    return [row["id"] for row in rows]


def queue(conn: Connection, job_ids: Iterable[int]) -> list[int]:
    """Queue the jobs, parked ones too; returns those that anything served, which alone have a judgement."""
    ids = sorted(set(job_ids))
    if not ids:
        return []
    rows = conn.execute(_FIRST, (ids,)).fetchall()
    standing.clear_failures(conn, ids)
    work.add(conn, [Span(row["instrument_id"], to_us(row["since"]), to_us(row["since"])) for row in rows])
    return [row["job_id"] for row in rows]

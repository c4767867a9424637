"""Hanging a gauge on a job at the site: which one, on which side of the valve, from when on."""

from __future__ import annotations

from collections.abc import Sequence

from model.equipment import Instrument, Position, Role
from model.errors import BadInput, NotFound
from store import assignments, equipment, jobs
from store.acting import Actor
from store.assignments import Wish
from store.database import Connection


def gauges_at(conn: Connection, site_id: int) -> list[dict[str, object]]:
    """The gauges of a site's gateways that are in service, by name."""
    return conn.execute(
        "SELECT g.name || '/' || i.name AS label, i.name, i.position FROM instrument i "
        "JOIN gateway g ON g.id = i.gateway_id WHERE g.site_id = %s AND i.role = %s AND i.retired_at IS NULL "
        "ORDER BY 1",
        (site_id, Role.GAUGE),
    ).fetchall()


def gauge_named(conn: Connection, name: str, site_id: int) -> Instrument:
    """The gauge ``gateway/name``, or ``name`` alone: of the site's if only one there bears it, else of all.

    Raises
    ------
    NotFound, BadInput
        There is none, or it is not clear which one is meant.
    """
    here = [str(one["label"]) for one in gauges_at(conn, site_id) if one["name"] == name]
    found = equipment.instrument_named(conn, here[0] if len(here) == 1 else name)
    if found.role is not Role.GAUGE:
        raise BadInput(f"{name} is no vacuum gauge.", field="instrument")
    return found


def hang(
    conn: Connection,
    job_id: int,
    gauge: Instrument,
    position: Position,
    since_us: int,
    actor: Actor,
    *,
    take_over: bool = False,
) -> None:
    """Let a gauge serve a job for good, from that moment on [µs]; on the circuit's side it decides.

    The side holds for this span only. A gauge that hangs on the job's other side already is moved: what it
    read before keeps the side where it was read, unless the moment lies before its span began.

    Raises
    ------
    Conflict
        It serves another job then; with ``take_over`` that one gives the span up.
    """
    deciding = position is Position.CIRCUIT
    for served in jobs.assignments(conn, job_id):
        if served.instrument_id != gauge.id or served.until_us is not None:
            continue
        if (served.side or gauge.position) is not position and since_us > served.since_us:
            assignments.move(conn, served.id, position, since_us, actor)
        else:
            since_us = min(served.since_us, since_us)
            wish = Wish(job_id, gauge.id, since_us, None, deciding, position)
            assignments.correct(conn, served.id, wish, actor, take_over=take_over)
        return
    wish = Wish(job_id, gauge.id, since_us, None, deciding, position)
    assignments.assign(conn, wish, actor, take_over=take_over)


MOST_LABELS = 200


def to_label(conn: Connection, site_id: int | None, numbers: Sequence[int]) -> list[dict[str, str]]:
    """Gauges in service by site, gateway and name, one more than `MOST_LABELS` at most.

    Parameters
    ----------
    site_id : int or None
        None: of all sites.
    numbers : sequence of int
        Only these; none: all.
    """
    return conn.execute(
        "SELECT g.name AS gateway, i.name, i.serial FROM instrument i JOIN gateway g ON g.id = i.gateway_id "
        "JOIN site s ON s.id = g.site_id "
        "WHERE i.role = %(gauge)s AND i.retired_at IS NULL AND (%(site)s::int IS NULL OR s.id = %(site)s) "
        "AND (cardinality(%(numbers)s::int[]) = 0 OR i.id = ANY(%(numbers)s)) "
        "ORDER BY s.name, g.name, i.name LIMIT %(most)s",
        {"gauge": Role.GAUGE, "site": site_id, "numbers": list(numbers), "most": MOST_LABELS + 1},
    ).fetchall()


def serving_job(conn: Connection, gauge: Instrument) -> int | None:
    """The open job that a gauge serves now."""
    row = conn.execute(
        "SELECT a.job_id FROM assignment a JOIN job j ON j.id = a.job_id "
        "WHERE a.instrument_id = %s AND a.until IS NULL AND j.closed_at IS NULL",
        (gauge.id,),
    ).fetchone()
    return None if row is None else int(row["job_id"])


def open_jobs_at(conn: Connection, gateway_id: int) -> list[dict[str, object]]:
    """Jobs that are not closed at the site of a gateway, the newest first."""
    return conn.execute(
        "SELECT j.id, j.title FROM job j JOIN gateway g ON g.site_id = j.site_id "
        "WHERE g.id = %s AND j.closed_at IS NULL ORDER BY j.id DESC",
        (gateway_id,),
    ).fetchall()


def label_of(conn: Connection, path: str) -> Instrument:
    """The gauge of a label; raises `NotFound`."""
    found = equipment.instrument_named(conn, path)
    if found.role is not Role.GAUGE:
        raise NotFound(f"{path} is no vacuum gauge.")
    return found

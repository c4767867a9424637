"""A gauge's past to be tended: days of readings, jobs on some of them."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime

import numpy as np

from model.clock import US
from model.reading import Quantity
from store import jobs, layout, procedures, readings, upkeep
from store.database import Connection, one
from store.series import NO_PLACE

NOW_US = 1_790_000_000 * US
DAY_US = 86_400 * US
KEEP = upkeep.Rules(keep_days=30)

Reading = tuple[int, int, int, float, int]
"""Instrument, quantity, time [µs], value, arrival [µs]."""


def midnight_us(days_ago: int) -> int:
    """The beginning of a UTC day."""
    return (NOW_US // DAY_US - days_ago) * DAY_US


def put(conn: Connection, rows: Iterable[Reading]) -> None:
    """Store readings as the ingest does, looked at by the workers already."""
    full = [(who, what, NO_PLACE, at, value, arrived) for who, what, at, value, arrived in rows]
    readings.prepare(conn)
    with conn.transaction():
        readings.write(conn, readings.in_order(np.array(full, readings.ROW)))
        conn.execute("DELETE FROM work")


def every(instrument_id: int, since_us: int, until_us: int, step_s: int = 600) -> list[Reading]:
    """A pressure every so many seconds, each of its own."""
    return [
        (instrument_id, Quantity.PRESSURE, at, 50.0 + (at // US) % 997, at + 1_234_567)
        for at in range(since_us, until_us, step_s * US)
    ]


def all_of(conn: Connection, instrument_id: int) -> set[Reading]:
    """What there is of an instrument, wherever it is."""
    rows = conn.execute(
        "SELECT quantity, (extract(epoch FROM time) * 1000000)::bigint AS at, value, "
        "(extract(epoch FROM arrived) * 1000000)::bigint AS arrived "
        "FROM reading_of(%s, '-infinity', 'infinity')",
        (instrument_id,),
    )
    return {(instrument_id, row["quantity"], row["at"], row["value"], row["arrived"]) for row in rows}


def job(conn: Connection, instrument_id: int, since_us: int, until_us: int | None) -> int:
    """A job that the instrument served in a span, closed at its end; unclosed without one."""
    site = one(conn.execute("SELECT min(id) AS id FROM site").fetchone())["id"]
    made = jobs.add(conn, "Cold room 3", site, procedures.default(conn).id, since_us)
    jobs.assign(conn, made.id, instrument_id, since_us, deciding=True)
    if until_us is not None:
        conn.execute("UPDATE assignment SET until = %s WHERE job_id = %s", (moment(until_us), made.id))
        conn.execute(
            "UPDATE job SET state = 'closed', closed_at = %s WHERE id = %s", (moment(until_us), made.id)
        )
    return made.id


def moment(at_us: int) -> datetime:
    return datetime.fromtimestamp(at_us // US, UTC)


def in_rows(conn: Connection) -> int:
    """How many readings there are in the readings themselves."""
    return int(one(conn.execute("SELECT count(*) AS n FROM reading").fetchone())["n"])


def names(conn: Connection) -> set[str]:
    """The parts there are."""
    return {part.name for part in layout.parts(conn)}


def part_of(at_us: int) -> str:
    return f"reading_{moment(at_us):%Y%m%d}"

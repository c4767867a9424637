"""Laying out the readings: a hypertable where TimescaleDB is there, else declarative partitions.

The logical table is the same on both, so every query is. `ensure_layout` may run at any time and as often as
one likes: it also makes the partitions of the days ahead.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

from psycopg import sql

from store.database import Connection

COLUMNS = """
    instrument_id integer NOT NULL,
    quantity smallint NOT NULL,
    place_id smallint NOT NULL DEFAULT 1,
    time timestamptz NOT NULL,
    value double precision NOT NULL,
    arrived timestamptz NOT NULL
"""
# The value is part of the key: the same reading twice is one row, two values for one time are both kept.
KEY = "instrument_id, quantity, place_id, time, value"
DAYS_BACK = 3
DAYS_AHEAD = 7


def has_timescale(conn: Connection) -> bool:
    """Whether the extension can be used in this database."""
    row = conn.execute(
        "SELECT count(*) AS n FROM pg_available_extensions WHERE name = 'timescaledb'"
    ).fetchone()
    return bool(row and row["n"])


def ensure_layout(conn: Connection) -> str:
    """Make the readings table and what it needs, whichever database this is.

    Returns
    -------
    str
        ``"hypertable"`` or ``"partitions"``.
    """
    kind = conn.execute("SELECT relkind FROM pg_class WHERE oid = to_regclass('reading')").fetchone()
    if has_timescale(conn) and (kind is None or kind["relkind"] != "p"):
        _ensure_hypertable(conn)
        return "hypertable"
    _ensure_partitions(conn, datetime.now(UTC).date())
    return "partitions"


def _ensure_hypertable(conn: Connection) -> None:
    conn.execute("CREATE EXTENSION IF NOT EXISTS timescaledb")
    conn.execute(f"CREATE TABLE IF NOT EXISTS reading ({COLUMNS}, PRIMARY KEY ({KEY}))")
    conn.execute(
        "SELECT create_hypertable('reading', by_range('time', INTERVAL '1 day'), if_not_exists => true)"
    )


def _ensure_partitions(conn: Connection, today: date) -> None:
    conn.execute(
        f"CREATE TABLE IF NOT EXISTS reading ({COLUMNS}, PRIMARY KEY ({KEY})) PARTITION BY RANGE (time)"
    )
    conn.execute("CREATE TABLE IF NOT EXISTS reading_default PARTITION OF reading DEFAULT")
    have = {
        row["relname"]
        for row in conn.execute(
            "SELECT c.relname FROM pg_inherits i JOIN pg_class c ON c.oid = i.inhrelid "
            "WHERE i.inhparent = 'reading'::regclass"
        )
    }
    for offset in range(-DAYS_BACK, DAYS_AHEAD + 1):
        day = today + timedelta(days=offset)
        name = f"reading_{day:%Y%m%d}"
        if name not in have:
            _make_partition(conn, name, day)


def _make_partition(conn: Connection, name: str, day: date) -> None:
    # Rows of that day which went to the default partition before must move over, else PostgreSQL refuses.
    bounds = (
        datetime(day.year, day.month, day.day, tzinfo=UTC),
        datetime(day.year, day.month, day.day, tzinfo=UTC) + timedelta(days=1),
    )
    table = sql.Identifier(name)
    conn.execute(sql.SQL("CREATE TABLE {} (LIKE reading INCLUDING DEFAULTS)").format(table))
    conn.execute(
        sql.SQL(
            "WITH moved AS (DELETE FROM reading_default WHERE time >= {} AND time < {} RETURNING *) "
            "INSERT INTO {} SELECT * FROM moved"
        ).format(bounds[0], bounds[1], table)
    )
    conn.execute(
        sql.SQL("ALTER TABLE reading ATTACH PARTITION {} FOR VALUES FROM ({}) TO ({})").format(
            table, bounds[0], bounds[1]
        )
    )

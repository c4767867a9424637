"""Laying out the readings, a part a day: a hypertable where TimescaleDB is there, else partitions.

The logical table is the same on both, so every query is. `ensure_layout` may run at any time and as often as
one likes: it also makes the partitions of the days ahead. What is older is `store.upkeep`'s.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

from psycopg import sql

from store.database import Connection, one

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
DAY = timedelta(days=1)

HYPERTABLE, PARTITIONS = "hypertable", "partitions"

COLUMNSTORE = """
ALTER TABLE reading SET (timescaledb.enable_columnstore,
    timescaledb.segmentby = 'instrument_id, quantity, place_id', timescaledb.orderby = 'time, value')
"""


@dataclass(frozen=True, slots=True)
class Part:
    """The table that holds a day's readings, [since, until).

    Parameters
    ----------
    columnar : bool
        Whether TimescaleDB has put it into its columnstore.
    """

    schema: str
    name: str
    since: datetime
    until: datetime
    columnar: bool = False

    @property
    def table(self) -> sql.Identifier:
        """To be put into a statement."""
        return sql.Identifier(self.schema, self.name)


def has_timescale(conn: Connection) -> bool:
    """Whether the extension can be used in this database."""
    row = conn.execute(
        "SELECT count(*) AS n FROM pg_available_extensions WHERE name = 'timescaledb'"
    ).fetchone()
    return bool(row and row["n"])


def kind_of(conn: Connection) -> str:
    """`HYPERTABLE` or `PARTITIONS`, of readings that are laid out already."""
    row = conn.execute("SELECT relkind FROM pg_class WHERE oid = 'reading'::regclass").fetchone()
    return PARTITIONS if one(row)["relkind"] == "p" else HYPERTABLE


def ensure_layout(conn: Connection) -> str:
    """Make the readings table and what it needs, whichever database this is.

    Returns
    -------
    str
        `HYPERTABLE` or `PARTITIONS`.
    """
    kind = conn.execute("SELECT relkind FROM pg_class WHERE oid = to_regclass('reading')").fetchone()
    if has_timescale(conn) and (kind is None or kind["relkind"] != "p"):
        _ensure_hypertable(conn)
        return HYPERTABLE
    _ensure_partitioned(conn)
    for day in missing_days(conn, datetime.now(UTC).date()):
        make_partition(conn, day)
    return PARTITIONS


# TimescaleDB ------------------------------------------------------------------------------------------


def _ensure_hypertable(conn: Connection) -> None:
    conn.execute("CREATE EXTENSION IF NOT EXISTS timescaledb")
    conn.execute(f"CREATE TABLE IF NOT EXISTS reading ({COLUMNS}, PRIMARY KEY ({KEY}))")
    conn.execute(
        "SELECT create_hypertable('reading', by_range('time', INTERVAL '1 day'), if_not_exists => true)"
    )
    enabled = conn.execute(
        "SELECT compression_enabled FROM timescaledb_information.hypertables "
        "WHERE hypertable_name = 'reading'"
    ).fetchone()
    if has_columnstore(conn) and not one(enabled)["compression_enabled"]:
        conn.execute(COLUMNSTORE)


def has_columnstore(conn: Connection) -> bool:
    """Whether this TimescaleDB may use its columnstore: builds under the Apache licence alone have none."""
    row = conn.execute("SELECT current_setting('timescaledb.license', true) AS licence").fetchone()
    return bool(one(row)["licence"] == "timescale")


def to_columnstore(conn: Connection, part: Part) -> None:
    """Compress a part, or what came late to a compressed one. Outside of any transaction."""
    conn.execute(
        sql.SQL("CALL convert_to_columnstore({}::regclass, if_not_columnstore => true)").format(
            sql.Literal(part.table.as_string(conn))
        )
    )


# Partitions -------------------------------------------------------------------------------------------


def _ensure_partitioned(conn: Connection) -> None:
    conn.execute(
        f"CREATE TABLE IF NOT EXISTS reading ({COLUMNS}, PRIMARY KEY ({KEY})) PARTITION BY RANGE (time)"
    )
    conn.execute("CREATE TABLE IF NOT EXISTS reading_default PARTITION OF reading DEFAULT")


def part_of(day: date) -> Part:
    """A day's partition, made already or not."""
    since = datetime(day.year, day.month, day.day, tzinfo=UTC)
    return Part("public", f"reading_{day:%Y%m%d}", since, since + DAY)


def missing_days(conn: Connection, today: date) -> list[date]:
    """Days around today that have no partition yet."""
    have = {part.since.date() for part in parts(conn)}
    around = [today + timedelta(days=offset) for offset in range(-DAYS_BACK, DAYS_AHEAD + 1)]
    return [day for day in around if day not in have]


def default_days(conn: Connection) -> dict[date, int]:
    """How many readings of which days lie in the DEFAULT partition: none has one of its own."""
    rows = conn.execute(
        "SELECT (time AT TIME ZONE 'UTC')::date AS day, count(*) AS n FROM reading_default "
        "GROUP BY 1 ORDER BY 1"
    )
    return {row["day"]: row["n"] for row in rows}


def strays(conn: Connection, most: int) -> int:
    """How many readings lie in the DEFAULT partition, counted up to ``most``."""
    row = conn.execute("SELECT count(*) AS n FROM (SELECT FROM reading_default LIMIT %s) counted", (most,))
    return int(one(row.fetchone())["n"])


def make_partition(conn: Connection, day: date) -> int:
    """Make a day's partition, in a transaction; returns how many readings moved there from the DEFAULT one.

    Those must move before, else PostgreSQL refuses; and none may come while they do.
    """
    part = part_of(day)
    since, table = part.since, sql.Identifier(part.name)
    conn.execute("LOCK TABLE reading_default IN SHARE ROW EXCLUSIVE MODE")
    conn.execute(sql.SQL("CREATE TABLE {} (LIKE reading INCLUDING DEFAULTS)").format(table))
    moved = conn.execute(
        sql.SQL(
            "WITH moved AS (DELETE FROM reading_default WHERE time >= {} AND time < {} RETURNING *) "
            "INSERT INTO {} SELECT * FROM moved"
        ).format(since, since + DAY, table)
    ).rowcount
    conn.execute(
        sql.SQL("ALTER TABLE reading ATTACH PARTITION {} FOR VALUES FROM ({}) TO ({})").format(
            table, since, since + DAY
        )
    )
    return moved


# Both -------------------------------------------------------------------------------------------------

_CHUNKS = """
SELECT chunk_schema AS schema, chunk_name AS name, range_start AS since, range_end AS until,
       is_compressed AS columnar
FROM timescaledb_information.chunks WHERE hypertable_name = 'reading' ORDER BY range_start
"""
_PARTITIONS = """
SELECT n.nspname AS schema, c.relname AS name,
       to_date(right(c.relname, 8), 'YYYYMMDD')::timestamp AT TIME ZONE 'UTC' AS since,
       (to_date(right(c.relname, 8), 'YYYYMMDD') + 1)::timestamp AT TIME ZONE 'UTC' AS until,
       false AS columnar
FROM pg_inherits i JOIN pg_class c ON c.oid = i.inhrelid JOIN pg_namespace n ON n.oid = c.relnamespace
WHERE i.inhparent = 'reading'::regclass AND c.relname ~ '^reading_[0-9]{8}$' ORDER BY c.relname
"""


def parts(conn: Connection) -> list[Part]:
    """The tables that hold a day each, oldest first."""
    query = _PARTITIONS if kind_of(conn) == PARTITIONS else _CHUNKS
    return [Part(**row) for row in conn.execute(query)]


def drop(conn: Connection, part: Part) -> None:
    """Drop a part with all that is in it, in the caller's transaction."""
    if kind_of(conn) == PARTITIONS:
        conn.execute(sql.SQL("DROP TABLE {}").format(part.table))
    else:
        conn.execute(
            "SELECT drop_chunks('reading', older_than => %s::timestamptz, newer_than => %s::timestamptz)",
            (part.until, part.since),
        )

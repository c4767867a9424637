"""Writing readings: idempotent, in bulk, with the work that they make for the analytics.

Every function works in the caller's transaction. Rows come sorted by key: transactions that
write the same keys at once then wait for each other instead of dead-locking.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np
from numpy.typing import NDArray

from model.reading import Quantity
from store import local_hands
from store.database import Connection, one

ROW = np.dtype(
    [
        ("instrument_id", np.int32),
        ("quantity", np.int16),
        ("place_id", np.int16),
        ("time_us", np.int64),
        ("value", np.float64),
        ("arrived_us", np.int64),
    ]
)
"""One reading; times in microseconds since the Unix epoch."""

Rows = NDArray[np.void]
"""Readings of type `ROW`."""

PLACES_AT_MOST = 1000
"""Places are named by gateways and kept for good, so their number is bounded."""

POSTGRES_EPOCH_US = 946_684_800_000_000
"""PostgreSQL's binary timestamps count from 2000-01-01."""

# The binary form of COPY: a count of fields, then length and content of each, all big-endian.
_SIZES = {"instrument_id": ">i4", "quantity": ">i2", "place_id": ">i2", "time_us": ">i8", "value": ">f8",
          "arrived_us": ">i8", "newest": "i1"}  # fmt: skip
_BINARY = np.dtype(
    [("fields", ">i2")]
    + [part for name, size in _SIZES.items() for part in ((f"{name}_length", ">i4"), (name, size))]
)
_CHANNEL = ("instrument_id", "quantity", "place_id")
_HEADER = b"PGCOPY\n\xff\r\n\0" + bytes(8)
_TRAILER = b"\xff\xff"

_STAGING = """
CREATE TEMP TABLE IF NOT EXISTS staging (
    instrument_id integer, quantity smallint, place_id smallint, time timestamptz, value float8,
    arrived timestamptz, newest boolean
) ON COMMIT DELETE ROWS
"""
_COPY = "COPY staging FROM STDIN (FORMAT BINARY)"
# No ORDER BY: a freshly filled table is read in the order in which it was filled.
INSERT = """
WITH fresh AS (
    INSERT INTO reading (instrument_id, quantity, place_id, time, value, arrived)
    SELECT instrument_id, quantity, place_id, time, value, arrived FROM staging
    ON CONFLICT DO NOTHING
    RETURNING instrument_id, time
), touched AS (
    INSERT INTO work (instrument_id, since, until)
    SELECT instrument_id, min(time), max(time) FROM fresh GROUP BY instrument_id
    RETURNING 1
)
SELECT (SELECT count(*) FROM fresh) AS new, (SELECT count(*) FROM touched) AS touched
"""
# The greatest time wins; of two values for one time the smaller, as in judgement.
_LATEST = """
INSERT INTO latest (instrument_id, quantity, place_id, time, value, arrived)
SELECT instrument_id, quantity, place_id, time, value, arrived FROM staging WHERE newest
ON CONFLICT (instrument_id, quantity, place_id) DO UPDATE
SET time = excluded.time, value = excluded.value, arrived = excluded.arrived
WHERE latest.time < excluded.time OR (latest.time = excluded.time AND latest.value > excluded.value)
"""


def prepare(conn: Connection) -> None:
    """Make what `write` needs in this connection; once, outside of a transaction's heat."""
    conn.execute(_STAGING)
    # TimescaleDB refuses a transaction that looks for duplicates among too many compressed readings. A batch
    # of late ones must be stored, however long it takes. Elsewhere the name means nothing.
    conn.execute("SET timescaledb.max_tuples_decompressed_per_dml_transaction = 0")


def in_order(rows: Rows) -> Rows:
    """The rows sorted by their key."""
    order = np.lexsort(
        (rows["value"], rows["time_us"], rows["place_id"], rows["quantity"], rows["instrument_id"])
    )
    return rows[order]


def write(conn: Connection, rows: Rows) -> int:
    """Store readings, keep `latest` right, leave a work row for each instrument with something new.

    Parameters
    ----------
    conn : Connection
        After `prepare`, in a transaction.
    rows : Rows
        As `in_order` gives them. What is stored already is passed over.

    Returns
    -------
    int
        How many were new.
    """
    if not len(rows):
        return 0
    with conn.cursor() as cursor:
        with cursor.copy(_COPY) as copy:
            copy.write(_binary(rows))
        done = one(cursor.execute(INSERT).fetchone())
        if done["new"]:
            cursor.execute(_LATEST)
            switches = rows["instrument_id"][rows["quantity"] == Quantity.HANDS]
            if len(switches):
                local_hands.note(conn, np.unique(switches).tolist(), int(rows["arrived_us"].max()))
            cursor.execute("SELECT pg_notify('work', '')")
    return int(done["new"])


def _binary(rows: Rows) -> bytes:
    out = np.empty(len(rows), _BINARY)
    out["fields"] = len(_SIZES)
    for name, size in _SIZES.items():
        out[f"{name}_length"] = np.dtype(size).itemsize
        out[name] = _newest(rows) if name == "newest" else rows[name]
    out["time_us"] -= POSTGRES_EPOCH_US
    out["arrived_us"] -= POSTGRES_EPOCH_US
    return _HEADER + out.tobytes() + _TRAILER


def _newest(rows: Rows) -> NDArray[np.bool_]:
    """Of rows in order, which is its channel's newest; of several values for that time the smallest."""
    channel = np.any([np.diff(rows[key], prepend=-1) != 0 for key in _CHANNEL], axis=0)
    moment = np.flatnonzero(channel | (np.diff(rows["time_us"], prepend=-1) != 0))
    newest = np.zeros(len(rows), bool)
    newest[moment[np.append(channel[moment][1:], True)]] = True
    return newest


def place_ids(conn: Connection, names: Iterable[str]) -> dict[str, int]:
    """Numbers of places by name, made where they are new; names beyond `PLACES_AT_MOST` are missing."""
    wanted = sorted(set(names))
    # Not by ON CONFLICT: that would use up a number of a smallint for each attempt.
    conn.execute(
        "INSERT INTO place (name) SELECT w.name FROM unnest(%s::text[]) AS w (name) "
        "WHERE NOT EXISTS (SELECT FROM place p WHERE p.name = w.name) ORDER BY w.name "
        "LIMIT greatest(0, %s - (SELECT count(*) FROM place)) ON CONFLICT DO NOTHING",
        (wanted, PLACES_AT_MOST),
    )
    rows = conn.execute("SELECT name, id FROM place WHERE name = ANY(%s)", (wanted,))
    return {row["name"]: row["id"] for row in rows}


NAMES_AT_MOST = 100
OTHER_NAMES = "(other names)"


def count_unknown(conn: Connection, names: Mapping[tuple[int, str], int], at_us: int) -> None:
    """Count SenML names that the contract does not know.

    Parameters
    ----------
    names : mapping
        By instrument and name, how often. An instrument's names beyond `NAMES_AT_MOST` are counted together.
    at_us : int
        Arrival of the last [µs].
    """
    if not names:
        return
    keys = sorted(names)
    conn.execute(
        """
        WITH given AS (
            SELECT * FROM unnest(%(instruments)s::int[], %(names)s::text[], %(counts)s::bigint[])
                AS g (instrument_id, name, n)
        ), ranked AS (
            SELECT g.*, u.name IS NOT NULL AS known,
                (SELECT count(*) FROM unknown_name h WHERE h.instrument_id = g.instrument_id)
                + row_number() OVER (
                    PARTITION BY g.instrument_id, u.name IS NOT NULL ORDER BY g.name
                ) AS place
            FROM given g LEFT JOIN unknown_name u USING (instrument_id, name)
        ), bounded AS (
            SELECT instrument_id, CASE WHEN known OR place <= %(most)s THEN name ELSE %(other)s END AS name, n
            FROM ranked
        )
        INSERT INTO unknown_name AS u (instrument_id, name, n, last_at)
        SELECT instrument_id, name, sum(n), to_timestamp(%(at)s::float8 / 1e6) FROM bounded
        GROUP BY instrument_id, name ORDER BY instrument_id, name
        ON CONFLICT (instrument_id, name) DO UPDATE
        SET n = u.n + excluded.n, last_at = greatest(u.last_at, excluded.last_at)
        """,
        {
            "instruments": [instrument_id for instrument_id, _ in keys],
            "names": [name for _, name in keys],
            "counts": [names[key] for key in keys],
            "at": at_us,
            "most": NAMES_AT_MOST,
            "other": OTHER_NAMES,
        },
    )

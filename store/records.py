"""Records as they were made: never changed, only followed by another one of the same job."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from psycopg import errors

from model.errors import Conflict
from store import audit
from store.audit import By
from store.database import Connection, one
from store.lists import Listing

RECORDS = Listing(
    "SELECT r.id, r.job_id, r.number, r.made_at, p.name AS made_by, encode(r.digest, 'hex') AS digest, "
    "r.key_id, j.title, j.site_id, s.name AS site, s.time_zone, "
    "NOT EXISTS (SELECT FROM record n WHERE n.job_id = r.job_id AND n.number > r.number) AS latest "
    "FROM record r JOIN job j ON j.id = r.job_id JOIN site s ON s.id = j.site_id "
    "LEFT JOIN person p ON p.id = r.made_by "
    "WHERE (%(job)s::int IS NULL OR r.job_id = %(job)s)",
    newest_first=True,
    searched="title, site",
)


@dataclass(frozen=True, slots=True)
class Record:
    """A record as it is stored.

    Parameters
    ----------
    number : int
        Counts the records of the job.
    body : bytes
        Canonical, see `api.records.signing`.
    readings : bytes
        Packed, see `api.records.packing`.
    """

    id: int
    job_id: int
    number: int
    made_at: datetime
    body: bytes
    digest: str
    key_id: str
    public_key: bytes
    signature: bytes
    readings: bytes


_ONE = """
SELECT r.id, r.job_id, r.number, r.made_at, r.body, encode(r.digest, 'hex') AS digest, r.key_id, k.public_key,
       r.signature, r.readings
FROM record r JOIN record_key k ON k.id = r.key_id
"""


_ADD = """
INSERT INTO record (job_id, number, made_at, made_by, body, digest, key_id, signature, readings)
VALUES (%(job_id)s, %(number)s, %(made_at)s, %(by)s, %(body)s, decode(%(digest)s, 'hex'), %(key_id)s,
        %(signature)s, %(readings)s)
RETURNING id
"""


def next_number(conn: Connection, job_id: int) -> int:
    """The number of the next record of a job; of two who take it at once `add` refuses the second."""
    row = conn.execute("SELECT coalesce(max(number), 0) + 1 AS n FROM record WHERE job_id = %s", (job_id,))
    return int(one(row.fetchone())["n"])


def add(conn: Connection, made: Record, by: By) -> int:
    """Store a record (its ``id`` is given here) with the key that signed it.

    Raises `Conflict` if somebody made the record of that number meanwhile.
    """
    conn.execute(
        "INSERT INTO record_key (id, public_key, since) VALUES (%s, %s, %s) ON CONFLICT DO NOTHING",
        (made.key_id, made.public_key, made.made_at),
    )
    try:
        row = conn.execute(_ADD, {**audit.of(made), "by": by.person_id}).fetchone()
    except (errors.UniqueViolation, errors.SerializationFailure) as error:
        raise Conflict("A record of this job is being made by somebody else.") from error
    audit.write(
        conn, by, "make-record", f"job:{made.job_id}", None, {"number": made.number, "digest": made.digest}
    )
    return int(one(row)["id"])


def by_id(conn: Connection, record_id: int) -> Record | None:
    """A record, or None."""
    row = conn.execute(_ONE + "WHERE r.id = %s", (record_id,)).fetchone()
    return None if row is None else Record(**row)


def by_digest(conn: Connection, digest: str) -> Record | None:
    """The record of a digest, or None."""
    row = conn.execute(_ONE + "WHERE r.digest = decode(%s, 'hex')", (digest,)).fetchone()
    return None if row is None else Record(**row)


def is_latest(conn: Connection, made: Record) -> bool:
    """Whether no later record of the job was made."""
    row = conn.execute(
        "SELECT EXISTS (SELECT FROM record WHERE job_id = %s AND number > %s) AS later",
        (made.job_id, made.number),
    ).fetchone()
    return not one(row)["later"]


def keys(conn: Connection) -> Sequence[tuple[str, bytes, datetime]]:
    """Every key that signed here: its name, itself, and since when."""
    rows = conn.execute("SELECT id, public_key, since FROM record_key ORDER BY since, id")
    return [(row["id"], row["public_key"], row["since"]) for row in rows]


def key(conn: Connection, key_id: str) -> bytes | None:
    """One of these keys by its name."""
    row = conn.execute("SELECT public_key FROM record_key WHERE id = %s", (key_id,)).fetchone()
    return None if row is None else bytes(row["public_key"])

"""Deleting what nothing refers to; what is in use stays, and the refusal says by what."""

from __future__ import annotations

from typing import Any

from psycopg import sql

from model.errors import Conflict
from store import audit, equipment
from store.audit import By
from store.changing import row_of
from store.database import Connection, one

_REFERRING = """
SELECT c.conrelid::regclass::text AS "table", a.attname AS "column"
FROM pg_constraint c JOIN pg_attribute a ON a.attrelid = c.conrelid AND a.attnum = c.conkey[1]
WHERE c.contype = 'f' AND c.confrelid = to_regclass(%s) AND cardinality(c.conkey) = 1
ORDER BY 1, 2
"""

ALONG = {
    "site": ("site_opener",),
    "gateway": ("gateway_presence", "gateway_clock"),
    "instrument": ("pack_ledger", "unknown_name", "latest", "suspect_mark"),
}
"""What belongs to a thing alone and goes with it."""

WORDS = {
    "circuit": ("circuit", "circuits"),
    "gateway": ("gateway", "gateways"),
    "instrument": ("instrument", "instruments"),
    "job": ("job", "jobs"),
    "alert": ("alert", "alerts"),
    "event": ("event", "events"),
    "assignment": ("service in a job", "services in jobs"),
    "valve_order": ("order", "orders"),
    "proof": ("proof", "proofs"),
    "crew_of_person": ("person", "people"),
}
NAMES = {
    "site": "site",
    "circuit": "circuit",
    "crew": "crew",
    "gateway": "gateway",
    "instrument": "instrument",
}


def uses(conn: Connection, kind: str, number: int) -> list[str]:
    """What refers to a thing, counted and in words: ``["2 circuits", "1 job"]``.

    Read from the database's own foreign keys, so that a table that comes later is not forgotten.
    """
    found: dict[str, int] = {}
    for row in conn.execute(_REFERRING, (kind,)).fetchall():
        if row["table"] in ALONG.get(kind, ()):
            continue
        count = one(
            conn.execute(
                sql.SQL("SELECT count(*) AS n FROM {} WHERE {} = %s").format(
                    sql.Identifier(row["table"]), sql.Identifier(row["column"])
                ),
                (number,),
            ).fetchone()
        )["n"]
        if count:
            found[row["table"]] = found.get(row["table"], 0) + count
    if kind == "instrument" and _has_readings(conn, number):
        return [*_in_words(found), "readings"]
    return _in_words(found)


def delete(conn: Connection, kind: str, number: int, by: By) -> None:
    """Delete a site, circuit, crew, gateway or instrument; raises `Conflict` if something refers to it."""
    assert kind in NAMES
    row = row_of(conn, kind, number)
    users = uses(conn, kind, number)
    if users:
        hint = {
            "gateway": " Revoke it instead: its readings stay.",
            "instrument": " Take it out of service instead: its readings stay.",
        }.get(kind, "")
        raise Conflict(f"{row['name']} cannot be deleted: in use by {join(users)}.{hint}")
    for table in ALONG.get(kind, ()):
        conn.execute(
            sql.SQL("DELETE FROM {} WHERE {} = %s").format(
                sql.Identifier(table), sql.Identifier(f"{kind}_id")
            ),
            (number,),
        )
    conn.execute(sql.SQL("DELETE FROM {} WHERE id = %s").format(sql.Identifier(kind)), (number,))
    equipment.tell(conn)
    audit.write(conn, by, f"delete-{kind}", f"{kind}:{number}", before=_shown(row))


def join(words: list[str]) -> str:
    """``a``, ``a and b``, ``a, b and c``."""
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def _in_words(found: dict[str, int]) -> list[str]:
    result = []
    for table, count in found.items():
        single, plural = WORDS.get(table, (table.replace("_", " "), table.replace("_", " ")))
        result.append(f"{count} {single if count == 1 else plural}")
    return result


def _has_readings(conn: Connection, number: int) -> bool:
    row = conn.execute(
        "SELECT EXISTS (SELECT FROM reading WHERE instrument_id = %(id)s) "
        "OR EXISTS (SELECT FROM evidence WHERE instrument_id = %(id)s) AS any",
        {"id": number},
    )
    return bool(one(row.fetchone())["any"])


def _shown(row: dict[str, Any]) -> dict[str, object]:
    """A row without what nobody shall read."""
    return {key: value for key, value in row.items() if not key.startswith("secret_")}

"""Procedures as stored. A procedure is never changed, only superseded by a new version."""

from __future__ import annotations

from typing import Any

from model.errors import NotFound
from model.procedure import Procedure
from store.database import Connection, one

COLUMNS = (
    "name, version, target_pa, dwell_s, hold_s, settle_s, limit_pa, rise_pa, persistence_s, filter_s, "
    "breaks, patience_s, origin"
)


def add(conn: Connection, procedure: Procedure) -> Procedure:
    """Store a procedure; one of the same name becomes its next version."""
    row = conn.execute(
        f"INSERT INTO procedure ({COLUMNS}) "  # noqa: S608 - a constant list of columns
        "SELECT %(name)s, coalesce(max(version), 0) + 1, %(target_pa)s, %(dwell_s)s, %(hold_s)s, "
        "%(settle_s)s, %(limit_pa)s, %(rise_pa)s, %(persistence_s)s, %(filter_s)s, %(breaks)s, "
        "%(patience_s)s, %(origin)s "
        "FROM procedure WHERE name = %(name)s RETURNING *",
        {name: getattr(procedure, name) for name in COLUMNS.split(", ") if name != "version"},
    ).fetchone()
    return from_row(one(row))


def newest(conn: Connection) -> list[Procedure]:
    """The newest version of each procedure, by name."""
    rows = conn.execute("SELECT DISTINCT ON (name) * FROM procedure ORDER BY name, version DESC")
    return [from_row(row) for row in rows]


def named(conn: Connection, name: str) -> Procedure:
    """The newest version of the procedure of that name, or the one of that number; raises `NotFound`."""
    row = conn.execute(
        "SELECT * FROM procedure WHERE name = %s OR id::text = %s ORDER BY version DESC LIMIT 1", (name, name)
    ).fetchone()
    if row is None:
        raise NotFound(f"There is no procedure {name!r}.", field="procedure")
    return from_row(row)


def by_id(conn: Connection, procedure_id: int) -> Procedure:
    """One version; raises `NotFound`."""
    row = conn.execute("SELECT * FROM procedure WHERE id = %s", (procedure_id,)).fetchone()
    if row is None:
        raise NotFound(f"There is no procedure {procedure_id}.", field="procedure")
    return from_row(row)


def default(conn: Connection) -> Procedure:
    """What a walk-up job gets."""
    row = conn.execute("SELECT * FROM procedure WHERE is_default").fetchone()
    if row is None:
        raise NotFound("No procedure is marked as the default one.")
    return from_row(row)


def from_row(row: dict[str, Any]) -> Procedure:
    """A procedure from its row."""
    return Procedure(**{key: value for key, value in row.items() if key != "is_default"})

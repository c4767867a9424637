"""Procedures as stored. A procedure is never changed, only superseded by a new version."""

from __future__ import annotations

from typing import Any

from model.errors import Conflict, NotFound
from model.procedure import Procedure
from store import audit, deleting
from store.audit import By
from store.database import Connection, one

VERSION_LOCK = 0x5052
"""Class of advisory locks, one for each name of a procedure."""

COLUMNS = (
    "name, version, target_pa, dwell_s, hold_s, settle_s, limit_pa, rise_pa, persistence_s, filter_s, "
    "breaks, patience_s, origin"
)


def add(conn: Connection, procedure: Procedure, *, by: By | None = None) -> Procedure:
    """Store a procedure; one of the same name becomes its next version.

    Raises `Conflict` if its newest version has the same numbers, so that a form sent twice makes one version.
    What jobs were given is not touched. If the version before was the default one, walk-up jobs get this one
    from now on.
    """
    wanted = procedure.checked()
    # Two people who add a version at once get one after the other.
    conn.execute("SELECT pg_advisory_xact_lock(%s, hashtext(%s))", (VERSION_LOCK, wanted.name))
    before = conn.execute(
        "SELECT * FROM procedure WHERE name = %s ORDER BY version DESC LIMIT 1", (wanted.name,)
    ).fetchone()
    if before is not None and same_numbers(from_row(before), wanted):
        raise Conflict(f"Version {before['version']} of {wanted.name} has these numbers already.")
    row = conn.execute(
        f"INSERT INTO procedure ({COLUMNS}) "  # noqa: S608 - a constant list of columns
        "VALUES (%(name)s, %(version)s, %(target_pa)s, %(dwell_s)s, %(hold_s)s, %(settle_s)s, %(limit_pa)s, "
        "%(rise_pa)s, %(persistence_s)s, %(filter_s)s, %(breaks)s, %(patience_s)s, %(origin)s) RETURNING *",
        {
            **{name: getattr(wanted, name) for name in COLUMNS.split(", ")},
            "version": 1 if before is None else before["version"] + 1,
        },
    ).fetchone()
    made = from_row(one(row))
    if by is not None:
        old = None if before is None else audit.of(from_row(before))
        audit.write(conn, by, "add-procedure", f"procedure:{made.id}", old, audit.of(made))
    if conn.execute("SELECT 1 FROM procedure WHERE is_default AND name = %s", (wanted.name,)).fetchone():
        _set_default(conn, made.id)
    return made


def same_numbers(one: Procedure, other: Procedure) -> bool:
    """Whether two versions ask for the same, with the same origin."""
    return all(
        getattr(one, name) == getattr(other, name) for name in COLUMNS.split(", ") if name != "version"
    )


def choose_default(conn: Connection, procedure_id: int, by: By) -> Procedure:
    """Let walk-up jobs get this one from now on."""
    chosen = by_id(conn, procedure_id)
    before = conn.execute("SELECT id, name, version FROM procedure WHERE is_default").fetchone()
    if before is None or before["id"] != procedure_id:
        _set_default(conn, procedure_id)
        after = {"id": chosen.id, "name": chosen.name, "version": chosen.version}
        audit.write(conn, by, "default-procedure", f"procedure:{chosen.id}", before, after)
    return chosen


def _set_default(conn: Connection, procedure_id: int) -> None:
    conn.execute("UPDATE procedure SET is_default = false WHERE is_default")
    conn.execute("UPDATE procedure SET is_default = true WHERE id = %s", (procedure_id,))


def jobs_by(conn: Connection, procedure_id: int) -> int:
    """How many jobs were given this version."""
    row = conn.execute("SELECT count(*) AS n FROM job WHERE procedure_id = %s", (procedure_id,))
    return int(one(row.fetchone())["n"])


def delete(conn: Connection, procedure_id: int, by: By) -> None:
    """Delete a version that no job was given; raises `Conflict` otherwise."""
    found = by_id(conn, procedure_id)
    if conn.execute("SELECT 1 FROM procedure WHERE id = %s AND is_default", (procedure_id,)).fetchone():
        raise Conflict(
            f"{found.name}, version {found.version}, cannot be deleted: walk-up jobs get it. "
            "Choose another default first."
        )
    users = deleting.uses(conn, "procedure", procedure_id)
    if users:
        raise Conflict(
            f"{found.name}, version {found.version}, cannot be deleted: in use by {deleting.join(users)}."
        )
    conn.execute("DELETE FROM procedure WHERE id = %s", (procedure_id,))
    audit.write(conn, by, "delete-procedure", f"procedure:{procedure_id}", before=audit.of(found))


def versions(conn: Connection, name: str) -> list[dict[str, Any]]:
    """Every version of a procedure with its number of jobs, newest first."""
    return conn.execute(
        "SELECT p.id, p.version, p.is_default, "
        "(SELECT count(*) FROM job j WHERE j.procedure_id = p.id) AS jobs "
        "FROM procedure p WHERE p.name = %s ORDER BY p.version DESC",
        (name,),
    ).fetchall()


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

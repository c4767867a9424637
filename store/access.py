"""Who comes in, and as what: roles, and keeping people out."""

from __future__ import annotations

from datetime import datetime

from model.errors import Conflict
from model.rights import Role
from model.texts import check_text
from store import audit, links, people, sessions
from store.database import Connection, one
from store.people import Person


def change_role(conn: Connection, person_id: int, role: str, now: datetime, by: int | None) -> Person:
    """Give a person another role; it counts from the next request on. Never the last administrator."""
    people.check_role(role)
    person = people.by_id(conn, person_id)
    if role == person.role:
        return person
    if person.role == Role.ADMINISTRATOR:
        _keep_an_administrator(conn, person, "role")
    row = conn.execute("UPDATE person SET role = %s WHERE id = %s RETURNING *", (role, person_id)).fetchone()
    audit.record(conn, by, "change-role", f"person:{person_id}", now, before=person.role, after=role)
    return people.from_row(one(row))


def rename(conn: Connection, person_id: int, name: str, now: datetime, by: int | None) -> Person:
    """Change a person's name in full."""
    name = check_text(name, "name", required=True)
    person = people.by_id(conn, person_id)
    if name == person.name:
        return person
    row = conn.execute("UPDATE person SET name = %s WHERE id = %s RETURNING *", (name, person_id)).fetchone()
    audit.record(conn, by, "rename-person", f"person:{person_id}", now, before=person.name, after=name)
    return people.from_row(one(row))


def disable(conn: Connection, person_id: int, now: datetime, by: int | None) -> None:
    """Keep a person out: sessions end, links are withdrawn. Never the last administrator."""
    person = people.by_id(conn, person_id)
    if person.role == Role.ADMINISTRATOR:
        _keep_an_administrator(conn, person, None)
    changed = conn.execute(
        "UPDATE person SET disabled_at = %s WHERE id = %s AND disabled_at IS NULL", (now, person_id)
    ).rowcount
    if changed:
        audit.record(conn, by, "disable-person", f"person:{person_id}", now)
    links.withdraw(conn, person_id, now, by)
    sessions.end_all(conn, person_id, now, by)


def enable(conn: Connection, person_id: int, now: datetime, by: int | None) -> None:
    """Let a person in again, with the password that they had."""
    people.by_id(conn, person_id)
    changed = conn.execute(
        "UPDATE person SET disabled_at = NULL WHERE id = %s AND disabled_at IS NOT NULL", (person_id,)
    ).rowcount
    if changed:
        audit.record(conn, by, "enable-person", f"person:{person_id}", now)


def _keep_an_administrator(conn: Connection, leaving: Person, field: str | None) -> None:
    # The rows are locked: two administrators who take each other's role at once must not both succeed.
    rows = conn.execute(
        "SELECT id FROM person WHERE role = 'administrator' AND disabled_at IS NULL "
        "AND password_hash IS NOT NULL ORDER BY id FOR UPDATE"
    ).fetchall()
    able = {row["id"] for row in rows}
    if able == {leaving.id}:
        raise Conflict(
            f"{leaving.name} is the only administrator who can log in; make somebody else one first.",
            field=field,
        )

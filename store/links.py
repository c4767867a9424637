"""Links by which somebody sets a password of their own: an invitation, or after a forgotten password.

The link holds a random token, of which only the digest is stored. It works once, and for seven days.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from model.errors import Conflict, NotFound
from store import audit, people, sessions
from store.database import Connection
from store.people import Person
from store.secret import digest, random_token

LIFETIME = timedelta(days=7)
INVITATION, RESET = "invitation", "reset"


@dataclass(frozen=True, slots=True)
class Made:
    """A new link; its token is shown once and then known to nobody but its reader."""

    token: str
    kind: str
    expires_at: datetime


@dataclass(frozen=True, slots=True)
class Link:
    """A link that works."""

    id: int
    kind: str
    expires_at: datetime
    person: Person


def invite(
    conn: Connection, login: str, name: str, role: str, now: datetime, by: int | None
) -> tuple[Person, Made]:
    """Register a person without a password, and make the link by which they set one."""
    person = people.register(conn, login, name, role, now, None)
    audit.record(conn, by, "invite-person", f"person:{person.id}", now, login=person.login, role=role)
    return person, make(conn, person.id, now, by)


def make(conn: Connection, person_id: int, now: datetime, by: int | None) -> Made:
    """A new link; the one before, if it is still open, is withdrawn. The old password works until then."""
    # One link is open at most, also if two make one at once.
    conn.execute("SELECT FROM person WHERE id = %s FOR UPDATE", (person_id,))
    person = people.details(conn, person_id)
    if person.disabled_at is not None:
        raise Conflict(f"{person.name} is disabled; enable them first.")
    withdraw(conn, person_id, now, by)
    token = random_token()
    made = Made(token, RESET if person.has_password else INVITATION, now + LIFETIME)
    conn.execute(
        "INSERT INTO password_link (token_digest, person_id, kind, made_by, created_at, expires_at) "
        "VALUES (%s, %s, %s, %s, %s, %s)",
        (digest(token), person_id, made.kind, by, now, made.expires_at),
    )
    audit.record(conn, by, "make-link", f"person:{person_id}", now, kind=made.kind)
    return made


def withdraw(conn: Connection, person_id: int, now: datetime, by: int | None) -> bool:
    """Make the open link of a person useless; False if there is none."""
    changed = conn.execute(
        "UPDATE password_link SET withdrawn_at = %s "
        "WHERE person_id = %s AND used_at IS NULL AND withdrawn_at IS NULL",
        (now, person_id),
    ).rowcount
    if changed:
        audit.record(conn, by, "withdraw-link", f"person:{person_id}", now)
    return bool(changed)


def look_up(conn: Connection, token: str, now: datetime) -> Link:
    """The link of that token.

    Raises
    ------
    NotFound
        If there is none.
    Conflict
        If it works no longer; the sentence says why.
    """
    row = conn.execute(
        "SELECT l.*, p.login, p.name, p.role, p.disabled_at FROM password_link l "
        "JOIN person p ON p.id = l.person_id WHERE l.token_digest = %s",
        (digest(token),),
    ).fetchone()
    if row is None:
        raise NotFound("This link is not whole, or not from here. Copy all of it, or ask for a new one.")
    if row["used_at"] is not None:
        raise Conflict("This link was used already. Log in with your password, or ask for a new link.")
    if row["withdrawn_at"] is not None or row["disabled_at"] is not None:
        raise Conflict("This link was withdrawn. Ask for a new one if you still need it.")
    if row["expires_at"] <= now:
        raise Conflict("This link has run out. Ask for a new one.")
    person = Person(row["person_id"], row["login"], row["name"], row["role"])
    return Link(row["id"], row["kind"], row["expires_at"], person)


def use(conn: Connection, token: str, password: str, now: datetime, *not_these: str) -> Person:
    """Set the password of the link's person; their sessions end. The link works no longer.

    Raises
    ------
    NotFound, Conflict
        See `look_up`.
    BadInput
        If it cannot be a password; the link still works.
    """
    # The person first, as wherever else both are held: who makes another link meanwhile never waits for us.
    conn.execute(
        "SELECT FROM person WHERE id = (SELECT person_id FROM password_link WHERE token_digest = %s) "
        "FOR NO KEY UPDATE",
        (digest(token),),
    )
    # Of two who use it at once the second waits here, and then finds it used.
    conn.execute("SELECT FROM password_link WHERE token_digest = %s FOR UPDATE", (digest(token),))
    link = look_up(conn, token, now)
    conn.execute("UPDATE password_link SET used_at = %s WHERE id = %s", (now, link.id))
    people.set_password(conn, link.person, password, now, *not_these)
    sessions.end_all(conn, link.person.id, now, link.person.id)
    return link.person

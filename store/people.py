"""People: who may log in, and as what."""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from psycopg import errors

from model.errors import BadInput, Conflict, NotFound
from model.rights import RIGHTS, Right, Role
from model.texts import check_text
from store import audit, passwords
from store.database import Connection, one
from store.lists import Listing

ROLES = tuple(role.value for role in Role)
MACHINE = "machine"
"""What the row of a machine's token has for a role (`store.tokens`)."""

LONGEST_LOGIN = 60
NOT_FOR_LOGINS = "hf_"
"""How tokens begin; a login that looks like one would mislead whoever reads the audit."""

LISTED = """
SELECT p.id, p.login, p.name, p.role, p.created_at, p.disabled_at,
       p.password_hash IS NOT NULL AS has_password, l.kind AS link_kind,
       l.expires_at AS link_expires_at, seen.last_seen_at
FROM person p
LEFT JOIN password_link l ON l.person_id = p.id AND l.used_at IS NULL AND l.withdrawn_at IS NULL
LEFT JOIN LATERAL (
    SELECT max(coalesce(s.last_seen_at, s.created_at)) AS last_seen_at
    FROM login_session s WHERE s.person_id = p.id) seen ON true
WHERE p.role <> 'machine'
"""
PEOPLE = Listing(LISTED, searched="login, name, role")


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody who may log in, or a machine's token."""

    id: int
    login: str
    name: str
    role: str
    scopes: frozenset[Right] | None = None
    """What a machine's token may do; None for people, whose role decides."""

    @property
    def rights(self) -> frozenset[Right]:
        """What the person may do."""
        return RIGHTS[Role(self.role)] if self.scopes is None else self.scopes

    @property
    def limits(self) -> str:
        """How a sentence begins that refuses something."""
        if self.scopes is None:
            return f"Your role, {self.role}, does not let you"
        return f"{self.name} does not let its holder"


@dataclass(frozen=True, slots=True)
class Listed:
    """A person as administrators see them."""

    id: int
    login: str
    name: str
    role: str
    created_at: datetime
    disabled_at: datetime | None
    has_password: bool
    link_kind: str | None
    """``invitation`` or ``reset`` if a link is open."""
    link_expires_at: datetime | None
    last_seen_at: datetime | None
    """Of the sessions that there are."""


def add(
    conn: Connection,
    login: str,
    name: str,
    role: str,
    now: datetime,
    password: str | None = None,
    by: int | None = None,
) -> tuple[Person, str]:
    """Register a person who has a password at once.

    Returns
    -------
    Person, str
        The person and the password, made up if none was given; kept only as a hash.
    """
    password = password or secrets.token_urlsafe(12)
    passwords.check_new(password, login)
    person = register(conn, login, name, role, now, passwords.hashed(password))
    audit.record(conn, by, "add-person", f"person:{person.id}", now, login=person.login, role=role)
    return person, password


def register(
    conn: Connection, login: str, name: str, role: str, now: datetime, password_hash: str | None
) -> Person:
    """Insert a person; raises `BadInput` or `Conflict` with the field."""
    login = check_login(login)
    name = check_text(name, "name") or login
    check_role(role)
    try:
        with conn.transaction():
            row = conn.execute(
                "INSERT INTO person (login, name, role, password_hash, created_at) "
                "VALUES (%s, %s, %s, %s, %s) RETURNING *",
                (login, name, role, password_hash, now),
            ).fetchone()
    except errors.UniqueViolation as error:
        raise Conflict(f"There is a person with the login {login!r} already.", field="login") from error
    return from_row(one(row))


def check_login(login: str) -> str:
    """The login name as it is kept; raises `BadInput`."""
    login = login.strip().lower()
    if not login or any(c.isspace() for c in login):
        raise BadInput("A login name has no spaces and is not empty.", field="login")
    if login.startswith(NOT_FOR_LOGINS):
        raise BadInput(f"A login name does not begin with {NOT_FOR_LOGINS}, as tokens do.", field="login")
    return check_text(login, "login", longest=LONGEST_LOGIN)


def check_role(role: str) -> None:
    """Raises `BadInput` if it is none."""
    if role not in ROLES:
        raise BadInput(f"{role!r} is no role; use one of {', '.join(ROLES)}.", field="role")


def everybody(conn: Connection) -> list[Person]:
    """All people who are not disabled, by login."""
    rows = conn.execute("SELECT * FROM person WHERE disabled_at IS NULL AND role <> 'machine' ORDER BY login")
    return [from_row(row) for row in rows]


def listed(conn: Connection) -> list[Listed]:
    """All people by name, the disabled ones last."""
    rows = conn.execute(f"{LISTED} ORDER BY p.disabled_at IS NOT NULL, lower(p.name), p.id")
    return [Listed(**row) for row in rows]


def details(conn: Connection, person_id: int) -> Listed:
    """One person; raises `NotFound`."""
    row = PEOPLE.one(conn, {}, person_id)
    if row is None:
        raise NotFound(f"There is no person {person_id}.")
    return Listed(**row)


def by_login(conn: Connection, login: str) -> Person:
    """The person of that login; raises `NotFound`."""
    row = conn.execute(
        "SELECT * FROM person WHERE login = %s AND role <> 'machine'", (login.strip().lower(),)
    ).fetchone()
    if row is None:
        raise NotFound(f"There is no person with the login {login!r}.", field="login")
    return from_row(row)


def by_id(conn: Connection, person_id: int) -> Person:
    """The person of that number; raises `NotFound`."""
    row = conn.execute("SELECT * FROM person WHERE id = %s AND role <> 'machine'", (person_id,)).fetchone()
    if row is None:
        raise NotFound(f"There is no person {person_id}.")
    return from_row(row)


def check_password(conn: Connection, login: str, password: str) -> Person | None:
    """The person whose login and password these are, else None; takes as long for an unknown login.

    Until the caller's transaction ends nobody gives that person another password, nor disables them: a
    session that begins in it is there when the sessions of the old password are ended.
    """
    row = conn.execute(
        "SELECT * FROM person WHERE login = %s AND disabled_at IS NULL FOR NO KEY UPDATE",
        (login.strip().lower(),),
    ).fetchone()
    right = passwords.matches(row["password_hash"] if row else None, password)
    return from_row(row) if row and right else None


def set_password(conn: Connection, person: Person, password: str, now: datetime, *not_these: str) -> None:
    """Set a password and make every open link of that person useless.

    Raises
    ------
    BadInput
        If it cannot be a password, or is the person's login or one of ``not_these``.
    """
    passwords.check_new(password, person.login, *not_these, field="new")
    conn.execute(
        "UPDATE person SET password_hash = %s, password_set_at = %s WHERE id = %s",
        (passwords.hashed(password), now, person.id),
    )
    conn.execute(
        "UPDATE password_link SET withdrawn_at = %s "
        "WHERE person_id = %s AND used_at IS NULL AND withdrawn_at IS NULL",
        (now, person.id),
    )
    audit.record(conn, person.id, "set-password", f"person:{person.id}", now)


def from_row(row: dict[str, Any]) -> Person:
    """A person from their row."""
    return Person(row["id"], row["login"], row["name"], row["role"])

"""People and their passwords (argon2id)."""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from psycopg import errors

from model.errors import BadInput, Conflict, NotFound
from model.rights import RIGHTS, Right, Role
from store.database import Connection, one

ROLES = tuple(role.value for role in Role)
SHORTEST_PASSWORD = 10


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody who may log in."""

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


def add(
    conn: Connection, login: str, name: str, role: str, now: datetime, password: str | None = None
) -> tuple[Person, str]:
    """Register a person.

    Returns
    -------
    Person, str
        The person and the password, made up if none was given; kept only as a hash.
    """
    from argon2 import PasswordHasher

    login = login.strip().lower()
    if not login or any(c.isspace() for c in login):
        raise BadInput("A login name has no spaces and is not empty.", field="login")
    if role not in ROLES:
        raise BadInput(f"{role!r} is no role; use one of {', '.join(ROLES)}.", field="role")
    password = password or secrets.token_urlsafe(12)
    if len(password) < SHORTEST_PASSWORD:
        raise BadInput(f"A password has at least {SHORTEST_PASSWORD} characters.", field="password")
    try:
        row = conn.execute(
            "INSERT INTO person (login, name, role, password_hash, created_at) "
            "VALUES (%s, %s, %s, %s, %s) RETURNING *",
            (login, name or login, role, PasswordHasher().hash(password), now),
        ).fetchone()
    except errors.UniqueViolation as error:
        raise Conflict(f"There is a person with the login {login!r} already.", field="login") from error
    return _person(one(row)), password


def everybody(conn: Connection) -> list[Person]:
    """All people who may log in, by login."""
    rows = conn.execute("SELECT * FROM person WHERE disabled_at IS NULL ORDER BY login")
    return [_person(row) for row in rows]


def by_login(conn: Connection, login: str) -> Person:
    """The person of that login; raises `NotFound`."""
    row = conn.execute("SELECT * FROM person WHERE login = %s", (login.strip().lower(),)).fetchone()
    if row is None:
        raise NotFound(f"There is no person with the login {login!r}.", field="login")
    return _person(row)


def check_password(conn: Connection, login: str, password: str) -> Person | None:
    """The person whose login and password these are, else None; takes as long for an unknown login."""
    from argon2 import PasswordHasher
    from argon2.exceptions import Argon2Error, InvalidHashError

    hasher = PasswordHasher()
    row = conn.execute(
        "SELECT * FROM person WHERE login = %s AND disabled_at IS NULL", (login.strip().lower(),)
    ).fetchone()
    if row is None:
        hasher.hash(password)
        return None
    try:
        hasher.verify(row["password_hash"], password)
    except (Argon2Error, InvalidHashError):
        return None
    return _person(row)


def _person(row: dict[str, Any]) -> Person:
    return Person(row["id"], row["login"], row["name"], row["role"])

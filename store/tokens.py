"""Tokens for machines: random, kept as digests, with scopes and an end.

A token acts under its own name: it has a row among the people, of role ``machine`` and without a password, so
that whatever names who did something (the audit, an alert that was taken) names the token.
"""

from __future__ import annotations

import secrets
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from psycopg import errors

from model.errors import BadInput, Conflict, NotFound
from model.rights import SCOPES, Right
from model.texts import check_text
from store import audit
from store.database import Connection, one
from store.lists import Listing
from store.people import MACHINE, Person
from store.secret import digest, random_token
from store.sessions import SEEN_EVERY, tell

PREFIX = "hf_"
LONGEST_NAME = 60
LONGEST_LIFE = timedelta(days=366)

TOKENS = Listing(
    "SELECT t.id, t.name, t.short, t.scopes, t.created_at, t.expires_at, t.last_used_at, t.revoked_at, "
    "t.person_id, m.name AS made_by FROM machine_token t LEFT JOIN person m ON m.id = t.made_by",
    newest_first=True,
)


@dataclass(frozen=True, slots=True)
class Token:
    """A machine's token as administrators see it."""

    id: int
    name: str
    short: str
    """How the token begins, to recognise it by."""
    scopes: tuple[Right, ...]
    created_at: datetime
    expires_at: datetime
    last_used_at: datetime | None
    revoked_at: datetime | None
    person_id: int
    """Under whose name it acts."""
    made_by: str | None
    """Name of the administrator; None: the command line."""

    def state(self, now: datetime) -> str:
        """``works``, ``expired`` or ``revoked``."""
        if self.revoked_at is not None:
            return "revoked"
        return "works" if self.expires_at > now else "expired"


@dataclass(frozen=True, slots=True)
class NoToken:
    """Why a token opens nothing."""

    why: str


def make(
    conn: Connection, name: str, scopes: Iterable[str], expires: datetime, now: datetime, by: int | None
) -> tuple[Token, str]:
    """Make a token.

    Returns
    -------
    Token, str
        The token as it is listed, and the secret itself: shown once, kept only as a digest.
    """
    name = check_text(name, "name", longest=LONGEST_NAME, required=True)
    wanted = check_scopes(scopes)
    check_expiry(expires, now)
    short = PREFIX + secrets.token_hex(4)
    secret = f"{short}_{random_token()}"
    acting = conn.execute(
        "INSERT INTO person (login, name, role, created_at) VALUES (%s, %s, %s, %s) RETURNING id",
        (short, f"{name} (token)", MACHINE, now),
    ).fetchone()
    try:
        with conn.transaction():
            row = conn.execute(
                "INSERT INTO machine_token (person_id, name, short, token_digest, scopes, made_by, "
                "created_at, expires_at) VALUES (%s, %s, %s, %s, %s, %s, %s, %s) RETURNING id",
                (one(acting)["id"], name, short, digest(secret), list(wanted), by, now, expires),
            ).fetchone()
    except errors.UniqueViolation as error:
        raise Conflict(
            f"There is a token named {name!r} already; revoke it first, or choose another name.", field="name"
        ) from error
    token_id = one(row)["id"]
    audit.record(
        conn, by, "make-token", f"token:{token_id}", now, name=name, scopes=list(wanted),
        expires=expires.isoformat(),
    )  # fmt: skip
    return by_id(conn, token_id), secret


def check_scopes(scopes: Iterable[str]) -> list[str]:
    """The scopes in the order of the table; raises `BadInput` for what is none."""
    wanted = {str(scope) for scope in scopes}
    allowed = [right.value for right in Right if right in SCOPES]
    for scope in sorted(wanted):
        if scope not in allowed:
            raise BadInput(f"{scope!r} is no scope; use some of {', '.join(allowed)}.", field="scopes")
    if not wanted:
        raise BadInput("A token without scopes may do nothing; choose one at least.", field="scopes")
    return [scope for scope in allowed if scope in wanted]


def check_expiry(expires: datetime, now: datetime) -> None:
    """Raises `BadInput` unless it lies ahead, at most a year."""
    if expires <= now:
        raise BadInput("A token must end in the future.", field="expires_at")
    if expires > now + LONGEST_LIFE:
        raise BadInput("A token lasts a year at most; make a new one when it ends.", field="expires_at")


def everything(conn: Connection) -> list[Token]:
    """All tokens, the newest first."""
    return [from_row(row) for row in TOKENS.page(conn, {}, None, 1000)]


def by_id(conn: Connection, token_id: int) -> Token:
    """One token; raises `NotFound`."""
    row = TOKENS.one(conn, {}, token_id)
    if row is None:
        raise NotFound(f"There is no token {token_id}.")
    return from_row(row)


def by_name(conn: Connection, name: str) -> Token:
    """The token of that name or beginning that is not revoked; raises `NotFound`."""
    row = conn.execute(
        "SELECT id FROM machine_token WHERE revoked_at IS NULL AND (lower(name) = lower(%s) OR short = %s)",
        (name, name),
    ).fetchone()
    if row is None:
        raise NotFound(f"There is no token {name!r} that could be revoked.", field="name")
    return by_id(conn, row["id"])


def revoke(conn: Connection, token_id: int, now: datetime, by: int | None) -> None:
    """Make a token useless at once; once more does nothing. Raises `NotFound`."""
    token = by_id(conn, token_id)
    changed = conn.execute(
        "UPDATE machine_token SET revoked_at = %s WHERE id = %s AND revoked_at IS NULL", (now, token_id)
    ).rowcount
    if changed:
        tell(conn)
        audit.record(conn, by, "revoke-token", f"token:{token_id}", now, name=token.name)


def revoke_made_by(conn: Connection, person_id: int, now: datetime, by: int | None) -> None:
    """Make every token useless that a person made."""
    for token in made_by(conn, person_id):
        revoke(conn, token.id, now, by)


def whose(conn: Connection, secret: str, now: datetime) -> Person | NoToken:
    """The token as somebody who acts, or why it opens nothing; notes that it was used."""
    row = conn.execute(
        "SELECT t.*, p.login, p.name AS acting FROM machine_token t JOIN person p ON p.id = t.person_id "
        "WHERE t.token_digest = %s",
        (digest(secret),),
    ).fetchone()
    if row is None:
        return NoToken("This token is not known here.")
    if row["revoked_at"] is not None:
        return NoToken(f"The token {row['short']} was revoked.")
    if row["expires_at"] <= now:
        return NoToken(f"The token {row['short']} has run out.")
    if row["last_used_at"] is None or row["last_used_at"] + SEEN_EVERY <= now:
        conn.execute("UPDATE machine_token SET last_used_at = %s WHERE id = %s", (now, row["id"]))
    # A scope that the table has no more gives nothing.
    scopes = frozenset(right for right in SCOPES if right in row["scopes"])
    return Person(row["person_id"], row["login"], row["acting"], MACHINE, scopes)


def from_row(row: dict[str, Any]) -> Token:
    """A token from its row in `TOKENS`."""
    return Token(**{**row, "scopes": tuple(right for right in Right if right in row["scopes"])})


def working_of(conn: Connection, person_id: int, now: datetime) -> list[Token]:
    """The tokens that a person made and that work, the newest first."""
    return [one for one in made_by(conn, person_id) if one.state(now) == "works"]


def made_by(conn: Connection, person_id: int) -> list[Token]:
    """The tokens that a person made, the newest first."""
    rows = conn.execute(
        "SELECT id FROM machine_token WHERE made_by = %s ORDER BY id DESC", (person_id,)
    ).fetchall()
    return [by_id(conn, row["id"]) for row in rows]

"""Login sessions: the browser keeps a random token, the database only its digest."""

from __future__ import annotations

import hashlib
import secrets
from datetime import datetime

from store.database import Connection
from store.people import Person

TOKEN_BYTES = 32


def begin(conn: Connection, person_id: int, now: datetime, expires: datetime) -> str:
    """Begin a session and clear away those that have run out; returns the token for the cookie."""
    token = secrets.token_urlsafe(TOKEN_BYTES)
    conn.execute("DELETE FROM login_session WHERE expires_at <= %s", (now,))
    conn.execute(
        "INSERT INTO login_session (token_digest, person_id, created_at, expires_at) VALUES (%s, %s, %s, %s)",
        (_digest(token), person_id, now, expires),
    )
    return token


def whose(conn: Connection, token: str, now: datetime) -> Person | None:
    """The person whose running session this token belongs to; None also once the person is disabled."""
    row = conn.execute(
        "SELECT p.id, p.login, p.name, p.role FROM login_session s JOIN person p ON p.id = s.person_id "
        "WHERE s.token_digest = %s AND s.expires_at > %s AND p.disabled_at IS NULL",
        (_digest(token), now),
    ).fetchone()
    return None if row is None else Person(**row)


def end(conn: Connection, token: str) -> None:
    """End a session; a token that has none is fine."""
    conn.execute("DELETE FROM login_session WHERE token_digest = %s", (_digest(token),))


def _digest(token: str) -> bytes:
    # The token is random and long, so that a plain hash is enough: there is nothing to guess.
    return hashlib.sha256(token.encode("utf-8", "surrogatepass")).digest()

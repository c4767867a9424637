"""Login sessions: the browser keeps a random token, the database only its digest."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from model.errors import NotFound
from store import audit
from store.database import Connection
from store.people import Person
from store.secret import digest, random_token

CHANNEL = "login"
"""Notified when sessions end or tokens are revoked: open event streams ask whether they still may."""

SEEN_EVERY = timedelta(minutes=1)
"""How exactly "last seen" is kept; not every request shall write."""

LONGEST_BROWSER = 80


@dataclass(frozen=True, slots=True)
class Session:
    """Somebody's login."""

    id: int
    created_at: datetime
    last_seen_at: datetime
    expires_at: datetime
    browser: str
    """In words, from what the browser said at the login; may be empty."""


def begin(conn: Connection, person_id: int, now: datetime, expires: datetime, browser: str = "") -> str:
    """Begin a session and clear away those that have run out; returns the token for the cookie."""
    token = random_token()
    conn.execute("DELETE FROM login_session WHERE expires_at <= %s", (now,))
    conn.execute(
        "INSERT INTO login_session (token_digest, person_id, created_at, last_seen_at, expires_at, browser) "
        "VALUES (%s, %s, %s, %s, %s, %s)",
        (digest(token), person_id, now, now, expires, browser[:LONGEST_BROWSER]),
    )
    audit.record(conn, person_id, "log-in", f"person:{person_id}", now, browser=browser[:LONGEST_BROWSER])
    return token


def find(conn: Connection, token: str, now: datetime) -> tuple[Person, int] | None:
    """The person whose running session this token belongs to, and its number; notes that it was seen."""
    row = conn.execute(
        "SELECT s.id AS session_id, s.last_seen_at, p.id, p.login, p.name, p.role "
        "FROM login_session s JOIN person p ON p.id = s.person_id "
        "WHERE s.token_digest = %s AND s.expires_at > %s AND p.disabled_at IS NULL",
        (digest(token), now),
    ).fetchone()
    if row is None:
        return None
    if row["last_seen_at"] is None or row["last_seen_at"] + SEEN_EVERY <= now:
        conn.execute("UPDATE login_session SET last_seen_at = %s WHERE id = %s", (now, row["session_id"]))
    return Person(row["id"], row["login"], row["name"], row["role"]), row["session_id"]


def whose(conn: Connection, token: str, now: datetime) -> Person | None:
    """The person whose running session this token belongs to; None also once the person is disabled."""
    found = find(conn, token, now)
    return None if found is None else found[0]


def of_person(conn: Connection, person_id: int, now: datetime) -> list[Session]:
    """The running sessions of a person, the one seen last first."""
    rows = conn.execute(
        "SELECT id, created_at, coalesce(last_seen_at, created_at) AS last_seen_at, expires_at, browser "
        "FROM login_session WHERE person_id = %s AND expires_at > %s ORDER BY last_seen_at DESC, id DESC",
        (person_id, now),
    )
    return [Session(**row) for row in rows]


def end(conn: Connection, token: str, now: datetime | None = None) -> None:
    """Log out; a token that has no session is fine."""
    row = conn.execute(
        "DELETE FROM login_session WHERE token_digest = %s RETURNING person_id", (digest(token),)
    ).fetchone()
    if row is not None:
        tell(conn)
        if now is not None:
            audit.record(conn, row["person_id"], "log-out", f"person:{row['person_id']}", now)


def end_one(conn: Connection, person_id: int, session_id: int, now: datetime, by: int | None) -> None:
    """End a session of that person; raises `NotFound`."""
    ended = conn.execute(
        "DELETE FROM login_session WHERE id = %s AND person_id = %s", (session_id, person_id)
    ).rowcount
    if not ended:
        raise NotFound("There is no such session; it may have ended already.")
    tell(conn)
    audit.record(conn, by, "end-session", f"person:{person_id}", now, session=session_id)


def end_all(conn: Connection, person_id: int, now: datetime, by: int | None, keep: int | None = None) -> int:
    """End all sessions of a person, but for the one to ``keep``; returns how many."""
    ended = conn.execute(
        "DELETE FROM login_session WHERE person_id = %s AND id IS DISTINCT FROM %s", (person_id, keep)
    ).rowcount
    if ended:
        tell(conn)
        audit.record(conn, by, "end-sessions", f"person:{person_id}", now, count=ended)
    return ended


def tell(conn: Connection) -> None:
    """Say that some logins hold no longer, once this transaction is committed."""
    conn.execute("SELECT pg_notify(%s, '')", (CHANNEL,))

"""Who changed what and when, with what it was before."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from psycopg.types.json import Jsonb

from store.database import Connection


@dataclass(frozen=True, slots=True)
class By:
    """Who acts, and when by the installation's clock; nobody is the command line or the system itself."""

    at: datetime
    person_id: int | None = None


def record(
    conn: Connection, by: int | None, act: str, subject: str, now: datetime, **data: str | int | list[str]
) -> None:
    """Append a row in the caller's transaction.

    Parameters
    ----------
    by : int or None
        Who did it: a person, or a machine's token (which has a row of its own); None: the command line, or
        the system itself.
    act : str
        ``verb-noun``.
    subject : str
        ``kind:number``.
    """
    conn.execute(
        "INSERT INTO audit (at, person_id, act, subject, data) VALUES (%s, %s, %s, %s, %s)",
        (now, by, act, subject, Jsonb(data)),
    )


def write(
    conn: Connection,
    by: By,
    act: str,
    subject: str,
    before: Mapping[str, object] | None = None,
    after: Mapping[str, object] | None = None,
) -> None:
    """Note an act in the caller's transaction; of a change only what differs."""
    old, new = dict(before or {}), dict(after or {})
    if before is not None and after is not None:
        same = {key for key in old.keys() & new.keys() if old[key] == new[key]}
        old, new = ({k: v for k, v in side.items() if k not in same} for side in (old, new))
    data: dict[str, object] = {}
    if before is not None:
        data["before"] = {key: plain(value) for key, value in old.items()}
    if after is not None:
        data["after"] = {key: plain(value) for key, value in new.items()}
    conn.execute(
        "INSERT INTO audit (at, person_id, act, subject, data) VALUES (%s, %s, %s, %s, %s)",
        (by.at, by.person_id, act, subject, Jsonb(data)),
    )


def of(thing: Any) -> dict[str, object]:
    """The fields of one of our dataclasses, for `write`."""
    return {field.name: getattr(thing, field.name) for field in dataclasses.fields(thing)}


def plain(value: object) -> object:
    """What JSON has no word for, in its words."""
    if isinstance(value, datetime):
        return value.isoformat()
    return value


def history(conn: Connection, subject: str, limit: int = 50) -> list[dict[str, Any]]:
    """What was done with a thing, newest first, with the person's name."""
    return conn.execute(
        "SELECT a.at, a.act, a.data, p.name AS person FROM audit a LEFT JOIN person p ON p.id = a.person_id "
        "WHERE a.subject = %s ORDER BY a.id DESC LIMIT %s",
        (subject, limit),
    ).fetchall()

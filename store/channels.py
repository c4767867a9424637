"""Channels over which people are told. Secrets stay sealed; audit and logs see `Channel.shown` only."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from model import address
from model.channel import OFFERED, Channel, Kind, Tells
from model.errors import BadInput, Conflict, NotFound
from model.texts import check_text
from store import audit
from store.audit import By
from store.database import Connection, one
from store.seal import Seal, slow_digest

MOST = 20
"""Channels of one person, or of the company."""
SETTINGS_NAME = "Webhook of the settings"
FOR_PROGRAMS = "A webhook is for programs, and only the company has one: it is told alerts. Enter a mailbox."

SELECT = "SELECT channel.* FROM channel "
LIVE = SELECT + "WHERE removed_at IS NULL "
# Who is kept out is told nothing any more.
TELLING = """
    SELECT channel.* FROM channel LEFT JOIN person ON person.id = channel.person_id
    WHERE removed_at IS NULL AND disabled_at IS NULL AND %(what)s = ANY(tells)
"""
GIVE_UP = """
    UPDATE notification SET given_up_at = clock_timestamp(), last_error = %s
    WHERE channel_id = %s AND sent_at IS NULL AND given_up_at IS NULL
"""
TROUBLED = """
    SELECT channel.*, person.name AS person_name
    FROM channel LEFT JOIN person ON person.id = channel.person_id
    WHERE removed_at IS NULL AND disabled_at IS NULL AND (stopped_at IS NOT NULL OR failed_at IS NOT NULL)
    ORDER BY person_id IS NOT NULL, channel.id
"""


@dataclass(frozen=True, slots=True)
class NewChannel:
    """A channel to be made; see `model.channel.Channel`."""

    kind: Kind
    name: str
    shown: str
    tells: tuple[Tells, ...]
    address: str | None = None
    sealed: bytes | None = None
    time_zone: str | None = None
    locale: str | None = None


def add(conn: Connection, person_id: int | None, new: NewChannel, by: By) -> Channel:
    """Write a channel down; audited.

    Raises
    ------
    BadInput
        With the field.
    Conflict
        If there are too many, or the mailbox is there already.
    """
    name = check_text(new.name, "name", longest=60) or new.shown
    tells = check_tells(person_id, new.kind, new.tells)
    there = of(conn, person_id)
    if len(there) >= MOST:
        raise Conflict(f"There are {MOST} already: remove one first.", field="address")
    if new.address and any(found.address == new.address for found in there):
        raise Conflict("This mailbox is there already.", field="address")
    row = conn.execute(
        "INSERT INTO channel "
        "(person_id, kind, name, address, sealed, shown, tells, time_zone, locale, added_at) "
        "VALUES (%s, %s, %s, %s, %s, %s, %s, %s, %s, %s) RETURNING *",
        (
            person_id,
            new.kind,
            name,
            new.address,
            new.sealed,
            new.shown,
            list(tells),
            new.time_zone,
            new.locale,
            by.at,
        ),
    ).fetchone()
    made = from_row(one(row))
    audit.write(conn, by, "add-channel", f"channel:{made.id}", after=_noted(made))
    return made


def enter(
    conn: Connection,
    seal: Seal,
    person_id: int | None,
    typed: str,
    name: str,
    tells: Sequence[str] | None,
    by: By,
    *,
    time_zone: str | None = None,
    locale: str | None = None,
) -> Channel:
    """Make a channel of what somebody typed; ``tells`` None: what such a channel is usually for.

    Raises
    ------
    BadInput, Conflict
        With the field; none of them repeats the address.
    """
    found = address.read(typed)
    if found.kind is Kind.WEBHOOK and person_id is not None:
        raise BadInput(FOR_PROGRAMS, field="address")
    wanted = OFFERED[person_id is not None][:1] if tells is None else tells
    is_mail = found.kind is Kind.MAIL
    new = NewChannel(
        kind=found.kind,
        name=name,
        shown=found.shown,
        tells=check_tells(person_id, found.kind, wanted),
        address=found.full if is_mail else None,
        sealed=None if is_mail else seal.close(found.full),
        time_zone=time_zone,
        locale=locale,
    )
    return add(conn, person_id, new, by)


def any_by_id(conn: Connection, channel_id: int) -> Channel:
    """Whosever it is, for the command line; raises `NotFound`. Locked."""
    row = conn.execute(LIVE + "AND id = %s FOR NO KEY UPDATE", (channel_id,)).fetchone()
    if row is None:
        raise NotFound(f"There is no channel {channel_id}.")
    return from_row(row)


def check_tells(person_id: int | None, kind: Kind, tells: Sequence[str]) -> tuple[Tells, ...]:
    """What may go over such a channel, in the usual order; raises `BadInput`."""
    offered = OFFERED[person_id is not None] if kind.for_people else (Tells.ALERTS,)
    for word in tells:
        if word not in offered:
            raise BadInput(f"{word!r} cannot be chosen; choose of {', '.join(offered)}.", field="tells")
    return tuple(one for one in offered if one in tells)


def of(conn: Connection, person_id: int | None) -> list[Channel]:
    """A person's channels, or the company's."""
    rows = conn.execute(LIVE + "AND person_id IS NOT DISTINCT FROM %s ORDER BY id", (person_id,))
    return [from_row(row) for row in rows]


def own(conn: Connection, channel_id: int, person_id: int | None) -> Channel:
    """One of a person's channels, or of the company's; raises `NotFound` for anybody else's. Locked."""
    row = conn.execute(
        LIVE + "AND id = %s AND person_id IS NOT DISTINCT FROM %s FOR NO KEY UPDATE", (channel_id, person_id)
    ).fetchone()
    if row is None:
        raise NotFound(f"There is no channel {channel_id}.")
    return from_row(row)


def telling(conn: Connection, what: Tells, person_id: int | None = None) -> list[Channel]:
    """Over which channels something is told: a person's for their plans, the company's for alerts."""
    rows = conn.execute(
        TELLING + "AND person_id IS NOT DISTINCT FROM %(person)s ORDER BY channel.id",
        {"what": what, "person": person_id},
        prepare=True,
    )
    return [from_row(row) for row in rows]


def telling_all(conn: Connection, what: Tells) -> list[Channel]:
    """Every channel over which something is told, whosever it is."""
    return [from_row(row) for row in conn.execute(TELLING + "ORDER BY channel.id", {"what": what})]


def change(conn: Connection, channel: Channel, tells: Sequence[str], by: By) -> Channel:
    """Choose what goes over it; audited."""
    chosen = check_tells(channel.person_id, channel.kind, tells)
    row = conn.execute(
        "UPDATE channel SET tells = %s WHERE id = %s RETURNING *", (list(chosen), channel.id)
    ).fetchone()
    changed = from_row(one(row))
    audit.write(conn, by, "change-channel", f"channel:{channel.id}", _noted(channel), _noted(changed))
    return changed


def go_on(conn: Connection, channel: Channel, by: By) -> Channel:
    """Let a stopped channel go on, and forget what failed; audited."""
    row = conn.execute(
        "UPDATE channel SET stopped_at = NULL, stopped_because = '', failed_at = NULL, failure = '' "
        "WHERE id = %s RETURNING *",
        (channel.id,),
    ).fetchone()
    audit.write(conn, by, "let-channel-go-on", f"channel:{channel.id}")
    return from_row(one(row))


def remove(conn: Connection, channel: Channel, by: By) -> None:
    """Send nothing there any more and forget its address; audited."""
    if channel.of_settings:
        raise Conflict("The settings name this webhook: take HOLDFAST_WEBHOOK_URL out of them.")
    conn.execute(
        "UPDATE channel SET removed_at = %s, address = NULL, sealed = NULL WHERE id = %s", (by.at, channel.id)
    )
    conn.execute(GIVE_UP, ("the channel was removed", channel.id))
    audit.write(conn, by, "remove-channel", f"channel:{channel.id}", before=_noted(channel))


def stop(conn: Connection, channel_id: int, because: str) -> None:
    """Its receiver wants nothing ever again: what waits for it is given up, too."""
    with conn.transaction():
        conn.execute(
            "UPDATE channel SET stopped_at = coalesce(stopped_at, clock_timestamp()), stopped_because = %s "
            "WHERE id = %s",
            (because, channel_id),
        )
        conn.execute(GIVE_UP, (f"stopped: {because}", channel_id))


def note_failure(conn: Connection, channel_id: int, failure: str) -> None:
    """Its latest message was given up."""
    conn.execute(
        "UPDATE channel SET failed_at = clock_timestamp(), failure = %s WHERE id = %s", (failure, channel_id)
    )


def note_success(conn: Connection, channel_id: int) -> None:
    """A message went out."""
    conn.execute(
        "UPDATE channel SET failed_at = NULL, failure = '' WHERE id = %s AND failed_at IS NOT NULL",
        (channel_id,),
    )


def troubled(conn: Connection) -> list[tuple[Channel, str | None]]:
    """Channels that are stopped or whose latest message was given up, with the names of their persons."""
    return [(from_row(row), row["person_name"]) for row in conn.execute(TROUBLED)]


def of_settings(conn: Connection, url: str, now: datetime) -> int | None:
    """The channel of the webhook that the settings name, which goes on once that address was changed.

    Returns
    -------
    int or None
        Its number; None where they name none.
    """
    with conn.transaction():
        conn.execute("LOCK TABLE channel IN SHARE ROW EXCLUSIVE MODE")
        row = conn.execute(SELECT + "WHERE settings_digest IS NOT NULL").fetchone()
        if not url:
            if row is not None and row["removed_at"] is None:
                conn.execute("UPDATE channel SET removed_at = %s WHERE id = %s", (now, row["id"]))
            return None
        if row is None:
            salt = os.urandom(16)
            row = conn.execute(
                "INSERT INTO channel (kind, name, shown, tells, settings_salt, settings_digest, added_at) "
                "VALUES ('webhook', %s, 'webhook', '{alerts}', %s, %s, %s) RETURNING id",
                (SETTINGS_NAME, salt, slow_digest(url, salt), now),
            ).fetchone()
            return int(one(row)["id"])
        if slow_digest(url, row["settings_salt"]) != row["settings_digest"]:
            salt = os.urandom(16)
            conn.execute(
                "UPDATE channel SET settings_salt = %s, settings_digest = %s, stopped_at = NULL, "
                "stopped_because = '', failed_at = NULL, failure = '' WHERE id = %s",
                (salt, slow_digest(url, salt), row["id"]),
            )
        conn.execute("UPDATE channel SET removed_at = NULL WHERE id = %s", (row["id"],))
        return int(row["id"])


def from_row(row: dict[str, Any]) -> Channel:
    """A channel from its row."""
    return Channel(
        id=row["id"],
        person_id=row["person_id"],
        kind=Kind(row["kind"]),
        name=row["name"],
        shown=row["shown"],
        tells=tuple(map(Tells, row["tells"])),
        of_settings=row["settings_digest"] is not None,
        address=row["address"],
        sealed=row["sealed"],
        time_zone=row["time_zone"],
        locale=row["locale"],
        stopped_at=row["stopped_at"],
        stopped_because=row["stopped_because"],
        failed_at=row["failed_at"],
        failure=row["failure"],
    )


def _noted(channel: Channel) -> dict[str, object]:
    return {
        "person": channel.person_id,
        "kind": channel.kind,
        "name": channel.name,
        "shown": channel.shown,
        "tells": list(channel.tells),
    }

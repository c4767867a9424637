"""What people do to alerts besides taking them: put one aside for a while, take what it is about out of
service, say whether it was right.

What follows for who is told is the desk's business: a timer or an event tells it to look.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from model.alert import NEVER_HELD, Alert, Answer
from model.clock import US, to_datetime, to_us
from model.errors import BadInput, Conflict
from model.event import EventKind
from model.texts import check_text
from store import alerts, audit, events, timers
from store.audit import By
from store.database import Connection, one
from store.events import NewEvent
from store.timers import Timer

LOOK = "alert-look"
"""Kind of the timers that send an alert on its way again; the subject is its number."""

LONGEST_US = 86_400 * US
"""At most a day: own choice. The next shift finds what the last one put aside; longer is a repair, which is
what out of service is for."""
LONGEST_REASON = 500


@dataclass(frozen=True, slots=True)
class Break:
    """An instrument or gateway that is out of service."""

    reason: str
    person: str
    since_us: int


def look(conn: Connection, alert_id: int, at_us: int) -> None:
    """Have the desk look at an alert then; the caller holds it locked."""
    timers.put(conn, [Timer(LOOK, str(alert_id), at_us)])


def shelve(conn: Connection, alert_id: int, person_id: int, reason: str, until_us: int, now_us: int) -> Alert:
    """Put an alert aside, also anew with another time; audited, the caller commits.

    Raises
    ------
    NotFound
        If there is no such alert.
    BadInput
        Without a reason, or for a time that is past or too long.
    Conflict
        If it is over, or must not be put aside.
    """
    reason = _reason(reason)
    if until_us <= now_us:
        raise BadInput("An alert is shelved until a moment to come.", field="until")
    if until_us > now_us + LONGEST_US:
        raise BadInput(
            "An alert is shelved for a day at most. Longer: take it out of service.", field="until"
        )
    alert = alerts.lock(conn, alert_id)
    if not alert.state.active:
        raise Conflict("This alert is over: there is nothing to shelve.")
    if alert.kind in NEVER_HELD:
        raise Conflict(
            "An alert of this kind is never put aside: the circuit is being harmed. Acknowledge it."
        )
    _end_shelf(conn, alert.key, person_id, now_us)
    conn.execute(
        "INSERT INTO alert_shelf (key, alert_id, priority, reason, person_id, since, until) "
        "VALUES (%s, %s, %s, %s, %s, %s, %s)",
        (
            alert.key,
            alert_id,
            alert.priority,
            reason,
            person_id,
            to_datetime(now_us),
            to_datetime(until_us),
        ),
    )
    # What holds it already goes before; the desk's next look finds the shelf when that is over.
    conn.execute(
        "UPDATE alert SET held = 'shelved', held_because = %s, held_until = %s, updated_at = %s "
        "WHERE id = %s AND (held IS NULL OR held = 'shelved')",
        (reason, to_datetime(until_us), to_datetime(now_us), alert_id),
    )
    alerts.remember(conn, alert, "shelved", person_id, reason, now_us)
    _audit(conn, "shelve-alert", alert_id, person_id, now_us, reason=reason, until_us=until_us)
    look(conn, alert_id, now_us)
    return alerts.by_id(conn, alert_id)


def unshelve(conn: Connection, alert_id: int, person_id: int, now_us: int) -> Alert:
    """End that before its time; audited, the caller commits. Raises `NotFound`, `Conflict`."""
    alert = alerts.lock(conn, alert_id)
    if not _end_shelf(conn, alert.key, person_id, now_us):
        raise Conflict("This alert is not shelved.")
    alerts.remember(conn, alert, "unshelved", person_id, "", now_us)
    _audit(conn, "unshelve-alert", alert_id, person_id, now_us)
    look(conn, alert_id, now_us)
    return alerts.by_id(conn, alert_id)


def take_out(conn: Connection, kind: str, number: int, reason: str, by: By) -> None:
    """Take an instrument's or a gateway's alerts out of service; audited, the caller commits.

    Raises
    ------
    BadInput
        Without a reason.
    Conflict
        If they are so already.
    """
    reason = _reason(reason)
    row = conn.execute(
        f"INSERT INTO out_of_service ({_column(kind)}, reason, person_id, since) "  # noqa: S608 - of two names
        "VALUES (%s, %s, %s, %s) ON CONFLICT DO NOTHING RETURNING id",
        (number, reason, by.person_id, by.at),
    ).fetchone()
    if row is None:
        raise Conflict(f"The alerts of this {kind} are out of service already.")
    audit.write(conn, by, "take-alerts-out-of-service", f"{kind}:{number}", after={"reason": reason})
    _tell(conn, kind, number, EventKind.OUT_OF_SERVICE, f"out of service: {reason}", by)


def put_back(conn: Connection, kind: str, number: int, by: By) -> None:
    """Put them back; audited, the caller commits. Raises `Conflict` if they are in service."""
    row = conn.execute(
        f"UPDATE out_of_service SET ended_at = %s, ended_by = %s WHERE {_column(kind)} = %s "  # noqa: S608
        "AND ended_at IS NULL RETURNING reason",
        (by.at, by.person_id, number),
    ).fetchone()
    if row is None:
        raise Conflict(f"The alerts of this {kind} are in service.")
    audit.write(conn, by, "put-alerts-back-in-service", f"{kind}:{number}", before={"reason": row["reason"]})
    _tell(conn, kind, number, EventKind.BACK_IN_SERVICE, "in service again", by)


def broken_off(conn: Connection, kind: str, number: int) -> Break | None:
    """Whether the alerts of an instrument or gateway are out of service, and why."""
    row = conn.execute(
        "SELECT o.reason, o.since, p.name FROM out_of_service o JOIN person p ON p.id = o.person_id "  # noqa: S608
        f"WHERE o.{_column(kind)} = %s AND o.ended_at IS NULL",
        (number,),
    ).fetchone()
    return None if row is None else Break(row["reason"], row["name"], to_us(row["since"]))


def judge(conn: Connection, alert_id: int, person_id: int, answer: Answer, note: str, now_us: int) -> None:
    """Keep what somebody says of an alert, in place of what they said before; raises `NotFound`."""
    alerts.by_id(conn, alert_id)
    conn.execute(
        "INSERT INTO alert_opinion (alert_id, person_id, answer, note, at) VALUES (%s, %s, %s, %s, %s) "
        "ON CONFLICT (alert_id, person_id) DO UPDATE SET answer = excluded.answer, at = excluded.at, "
        "note = coalesce(nullif(excluded.note, ''), alert_opinion.note)",
        (alert_id, person_id, answer, note, to_datetime(now_us)),
    )
    alerts.tell(conn, alert_id)


def opinions(conn: Connection, alert_id: int) -> list[dict[str, Any]]:
    """What people say of an alert, the first first."""
    return conn.execute(
        "SELECT o.person_id, p.name AS person, o.answer, o.note, o.at FROM alert_opinion o "
        "JOIN person p ON p.id = o.person_id WHERE o.alert_id = %s ORDER BY o.at, o.person_id",
        (alert_id,),
    ).fetchall()


def _end_shelf(conn: Connection, key: str, person_id: int, now_us: int) -> bool:
    ended = conn.execute(
        "UPDATE alert_shelf SET ended_at = %(now)s, ended_by = %(who)s "
        "WHERE key = %(key)s AND ended_at IS NULL AND until > %(now)s",
        {"key": key, "who": person_id, "now": to_datetime(now_us)},
    )
    return ended.rowcount > 0


def _tell(conn: Connection, kind: str, number: int, event: EventKind, said: str, by: By) -> None:
    row = conn.execute(
        "SELECT g.name || '/' || i.name AS label, g.site_id, i.id AS instrument_id, "
        "NULL::integer AS gateway_id FROM instrument i JOIN gateway g ON g.id = i.gateway_id "
        "WHERE %(kind)s = 'instrument' AND i.id = %(id)s UNION ALL "
        "SELECT name, site_id, NULL, id FROM gateway WHERE %(kind)s = 'gateway' AND id = %(id)s",
        {"kind": kind, "id": number},
    ).fetchone()
    found = one(row)
    data: dict[str, object] = {key: found[key] for key in ("instrument_id", "gateway_id") if found[key]}
    text = f"Alerts of {kind} {found['label']}: {said}."
    subject = f"{kind}:{found['label']}"
    now_us = to_us(by.at)
    events.record(conn, [NewEvent(event, now_us, text, subject, found["site_id"], None, data)], now_us)


def _column(kind: str) -> str:
    return {"instrument": "instrument_id", "gateway": "gateway_id"}[kind]


def _reason(reason: str) -> str:
    said = check_text(reason, "reason", longest=LONGEST_REASON)
    if not said:
        raise BadInput("Say why: the next shift wants to know.", field="reason")
    return said


def _audit(conn: Connection, act: str, alert_id: int, person_id: int, now_us: int, **after: object) -> None:
    if "until_us" in after:
        until_us = after.pop("until_us")
        assert isinstance(until_us, int)
        after["until"] = to_datetime(until_us)
    audit.write(conn, By(to_datetime(now_us), person_id), act, f"alert:{alert_id}", after=after or None)

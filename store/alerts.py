"""Alerts and their history. Every change is told on the channel ``alert`` when it is committed."""

from __future__ import annotations

from typing import Any

from model.alert import Act, Alert, AlertEntry, AlertState, Held, How, Priority, after
from model.clock import to_datetime, to_us
from model.errors import NotFound
from store.database import Connection, one

SELECT = """
    SELECT alert.*, person.name AS acknowledged_name, gateway.name || '/' || instrument.name AS instrument
    FROM alert LEFT JOIN person ON person.id = alert.acknowledged_by
    LEFT JOIN instrument ON instrument.id = alert.instrument_id
    LEFT JOIN gateway ON gateway.id = instrument.gateway_id
"""

LIVE_WITH_KEY = SELECT + "WHERE alert.key = %s AND alert.state <> 'normal' FOR NO KEY UPDATE OF alert"

# In the order of ids, so that two who lock many never wait for each other.
ACTIVE_WITH_PREFIX = (
    SELECT
    + """
    WHERE alert.state <> 'normal' AND alert.state <> 'cleared-unacknowledged'
      AND starts_with(alert.key, %(prefix)s)
      AND (%(before)s::timestamptz IS NULL OR alert.happened_at < %(before)s)
    ORDER BY alert.id FOR NO KEY UPDATE OF alert
    """
)

# Those that what stands around them may hold back, or let go.
HELD_BY = (
    SELECT  # noqa: S608 - constants
    + """
    WHERE alert.state <> 'normal' AND (
        coalesce(alert.site_id, (SELECT site_id FROM job WHERE job.id = alert.job_id)) = %(site)s
        OR alert.instrument_id = %(instrument)s
        OR alert.instrument_id IN (SELECT id FROM instrument WHERE gateway_id = %(gateway)s)
        OR substring(alert.key FROM '^gateway:([^/]+)/') = (SELECT name FROM gateway WHERE id = %(gateway)s))
    ORDER BY alert.id FOR NO KEY UPDATE OF alert
    """
)

INSERT = """
    INSERT INTO alert (key, kind, priority, state, text, action, site_id, job_id, raised_at, updated_at,
                       cleared_at, acknowledged_at, note, count, happened_at, event_id, instrument_id, held,
                       held_because, held_until, edition, turns)
    VALUES (%(key)s, %(kind)s, %(priority)s, %(state)s, %(text)s, %(action)s, %(site_id)s, %(job_id)s,
            %(raised_at)s, %(updated_at)s, %(cleared_at)s, %(acknowledged_at)s, %(note)s, %(count)s,
            %(happened_at)s, %(event_id)s, (
                SELECT i.id FROM instrument i JOIN gateway g ON g.id = i.gateway_id
                WHERE g.name = split_part(%(instrument)s, '/', 1)
                  AND i.name = split_part(%(instrument)s, '/', 2)),
            %(held)s, %(held_because)s, %(held_until)s, %(edition)s, %(turns)s)
    RETURNING id
"""

# Who acknowledged is written by `acknowledge` alone; here it is only taken away.
UPDATE = """
    UPDATE alert SET kind = %(kind)s, priority = %(priority)s, state = %(state)s, text = %(text)s,
        action = %(action)s, raised_at = %(raised_at)s, updated_at = %(updated_at)s,
        cleared_at = %(cleared_at)s, acknowledged_at = %(acknowledged_at)s,
        acknowledged_by = CASE WHEN %(acknowledged_at)s::timestamptz IS NULL THEN NULL
                               ELSE acknowledged_by END,
        note = %(note)s, count = %(count)s, happened_at = %(happened_at)s, event_id = %(event_id)s,
        held = %(held)s, held_because = %(held_because)s, held_until = %(held_until)s,
        edition = %(edition)s, turns = %(turns)s
    WHERE id = %(id)s
    RETURNING id
"""

ACKNOWLEDGE = """
    UPDATE alert SET state = %(state)s, acknowledged_at = %(at)s, acknowledged_by = %(person)s,
        updated_at = %(at)s, note = coalesce(nullif(%(note)s, ''), note)
    WHERE id = %(id)s
"""

HISTORY = """
    SELECT alert_history.*, person.name AS person_name
    FROM alert_history LEFT JOIN person ON person.id = alert_history.person_id
    WHERE alert_id = %s ORDER BY alert_history.id
"""

WHERE = """
    SELECT site.name AS site, job.title AS job
    FROM alert LEFT JOIN site ON site.id = alert.site_id LEFT JOIN job ON job.id = alert.job_id
    WHERE alert.id = %s
"""


def by_id(conn: Connection, alert_id: int) -> Alert:
    """One alert; raises `NotFound`."""
    return _found(conn.execute(SELECT + "WHERE alert.id = %s", (alert_id,)).fetchone())


def live_by_key(conn: Connection, key: str) -> Alert | None:
    """The alert of that key that is not over, locked until the end of the transaction."""
    row = conn.execute(LIVE_WITH_KEY, (key,)).fetchone()
    return from_row(row) if row else None


def active_by_prefix(conn: Connection, prefix: str, before_us: int | None = None) -> list[Alert]:
    """Active alerts whose key begins so, about facts before an event time [µs]; locked."""
    before = None if before_us is None else to_datetime(before_us)
    return [from_row(row) for row in conn.execute(ACTIVE_WITH_PREFIX, {"prefix": prefix, "before": before})]


def live_around(
    conn: Connection, *, site: int | None = None, gateway: int | None = None, instrument: int | None = None
) -> list[Alert]:
    """Alerts that are not over about a site, a gateway with its instruments, or an instrument; locked."""
    given = {"site": site, "gateway": gateway, "instrument": instrument}
    return [from_row(row) for row in conn.execute(HELD_BY, given)]


def lock(conn: Connection, alert_id: int) -> Alert:
    """One alert, locked until the end of the transaction; raises `NotFound`."""
    return _found(
        conn.execute(SELECT + "WHERE alert.id = %s FOR NO KEY UPDATE OF alert", (alert_id,)).fetchone()
    )


def save(conn: Connection, alert: Alert, what: str, *, note: str = "", event_id: int | None = None) -> int:
    """Write an alert (new if its id is 0) with a line of history, and tell the listeners; returns its id."""
    row = conn.execute(UPDATE if alert.id else INSERT, _columns(alert)).fetchone()
    alert_id = int(one(row)["id"])
    _remember(conn, alert_id, alert.updated_us, what, alert.state, None, event_id, note)
    return alert_id


def acknowledge(conn: Connection, alert_id: int, person_id: int, note: str, now_us: int) -> Alert:
    """A person takes it; raises `NotFound`.

    Of two who do, the first has it: for the second nothing changes, but a note is kept. The caller commits.
    """
    alert = lock(conn, alert_id)
    state = after(alert.state, Act.ACKNOWLEDGE)
    if state is alert.state:
        return add_note(conn, alert_id, person_id, note, now_us) if note else alert
    conn.execute(
        ACKNOWLEDGE,
        {"id": alert_id, "state": state, "at": to_datetime(now_us), "person": person_id, "note": note},
    )
    _remember(conn, alert_id, now_us, "acknowledged", state, person_id, None, note)
    return by_id(conn, alert_id)


def add_note(conn: Connection, alert_id: int, person_id: int, note: str, now_us: int) -> Alert:
    """A person writes something down; raises `NotFound`. The caller commits."""
    alert = lock(conn, alert_id)
    conn.execute(
        "UPDATE alert SET note = %s, updated_at = %s WHERE id = %s", (note, to_datetime(now_us), alert_id)
    )
    _remember(conn, alert_id, now_us, "note", alert.state, person_id, None, note)
    return by_id(conn, alert_id)


def remember(conn: Connection, alert: Alert, what: str, person_id: int, note: str, now_us: int) -> None:
    """A line of history about what a person did that left the alert's state as it was."""
    _remember(conn, alert.id, now_us, what, alert.state, person_id, None, note)


def tell(conn: Connection, alert_id: int) -> None:
    """Tell the listeners that something about an alert changed."""
    conn.execute("SELECT pg_notify('alert', %s)", (str(alert_id),))


def history(conn: Connection, alert_id: int) -> list[AlertEntry]:
    """All that became of an alert, oldest first."""
    return [
        AlertEntry(
            at_us=to_us(row["at"]),
            what=row["what"],
            state=AlertState(row["state"]),
            person=row["person_name"],
            event_id=row["event_id"],
            note=row["note"],
        )
        for row in conn.execute(HISTORY, (alert_id,))
    ]


def where(conn: Connection, alert_id: int) -> tuple[str | None, str | None]:
    """Name of the site and title of the job that an alert is about."""
    row = one(conn.execute(WHERE, (alert_id,)).fetchone())
    return row["site"], row["job"]


def from_row(row: dict[str, Any]) -> Alert:
    """An alert from a row of `SELECT`."""
    return Alert(
        id=row["id"],
        key=row["key"],
        kind=row["kind"],
        priority=Priority(row["priority"]),
        state=AlertState(row["state"]),
        text=row["text"],
        action=row["action"],
        site_id=row["site_id"],
        job_id=row["job_id"],
        raised_us=to_us(row["raised_at"]),
        updated_us=to_us(row["updated_at"]),
        cleared_us=None if row["cleared_at"] is None else to_us(row["cleared_at"]),
        acknowledged_us=None if row["acknowledged_at"] is None else to_us(row["acknowledged_at"]),
        acknowledged_by=row["acknowledged_name"],
        note=row["note"],
        count=row["count"],
        happened_us=to_us(row["happened_at"]),
        event_id=row["event_id"],
        instrument=row["instrument"],
        held=None if row["held"] is None else _held(row),
        edition=row["edition"],
        turns=row["turns"],
    )


def _held(row: dict[str, Any]) -> Held:
    until = row["held_until"]
    return Held(How(row["held"]), row["held_because"], None if until is None else to_us(until))


def _columns(alert: Alert) -> dict[str, object]:
    def moment(us: int | None) -> object:
        return None if us is None else to_datetime(us)

    held = alert.held
    return {
        "id": alert.id,
        "key": alert.key,
        "kind": alert.kind,
        "priority": alert.priority,
        "state": alert.state,
        "text": alert.text,
        "action": alert.action,
        "site_id": alert.site_id,
        "job_id": alert.job_id,
        "raised_at": moment(alert.raised_us),
        "updated_at": moment(alert.updated_us),
        "cleared_at": moment(alert.cleared_us),
        "acknowledged_at": moment(alert.acknowledged_us),
        "note": alert.note,
        "count": alert.count,
        "happened_at": moment(alert.happened_us),
        "event_id": alert.event_id,
        "instrument": alert.instrument,
        "held": None if held is None else held.how,
        "held_because": "" if held is None else held.because,
        "held_until": None if held is None else moment(held.until_us),
        "edition": alert.edition,
        "turns": alert.turns,
    }


def _found(row: dict[str, Any] | None) -> Alert:
    if row is None:
        raise NotFound("There is no such alert.")
    return from_row(row)


def _remember(
    conn: Connection,
    alert_id: int,
    at_us: int,
    what: str,
    state: AlertState,
    person_id: int | None,
    event_id: int | None,
    note: str,
) -> None:
    conn.execute(
        "INSERT INTO alert_history (alert_id, at, what, state, person_id, event_id, note) "
        "VALUES (%s, %s, %s, %s, %s, %s, %s)",
        (alert_id, to_datetime(at_us), what, state, person_id, event_id, note),
    )
    tell(conn, alert_id)

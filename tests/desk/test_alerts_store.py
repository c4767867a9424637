"""Alerts in the database: acknowledging, notes, history."""

from __future__ import annotations

from dataclasses import replace

import pytest

from desk.core import life
from desk.core.life import Told
from desk.worker import alerting
from desk.worker.passing import Outlets
from model.alert import Alert, AlertState, Priority
from model.clock import to_datetime
from model.errors import NotFound
from store import alerts, people
from store.database import Connection
from tests.desk.facts import NIGHT_US

NOBODY = Outlets((), "urn:test")


def told(key: str, event_id: int, priority: Priority = Priority.MEDIUM, job_id: int | None = None) -> Told:
    return Told(
        key=key,
        kind="hold-failed",
        priority=priority,
        text=f"Fact {event_id}.",
        action="Do something.",
        site_id=None,
        job_id=job_id,
        happened_us=NIGHT_US,
        event_id=event_id,
    )


def add(conn: Connection, key: str, event_id: int = 1, priority: Priority = Priority.MEDIUM) -> Alert:
    with conn.transaction():
        alerting.apply(conn, told(key, event_id, priority), NIGHT_US, NOBODY)
        alert = alerts.live_by_key(conn, key)
    assert alert is not None
    return alert


@pytest.fixture
def ada(conn: Connection) -> int:
    person, _ = people.add(conn, "ada", "Ada Quill", "dispatcher", to_datetime(NIGHT_US))
    return person.id


@pytest.mark.parametrize("state", list(AlertState))
@pytest.mark.parametrize("note", ["", "On my way."])
def test_acknowledging_in_the_database_is_that_of_the_pure_life(
    conn: Connection, ada: int, state: AlertState, note: str
) -> None:
    alert = add(conn, "k")
    alerts.add_note(conn, alert.id, ada, "Gate is locked.", NIGHT_US)
    if state.acknowledged:
        alerts.acknowledge(conn, alert.id, ada, "First.", NIGHT_US + 1)
    if not state.active:
        done = life.clear(alerts.by_id(conn, alert.id), "it went away.", 2, NIGHT_US + 2)
        assert done is not None
        alerts.save(conn, done.alert, done.what)
    before = alerts.by_id(conn, alert.id)
    assert before.state is state

    after = alerts.acknowledge(conn, alert.id, ada, note, NIGHT_US + 3)

    expected = life.acknowledge(before, "Ada Quill", note, NIGHT_US + 3)
    assert after == (before if expected is None else expected.alert)
    last = alerts.history(conn, alert.id)[-1]
    if expected is not None:
        assert (last.what, last.person, last.note, last.state) == (
            expected.what, "Ada Quill", note, after.state,
        )  # fmt: skip


def test_note_is_kept_with_its_writer(conn: Connection, ada: int) -> None:
    alert = add(conn, "k")
    assert alerts.add_note(conn, alert.id, ada, "Door code at the gate.", NIGHT_US + 5).note
    entry = alerts.history(conn, alert.id)[-1]
    assert (entry.what, entry.person, entry.note) == ("note", "Ada Quill", "Door code at the gate.")


def test_unknown_alert_is_not_found(conn: Connection, ada: int) -> None:
    with pytest.raises(NotFound):
        alerts.by_id(conn, 99)
    with pytest.raises(NotFound):
        alerts.acknowledge(conn, 99, ada, "", NIGHT_US)
    with pytest.raises(NotFound):
        alerts.add_note(conn, 99, ada, "x", NIGHT_US)


def test_alert_comes_back_as_it_was_saved(conn: Connection) -> None:
    saved = add(conn, "k", 4, Priority.URGENT)
    change = life.tell(None, told("k", 4, Priority.URGENT), NIGHT_US)
    assert change is not None
    assert saved == replace(change.alert, id=saved.id)

"""Events become alerts exactly once, whatever happens to the desk."""

from __future__ import annotations

import threading

import pytest

from desk.config import DeskConfig
from desk.worker import alerting
from desk.worker.passing import Outlets
from model.alert import Alert, AlertState, Priority
from model.channel import Channel, Kind, Tells
from model.clock import HandClock, to_datetime
from model.event import EventKind
from store import alerts, beats, channels
from store.audit import By
from store.channels import NewChannel
from store.database import Connection, connect
from tests.desk.conftest import Running
from tests.desk.facts import NIGHT_US, all_alerts, outbox, record
from tests.waiting import wait_until

CLOCK = HandClock(NIGHT_US + 60_000_000)
OUTLETS = Outlets((), "urn:test")


@pytest.fixture(autouse=True)
def dispatch(conn: Connection) -> Channel:
    """Where the company is told."""
    new = NewChannel(Kind.MAIL, "Dispatch", "desk@example.org", (Tells.ALERTS,), address="desk@example.org")
    return channels.add(conn, None, new, By(to_datetime(CLOCK.us)))


def work_off(conn: Connection) -> int | None:
    return alerting.work_off(conn, CLOCK, OUTLETS)


def only(conn: Connection) -> Alert:
    (alert,) = all_alerts(conn)
    return alert


def what_became(conn: Connection, alert_id: int) -> list[str]:
    return [entry.what for entry in alerts.history(conn, alert_id)]


def test_failing_hold_raises_one_alert_with_history_and_notification(conn: Connection, job_id: int) -> None:
    event_id = record(conn, job_id, EventKind.HOLD_FAILED, cause="leak")
    assert work_off(conn) == 1
    alert = only(conn)
    assert (alert.kind, alert.priority, alert.state) == (
        "hold-failed", Priority.URGENT, AlertState.ACTIVE_UNACKNOWLEDGED,
    )  # fmt: skip
    assert (alert.job_id, alert.happened_us, alert.raised_us) == (job_id, NIGHT_US, CLOCK.us)
    (entry,) = alerts.history(conn, alert.id)
    assert (entry.what, entry.event_id, entry.person) == ("raised", event_id, None)
    assert len(outbox(conn)) == 1


def test_event_is_taken_once(conn: Connection, job_id: int) -> None:
    record(conn, job_id, EventKind.HOLD_FAILED)
    assert [work_off(conn), work_off(conn)] == [1, 0]
    assert only(conn).count == 1


def test_repeated_fact_counts_and_notifies_once(conn: Connection, job_id: int) -> None:
    for _ in range(3):
        record(conn, job_id, EventKind.HOLD_FAILED)
    work_off(conn)
    alert = only(conn)
    assert alert.count == 3
    assert len(outbox(conn)) == 1


def test_transaction_that_breaks_leaves_event_cursor_and_alerts_as_they_were(
    conn: Connection, job_id: int
) -> None:
    record(conn, job_id, EventKind.HOLD_FAILED)

    class BrokenClock(HandClock):
        def now_us(self) -> int:
            raise RuntimeError("torn")

    with pytest.raises(RuntimeError, match="torn"):
        alerting.work_off(conn, BrokenClock(0), OUTLETS)
    assert all_alerts(conn) == []
    assert work_off(conn) == 1
    assert only(conn).count == 1


def test_late_readings_turn_a_fail_into_a_pass_and_clear_it_with_the_reason(
    conn: Connection, job_id: int
) -> None:
    record(conn, job_id, EventKind.HOLD_FAILED)
    work_off(conn)
    record(conn, job_id, EventKind.HOLD_REVISED, verdict="passed", because="late readings")
    work_off(conn)
    alert = only(conn)
    assert alert.state is AlertState.CLEARED_UNACKNOWLEDGED
    assert alert.text.endswith("Cleared: the hold passed. Revised: late readings.")
    assert [row["reason"] for row in outbox(conn)] == ["raised", "cleared"]


def test_inconclusive_hold_that_turns_out_failed_becomes_urgent_in_place(
    conn: Connection, job_id: int
) -> None:
    record(conn, job_id, EventKind.HOLD_INCONCLUSIVE)
    record(conn, job_id, EventKind.HOLD_REVISED, verdict="failed", because="late readings")
    record(conn, job_id, EventKind.HOLD_FAILED)
    work_off(conn)
    alert = only(conn)
    assert (alert.kind, alert.priority) == ("hold-failed", Priority.URGENT)
    assert what_became(conn, alert.id) == ["raised", "changed", "repeated"]


def test_later_pass_clears_the_fail_of_an_earlier_hold_and_not_of_a_later_one(
    conn: Connection, job_id: int
) -> None:
    record(conn, job_id, EventKind.HOLD_FAILED, "hold:early")
    conn.execute("UPDATE event SET happened_at = happened_at - interval '1 hour'")
    record(conn, job_id, EventKind.HOLD_PASSED, "hold:middle")
    later = record(conn, job_id, EventKind.HOLD_FAILED, "hold:late")
    conn.execute("UPDATE event SET happened_at = happened_at + interval '1 hour' WHERE id = %s", (later,))
    record(conn, job_id, EventKind.HOLD_PASSED, "hold:middle")
    work_off(conn)
    active = {alert.key.rsplit(":", 1)[-1]: alert.state.active for alert in all_alerts(conn)}
    assert active == {"early": False, "late": True}


def test_alerts_of_another_job_stay(conn: Connection, job_id: int) -> None:
    other = conn.execute(
        "INSERT INTO job (title, state, site_id, procedure_id, opened_at) "
        "SELECT 'Other', state, site_id, procedure_id, opened_at FROM job RETURNING id"
    ).fetchone()
    assert other is not None
    record(conn, other["id"], EventKind.HOLD_FAILED)
    record(conn, job_id, EventKind.JOB_CLOSED)
    work_off(conn)
    assert only(conn).state.active


def test_event_that_makes_no_sense_becomes_an_alert_and_stops_nothing(conn: Connection, job_id: int) -> None:
    record(conn, job_id, EventKind.HOLD_PASSED, "hold:a", probabilities={"leak": "much"})
    record(conn, job_id, EventKind.HOLD_FAILED, "hold:b")
    assert work_off(conn) == 2
    assert sorted(alert.kind for alert in all_alerts(conn)) == ["event-not-understood", "hold-failed"]


def test_listeners_hear_of_the_alert(conn: Connection, job_id: int) -> None:
    conn.execute("LISTEN alert")
    record(conn, job_id, EventKind.HOLD_FAILED)
    work_off(conn)
    heard = [int(notify.payload) for notify in conn.notifies(timeout=5, stop_after=1)]
    assert heard == [only(conn).id]


def test_desk_at_work_keeps_another_from_the_same_events(
    database: str, conn: Connection, job_id: int
) -> None:
    record(conn, job_id, EventKind.HOLD_FAILED)
    with connect(database, application="test") as first, first.transaction():
        assert work_off(first) == 1
        assert work_off(conn) is None
    assert work_off(conn) == 0


def test_two_desks_at_once_raise_each_alert_once(
    database: str, conn: Connection, job_id: int, running: Running
) -> None:
    holds = [f"hold:{number}" for number in range(40)]
    first = DeskConfig(database, instance="first")
    second = DeskConfig(database, instance="second")

    def write(part: list[str]) -> None:
        with connect(database, application="test", autocommit=True) as own:
            for hold in part:
                record(own, job_id, EventKind.HOLD_FAILED, hold)

    with running(first), running(second):
        writers = [threading.Thread(target=write, args=(part,)) for part in (holds[::2], holds[1::2])]
        for writer in writers:
            writer.start()
        for writer in writers:
            writer.join()
        wait_until(lambda: len(all_alerts(conn)) == len(holds), what="an alert of each hold")
    found = all_alerts(conn)
    assert len({alert.key for alert in found}) == len(holds)
    assert {alert.count for alert in found} == {1}
    assert all(what_became(conn, alert.id) == ["raised"] for alert in found)


def test_desk_outlasts_lost_connections(
    database: str, conn: Connection, job_id: int, running: Running
) -> None:
    with running(DeskConfig(database)):
        wait_until(lambda: "desk" in beats.ages(conn), what="a sign of life")
        conn.execute(
            "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = current_database() "
            "AND application_name LIKE 'holdfast-desk%'"
        )
        record(conn, job_id, EventKind.HOLD_FAILED)
        wait_until(lambda: all_alerts(conn), what="the alert")
    assert only(conn).count == 1


def test_sign_of_life_goes_with_a_clean_stop(database: str, conn: Connection, running: Running) -> None:
    with running(DeskConfig(database)):
        wait_until(lambda: "desk" in beats.ages(conn), what="a sign of life")
    assert beats.ages(conn) == {}

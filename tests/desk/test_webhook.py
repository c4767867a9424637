"""Webhooks: delivered at least once, retried, never in the way of the alerts."""

from __future__ import annotations

import json
import logging
import signal
import subprocess
import sys
import threading
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from desk.config import DeskConfig
from desk.worker import alerting, webhook
from desk.worker.alerting import Outlets
from desk.worker.service import check
from model.clock import HandClock
from model.errors import BadInput
from model.event import EventKind
from store.database import Connection
from tests.desk.conftest import Running
from tests.desk.facts import NIGHT_US, all_alerts, outbox, record
from tests.desk.receiver import Answer, Receiver
from tests.waiting import wait_until

NOW = datetime(2025, 6, 15, 15, 0, tzinfo=UTC)


def config(database: str, receiver: Receiver) -> DeskConfig:
    """Retries at once, so that no test waits."""
    return DeskConfig(
        database, webhook_url=receiver.url, webhook_timeout_s=3600, backoff_s=0.01, backoff_limit_s=0.05
    )


def test_delivered_as_a_structured_cloud_event(
    database: str, conn: Connection, job_id: int, receiver: Receiver, running: Running
) -> None:
    with running(config(database, receiver)):
        record(conn, job_id, EventKind.HOLD_FAILED)
        wait_until(lambda: [row for row in outbox(conn) if row["sent_at"]], what="the delivery")
    (request,) = receiver.received
    assert request.content_type.startswith("application/cloudevents+json")
    assert request.body["type"] == "holdfast.alert.raised.v1"
    assert request.body["data"]["job"]["title"] == "Rack B"


def test_failing_receiver_is_tried_again_with_the_same_id_until_it_takes_it(
    database: str, conn: Connection, job_id: int, receiver: Receiver, running: Running
) -> None:
    receiver.script = [Answer(500), Answer(404), Answer(302, {"Location": receiver.url}), Answer(503)]
    with running(config(database, receiver)):
        record(conn, job_id, EventKind.HOLD_FAILED)
        wait_until(lambda: [row for row in outbox(conn) if row["sent_at"]], what="the delivery")
    (row,) = outbox(conn)
    assert (row["attempts"], row["last_error"]) == (5, "")
    assert len(receiver.ids) == 5
    assert len(set(receiver.ids)) == 1


def test_retry_after_is_observed_for_everything_to_that_receiver(
    database: str, conn: Connection, job_id: int, receiver: Receiver, running: Running
) -> None:
    receiver.script = [Answer(429, {"Retry-After": "3000"})]
    with running(config(database, receiver)):
        record(conn, job_id, EventKind.HOLD_FAILED, "hold:a")
        wait_until(lambda: [row for row in outbox(conn) if row["last_error"]], what="the refusal")
        record(conn, job_id, EventKind.HOLD_FAILED, "hold:b")
        wait_until(lambda: len(outbox(conn)) == 2, what="the second notification")
        asked = conn.execute(
            "SELECT extract(epoch FROM max(due_at) - clock_timestamp())::float8 AS wait FROM notification"
        ).fetchone()
        assert asked is not None
        assert 2900 < asked["wait"] <= 3000
        # Ordered after the courier's next look, so the silence below is not mere haste.
        record(conn, job_id, EventKind.HOLD_FAILED, "hold:c")
        wait_until(lambda: len(outbox(conn)) == 3, what="the third notification")
    assert len(receiver.ids) == 1


def test_gone_gives_up_and_sends_nothing_more(
    database: str, conn: Connection, job_id: int, receiver: Receiver, running: Running
) -> None:
    receiver.script = [Answer(410)]
    with running(replace(config(database, receiver), webhook_parallel=1)):
        record(conn, job_id, EventKind.HOLD_FAILED, "hold:a")
        wait_until(lambda: [row for row in outbox(conn) if row["given_up_at"]], what="giving up")
        record(conn, job_id, EventKind.HOLD_FAILED, "hold:b")
        wait_until(lambda: len([row for row in outbox(conn) if row["given_up_at"]]) == 2, what="both")
    assert len(receiver.ids) == 1
    assert all(row["sent_at"] is None and "410 Gone" in row["last_error"] for row in outbox(conn))


def test_given_up_after_the_last_attempt(
    database: str, conn: Connection, job_id: int, receiver: Receiver, running: Running
) -> None:
    receiver.script = [Answer(500)] * 10
    with running(replace(config(database, receiver), attempts=3)):
        record(conn, job_id, EventKind.HOLD_FAILED)
        wait_until(lambda: [row for row in outbox(conn) if row["given_up_at"]], what="giving up")
    (row,) = outbox(conn)
    assert (row["attempts"], row["last_error"]) == (3, "answered 500 Internal Server Error")


def test_slow_receiver_times_out_and_is_tried_again(
    database: str, conn: Connection, job_id: int, receiver: Receiver, running: Running
) -> None:
    receiver.hanging.set()
    with running(replace(config(database, receiver), webhook_timeout_s=0.1)):
        record(conn, job_id, EventKind.HOLD_FAILED)
        wait_until(lambda: [row for row in outbox(conn) if row["last_error"]], what="the timeout")
        assert outbox(conn)[0]["last_error"] == "no answer within 0.1 s"
        receiver.let_go()
        wait_until(lambda: [row for row in outbox(conn) if row["sent_at"]], what="the delivery")
    assert len(set(receiver.ids)) == 1


def test_hanging_receiver_delays_neither_alerts_nor_the_end(
    database: str, conn: Connection, job_id: int, receiver: Receiver, running: Running
) -> None:
    receiver.hanging.set()
    with running(config(database, receiver)):
        record(conn, job_id, EventKind.HOLD_FAILED, "hold:a")
        wait_until(lambda: receiver.ids, what="the first delivery to hang")
        record(conn, job_id, EventKind.HOLD_FAILED, "hold:b")
        wait_until(lambda: len(all_alerts(conn)) == 2, what="the second alert")
    # The desk has stopped by itself (the fixture saw it), and so has its courier, timeout an hour, while the
    # receiver still hangs.
    wait_until(lambda: "courier" not in {thread.name for thread in threading.enumerate()}, what="its end")
    assert receiver.hanging.is_set()
    assert [(row["sent_at"], row["attempts"]) for row in outbox(conn)] == [(None, 0)] * 2


def test_what_was_committed_and_not_sent_goes_out_with_the_next_start(
    database: str, conn: Connection, job_id: int, receiver: Receiver, running: Running
) -> None:
    record(conn, job_id, EventKind.HOLD_FAILED)
    alerting.work_off(conn, HandClock(NIGHT_US), Outlets(("webhook",), "urn:test"))
    stored = conn.execute("SELECT body ->> 'id' AS id FROM notification").fetchone()
    assert stored is not None
    with running(config(database, receiver)):
        wait_until(lambda: receiver.ids, what="the delivery")
    assert receiver.ids == [stored["id"]]


KILLED = """
import sys, threading
from desk.config import DeskConfig
from desk.worker.service import run
from model.clock import SystemClock
config = DeskConfig(sys.argv[1], webhook_url=sys.argv[2], webhook_timeout_s=3600)
run(config, SystemClock(), threading.Event())
"""


def test_killed_while_sending_is_sent_again_with_the_same_id(
    database: str, conn: Connection, job_id: int, receiver: Receiver, running: Running
) -> None:
    receiver.hanging.set()
    desk = subprocess.Popen([sys.executable, "-c", KILLED, database, receiver.url])
    try:
        record(conn, job_id, EventKind.HOLD_FAILED)
        wait_until(lambda: receiver.ids, what="the delivery to begin")
    finally:
        desk.send_signal(signal.SIGKILL)
        desk.wait()
    receiver.hanging.clear()
    with running(config(database, receiver)):
        wait_until(lambda: [row for row in outbox(conn) if row["sent_at"]], what="the delivery")
    assert len(receiver.ids) == 2
    assert len(set(receiver.ids)) == 1
    assert len(all_alerts(conn)) == 1


def test_two_desks_send_each_notification_once(
    database: str, conn: Connection, job_id: int, receiver: Receiver, running: Running
) -> None:
    first = replace(config(database, receiver), instance="first")
    with running(first), running(replace(first, instance="second")):
        for number in range(25):
            record(conn, job_id, EventKind.HOLD_FAILED, f"hold:{number}")
        wait_until(lambda: len([row for row in outbox(conn) if row["sent_at"]]) == 25, what="all sent")
    assert len(receiver.ids) == len(set(receiver.ids)) == 25


def test_cleared_never_overtakes_raised(
    database: str, conn: Connection, job_id: int, receiver: Receiver, running: Running
) -> None:
    receiver.script = [Answer(500)] * 3
    record(conn, job_id, EventKind.HOLD_FAILED)
    record(conn, job_id, EventKind.HOLD_REVISED, verdict="passed", because="late readings")
    with running(config(database, receiver)):
        wait_until(lambda: len([row for row in outbox(conn) if row["sent_at"]]) == 2, what="both sent")
    types = [request.body["type"].split(".")[-2] for request in receiver.received]
    assert types == ["raised"] * 4 + ["cleared"]


def test_courier_outlasts_lost_connections(
    database: str, conn: Connection, job_id: int, receiver: Receiver, running: Running
) -> None:
    receiver.hanging.set()
    with running(config(database, receiver)):
        record(conn, job_id, EventKind.HOLD_FAILED)
        wait_until(lambda: receiver.ids, what="the first delivery to hang")
        receiver.hanging.clear()
        conn.execute(
            "SELECT pg_terminate_backend(pid) FROM pg_stat_activity "
            "WHERE datname = current_database() AND application_name = 'holdfast-courier'"
        )
        wait_until(lambda: [row for row in outbox(conn) if row["sent_at"]], what="the second try")
    assert len(set(receiver.ids)) == 1


def test_secret_of_the_address_enters_no_log_and_no_row(
    database: str,
    conn: Connection,
    job_id: int,
    receiver: Receiver,
    running: Running,
    caplog: pytest.LogCaptureFixture,
) -> None:
    caplog.set_level(logging.DEBUG)
    receiver.script = [Answer(500)]
    with running(config(database, receiver)):
        record(conn, job_id, EventKind.HOLD_FAILED)
        wait_until(lambda: [row for row in outbox(conn) if row["sent_at"]], what="the delivery")
    unreachable = replace(config(database, receiver), webhook_url="http://127.0.0.1:9/?token=very-secret")
    with running(unreachable):
        record(conn, job_id, EventKind.HOLD_FAILED, "hold:b")
        wait_until(lambda: [row for row in outbox(conn) if row["last_error"]], what="the failure")
    assert "very-secret" not in caplog.text
    assert "very-secret" not in json.dumps(outbox(conn), default=str)


def test_without_a_webhook_nothing_is_put_into_the_outbox(
    database: str, conn: Connection, job_id: int, running: Running
) -> None:
    with running(DeskConfig(database)):
        record(conn, job_id, EventKind.HOLD_FAILED)
        wait_until(lambda: all_alerts(conn), what="the alert")
    assert outbox(conn) == []


@pytest.mark.parametrize("url", ["ftp://somewhere/x", "somewhere", "http://", "file:///etc/passwd"])
def test_address_that_is_no_http_url_is_refused_in_one_sentence(url: str) -> None:
    with pytest.raises(BadInput, match="must begin with http"):
        check(DeskConfig("", webhook_url=url))


@pytest.mark.parametrize(
    ("value", "seconds"),
    [
        ("120", 120.0),
        (" 0 ", 0.0),
        ("Sun, 15 Jun 2025 15:02:00 GMT", 120.0),
        ("Sun, 15 Jun 2025 14:00:00 GMT", 0.0),
        ("99999999", webhook.LONGEST_RETRY_AFTER_S),
        ("soon", None),
        ("-5", None),
        ("²", None),
        (None, None),
    ],
)
def test_retry_after_is_seconds_or_a_date(value: str | None, seconds: float | None) -> None:
    # RFC 9110, section 10.2.3: HTTP-date or delay-seconds.
    assert webhook.parse_retry_after(value, NOW) == seconds


def test_wait_doubles_up_to_a_limit() -> None:
    waits = [webhook.backoff_s(attempts, 1.0, 300.0) for attempts in (1, 2, 3, 8, 9, 10, 10_000)]
    assert waits == [1.0, 2.0, 4.0, 128.0, 256.0, 300.0, 300.0]


def test_default_number_of_attempts_lasts_about_three_days() -> None:
    default = DeskConfig("")
    total = sum(
        webhook.backoff_s(attempts, default.backoff_s, default.backoff_limit_s)
        for attempts in range(1, default.attempts)
    )
    assert 2.9 * 86_400 < total < 3.1 * 86_400


@pytest.mark.parametrize("status", [200, 201, 202, 204])
def test_every_2xx_is_delivered(status: int) -> None:
    assert webhook.judge(status, None, NOW).delivered


@pytest.mark.parametrize("status", [301, 307, 400, 401, 408, 415, 429, 500, 503, 599])
def test_everything_else_but_gone_is_tried_again(status: int) -> None:
    outcome = webhook.judge(status, "7", NOW)
    assert (outcome.delivered, outcome.gone, outcome.retry_after_s) == (False, False, 7.0)
    assert str(status) in outcome.error

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
from desk.worker.outcome import backoff_s
from desk.worker.passing import Outlets
from desk.worker.service import check
from model.channel import Kind, Tells
from model.clock import HandClock
from model.errors import BadInput, Conflict
from model.event import EventKind
from store import channels
from store.audit import By
from store.channels import NewChannel
from store.database import Connection
from store.seal import Seal
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


def test_gone_stops_the_webhook_also_beyond_a_restart(
    database: str, conn: Connection, job_id: int, receiver: Receiver, running: Running
) -> None:
    receiver.script = [Answer(410)]
    with running(replace(config(database, receiver), webhook_parallel=1)):
        record(conn, job_id, EventKind.HOLD_FAILED, "hold:a")
        wait_until(lambda: [row for row in outbox(conn) if row["given_up_at"]], what="giving up")
        wait_until(lambda: channels.of(conn, None)[0].stopped_at, what="the stop")
    with running(config(database, receiver)):
        record(conn, job_id, EventKind.HOLD_FAILED, "hold:b")
        wait_until(lambda: len([row for row in outbox(conn) if row["given_up_at"]]) == 2, what="both")
    assert len(receiver.ids) == 1
    assert all(row["sent_at"] is None and "410 Gone" in row["last_error"] for row in outbox(conn))
    ((channel, person),) = channels.troubled(conn)
    assert (channel.of_settings, channel.stopped_because, person) == (True, "answered 410 Gone", None)


def stopped(database: str, conn: Connection, receiver: Receiver) -> int:
    """The webhook of the settings, stopped by its receiver."""
    number = channels.of_settings(conn, receiver.url, NOW)
    assert number is not None
    channels.stop(conn, number, "answered 410 Gone")
    return number


def test_a_stopped_webhook_goes_on_when_somebody_lets_it(
    database: str, conn: Connection, job_id: int, receiver: Receiver, running: Running
) -> None:
    number = stopped(database, conn, receiver)
    with running(config(database, receiver)):
        record(conn, job_id, EventKind.HOLD_FAILED, "hold:a")
        wait_until(lambda: [row for row in outbox(conn) if row["given_up_at"]], what="giving up")
        with conn.transaction():
            channels.go_on(conn, channels.own(conn, number, None), By(NOW))
        record(conn, job_id, EventKind.HOLD_FAILED, "hold:b")
        wait_until(lambda: [row for row in outbox(conn) if row["sent_at"]], what="the delivery")
    assert channels.troubled(conn) == []
    assert len(receiver.ids) == 1


def test_a_stopped_webhook_goes_on_when_its_address_is_changed(
    database: str, conn: Connection, job_id: int, receiver: Receiver, running: Running
) -> None:
    stopped(database, conn, receiver)
    changed = replace(config(database, receiver), webhook_url=f"{receiver.url}&again=1")
    with running(changed):
        record(conn, job_id, EventKind.HOLD_FAILED)
        wait_until(lambda: [row for row in outbox(conn) if row["sent_at"]], what="the delivery")
    assert receiver.received[0].path.endswith("&again=1")


def webhook_of_the_company(conn: Connection, seal: Seal, url: str) -> int:
    new = NewChannel(Kind.WEBHOOK, "Ledger", "http://127.0.0.1/…", (Tells.ALERTS,), sealed=seal.close(url))
    return channels.add(conn, None, new, By(NOW)).id


def test_what_is_gone_stops_that_webhook_only(
    database: str, conn: Connection, job_id: int, receiver: Receiver, running: Running
) -> None:
    seal, other = Seal("k" * 40), Receiver()
    other.start()
    number = webhook_of_the_company(conn, seal, other.url)
    receiver.script = [Answer(410)]
    try:
        with running(replace(config(database, receiver), seal=seal)):
            record(conn, job_id, EventKind.HOLD_FAILED, "hold:a")
            wait_until(lambda: channels.troubled(conn), what="the stop")
            record(conn, job_id, EventKind.HOLD_FAILED, "hold:b")
            wait_until(lambda: len(other.ids) == 2, what="the other webhook's second event")
    finally:
        other.stop()
    assert [channel.id for channel, _ in channels.troubled(conn)] != [number]
    assert len(receiver.ids) == 1


def test_a_webhook_that_hangs_holds_up_no_other(
    database: str, conn: Connection, job_id: int, receiver: Receiver, running: Running
) -> None:
    seal, other = Seal("k" * 40), Receiver()
    other.start()
    webhook_of_the_company(conn, seal, other.url)
    receiver.hanging.set()
    try:
        with running(replace(config(database, receiver), seal=seal)):
            for number in range(10):
                record(conn, job_id, EventKind.HOLD_FAILED, f"hold:{number}")
            wait_until(lambda: len(other.ids) == 10, what="all over the other")
    finally:
        other.stop()
    assert len(receiver.ids) == 4, "as many as a webhook takes at once"


def test_without_a_key_no_secret_address_is_kept() -> None:
    with pytest.raises(Conflict, match="HOLDFAST_SEAL_KEY"):
        Seal("").close("https://example.org/?token=x")


def test_under_another_key_an_address_cannot_be_read() -> None:
    sealed = Seal("a" * 40).close("https://example.org/?token=x")
    assert b"token" not in sealed
    assert Seal("a" * 40).open(sealed) == "https://example.org/?token=x"
    with pytest.raises(BadInput, match="the key is another one"):
        Seal("b" * 40).open(sealed)


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
    webhook_id = channels.of_settings(conn, receiver.url, NOW)
    assert webhook_id is not None
    alerting.work_off(conn, HandClock(NIGHT_US), Outlets((webhook_id,), "urn:test"))
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
    waits = [backoff_s(attempts, 1.0, 300.0) for attempts in (1, 2, 3, 8, 9, 10, 10_000)]
    assert waits == [1.0, 2.0, 4.0, 128.0, 256.0, 300.0, 300.0]


def test_default_number_of_attempts_lasts_about_three_days() -> None:
    default = DeskConfig("")
    total = sum(
        backoff_s(attempts, default.backoff_s, default.backoff_limit_s)
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

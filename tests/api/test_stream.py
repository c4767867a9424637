"""The event stream: nothing lost, nothing twice."""

from __future__ import annotations

import asyncio
import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import httpx
import pytest

from api.config import ApiConfig
from api.mailbox import Mailbox, Message
from model.clock import HandClock
from model.event import EventKind
from model.job import JobState
from ops.embedded.postgres import EmbeddedPostgres
from store import alerts, events
from store.database import Connection, connect
from store.events import NewEvent
from tests.api.scene import Made, Scene
from tests.api.serving import LOGIN, NOON_US, Serving, add_people, serving
from tests.waiting import wait_until


@dataclass(frozen=True, slots=True)
class Sent:
    """A server-sent event as a foreign client reads it."""

    event: str
    id: str | None
    data: Any


class Reader:
    """Reads a stream in a thread, line by line after the WHATWG's parsing rules for what we send."""

    def __init__(self, response: httpx.Response) -> None:
        self.sent: list[Sent] = []
        self.ended = threading.Event()
        self._response = response
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        fields: dict[str, str] = {}
        try:
            for line in self._response.iter_lines():
                if line:
                    name, _, value = line.partition(":")
                    fields[name] = value.removeprefix(" ")
                elif "data" in fields:
                    self.sent.append(
                        Sent(fields.get("event", "message"), fields.get("id"), json.loads(fields["data"]))
                    )
                    fields = {}
        except httpx.HTTPError:
            pass
        finally:
            self.ended.set()

    def of(self, kind: str) -> list[Any]:
        """What was sent of one kind."""
        return [sent.data for sent in list(self.sent) if sent.event == kind]

    def ids(self) -> list[int]:
        """Ids of the recorded events, in the order in which they came."""
        return [int(sent.id or 0) for sent in list(self.sent) if sent.event == "event"]


@contextmanager
def reading(client: httpx.Client, query: str = "", last: int | str | None = None) -> Iterator[Reader]:
    """Follow the stream."""
    headers = {} if last is None else {"Last-Event-ID": str(last)}
    with client.stream("GET", f"/api/v1/events{query}", headers=headers) as response:
        assert response.status_code == 200
        assert response.headers["content-type"].startswith("text/event-stream")
        reader = Reader(response)
        wait_until(lambda: reader.of("hello"), what="hello")
        yield reader


def record(conn: Connection, made: Made | None, text: str) -> int:
    """Record an event."""
    new = NewEvent(EventKind.JOB_OPENED, NOON_US, text, text, job_id=made.job.id if made else None)
    with conn.transaction():
        return events.record(conn, [new], NOON_US)[0]


def test_a_stream_begins_now_and_goes_on(client: httpx.Client, conn: Connection) -> None:
    old = record(conn, None, "before")
    wait_until(lambda: _cursor(client) == old, what="the listener")
    with reading(client) as reader:
        assert reader.sent[0].id == str(old)
        new = record(conn, None, "after")
        wait_until(lambda: reader.ids() == [new], what="the event")
        assert reader.of("event")[0]["text"] == "after"
        assert reader.of("event")[0]["kind"] == "job-opened"


def _cursor(client: httpx.Client) -> int:
    with reading(client) as reader:
        return int(reader.sent[0].id or 0)


@pytest.mark.parametrize("how", ["header", "parameter"])
def test_a_stream_resumes_after_the_last_id(client: httpx.Client, conn: Connection, how: str) -> None:
    ids = [record(conn, None, str(n)) for n in range(5)]
    seen = ids[1]
    with reading(client, *(("", seen) if how == "header" else (f"?after={seen}", None))) as reader:
        wait_until(lambda: len(reader.ids()) >= 3, what="the missed events")
        last = record(conn, None, "new")
        wait_until(lambda: last in reader.ids(), what="the new event")
        assert reader.ids() == [*ids[2:], last]


@pytest.mark.parametrize("last", ["nonsense", "-1", "99999999999999999999999", "999999"])
def test_an_id_that_we_never_sent_begins_now(client: httpx.Client, conn: Connection, last: str) -> None:
    record(conn, None, "before")
    with reading(client, "", last) as reader:
        new = record(conn, None, "after")
        wait_until(lambda: new in reader.ids(), what="the event")


def test_nothing_is_lost_or_doubled_while_connections_break_and_events_pour_in(
    api: Serving, client: httpx.Client
) -> None:
    """Two writers record events all the while; a reader disconnects again and again and resumes."""
    stop = threading.Event()
    written: list[int] = []

    def write() -> None:
        with api.database() as conn:
            while not stop.is_set():
                written.append(record(conn, None, "pouring"))

    writers = [threading.Thread(target=write) for _ in range(2)]
    for writer in writers:
        writer.start()
    seen: list[int] = []
    last = 0
    for _ in range(8):
        with reading(client, "", last) as reader:
            wait_until(lambda r=reader: len(r.ids()) > 40, what="events")  # type: ignore[misc]
            got = reader.ids()
        seen += got
        last = got[-1]
    stop.set()
    for writer in writers:
        writer.join()
    newest = max(written)
    with reading(client, "", last) as reader:
        wait_until(lambda: (reader.ids() or [last])[-1] == newest, what="the newest event")
        seen += reader.ids()
    assert seen == sorted(written)


def test_a_stream_of_one_job_has_its_events_only_and_all_alerts(
    client: httpx.Client, jobs: dict[str, Made], conn: Connection
) -> None:
    mine, other = jobs["pulling"], jobs["holding"]
    with reading(client, f"?job={mine.job.id}") as reader:
        record(conn, other, "elsewhere")
        new = record(conn, mine, "here")
        # What the scene itself recorded may still be under way to the pages.
        wait_until(lambda: new in reader.ids(), what="the event")
        wait_until(lambda: reader.of("rows") and reader.of("alert"), what="rows and alerts")
        assert reader.ids()[-1] == new
        assert {event["job_id"] for event in reader.of("event")} == {mine.job.id}
        assert {row["job"] for rows in reader.of("rows") for row in rows} == {mine.job.id}
        assert len(reader.of("alert")) == 2


def test_rows_and_alerts_of_now_come_first_also_to_the_second_reader(
    client: httpx.Client, jobs: dict[str, Made]
) -> None:
    with reading(client) as first, reading(client) as second:
        for reader in (first, second):
            wait_until(lambda r=reader: r.of("rows"), what="rows")  # type: ignore[misc]
            assert sorted(row["job"] for row in reader.of("rows")[0]) == sorted(
                m.job.id for m in jobs.values()
            )
            assert {alert["id"] for alert in reader.of("alert")} == {
                jobs["leak"].alert_id,
                jobs["wet"].alert_id,
            }


def test_a_changed_row_is_sent_and_an_unchanged_one_is_not(
    client: httpx.Client, jobs: dict[str, Made], scene: Scene
) -> None:
    made = jobs["pulling"]
    with reading(client) as reader:
        wait_until(lambda: reader.of("rows"), what="the first rows")
        scene.readings(made, [(NOON_US - 1, 42.0)])
        wait_until(lambda: len(reader.of("rows")) > 1, what="the changed row")
        assert [row["job"] for row in reader.of("rows")[1]] == [made.job.id]
        assert reader.of("rows")[1][0]["figure"]["pressure"]["value"] == 42.0


def test_opened_and_closed_jobs_are_told(client: httpx.Client, scene: Scene, conn: Connection) -> None:
    with reading(client) as reader:
        wait_until(lambda: reader.of("board") == [[]], what="the empty board")
        made = scene.job("Harbour", "Rack", NOON_US, state=JobState.RUNNING)
        wait_until(lambda: reader.of("board")[-1] == [made.job.id], what="the opened job")
        conn.execute("UPDATE job SET state = 'closed', closed_at = now()")
        wait_until(lambda: reader.of("board")[-1] == [], what="the closed job")


def test_an_alert_is_told_when_raised_acknowledged_and_over(
    client: httpx.Client, jobs: dict[str, Made], conn: Connection
) -> None:
    person = conn.execute("SELECT id FROM person WHERE login = %s", (LOGIN,)).fetchone()
    assert person is not None
    number = jobs["leak"].alert_id or 0

    def states(reader: Reader) -> list[str]:
        return [alert["state"] for alert in reader.of("alert") if alert["id"] == number]

    with reading(client) as reader:
        wait_until(lambda: states(reader) == ["active-unacknowledged"], what="the alert")
        with conn.transaction():
            alerts.acknowledge(conn, number, person["id"], "", NOON_US)
        wait_until(lambda: states(reader)[1:] == ["active-acknowledged"], what="the acknowledgement")
        conn.execute("UPDATE alert SET state = 'normal' WHERE id = %s", (number,))
        wait_until(lambda: states(reader)[2:] == ["normal"], what="the end")


def test_the_clock_comes_with_hello_and_ticks(client: httpx.Client) -> None:
    with reading(client) as reader:
        wait_until(lambda: reader.of("tick"), what="a tick")
        assert reader.of("tick")[0] == {"now": "2026-05-28T20:26:40+00:00", "speed": 0.0}


def test_open_streams_do_not_hold_up_the_end(database: str, monkeypatch: pytest.MonkeyPatch) -> None:
    # Streams end by our doing, long before the server's patience with answers in progress is over.
    monkeypatch.setattr("api.service.GRACE_S", 3600)
    add_people(database)
    with (
        serving(ApiConfig(database, port=0), HandClock(NOON_US)) as running,
        running.client() as client,
        reading(client) as reader,
    ):
        running.stop.set()
        running.thread.join(timeout=20)
        assert not running.thread.is_alive()
        assert reader.ended.wait(20)


def test_a_stream_outlives_the_database(own_postgres: EmbeddedPostgres) -> None:
    dsn = own_postgres.dsn
    add_people(dsn)
    with (
        serving(ApiConfig(dsn, port=0), HandClock(NOON_US)) as running,
        running.client() as client,
        reading(client) as reader,
    ):
        own_postgres.stop()
        wait_until(lambda: client.get("/api/v1/sites").status_code == 503, what="a plain word about it")
        ticks = len(reader.of("tick"))
        own_postgres.start()
        wait_until(lambda: len(reader.of("tick")) > ticks, what="the clock to go on")
        with connect(dsn, application="test", autocommit=True) as conn:
            new = record(conn, None, "after the fall")
        wait_until(lambda: reader.ids() == [new], what="the event")
        assert client.get("/api/v1/sites").status_code == 200


def test_a_page_that_does_not_read_is_given_up_and_no_memory_with_it() -> None:
    async def fill() -> tuple[bool, list[Message]]:
        mailbox = Mailbox(most=10)
        for number in range(10):
            mailbox.put(Message("event", "{}", number))
        assert not mailbox.closed
        mailbox.put(Message("event", "{}", 10))
        return mailbox.closed, await asyncio.wait_for(mailbox.take(), 1)

    assert asyncio.run(fill()) == (True, [])


def test_of_rows_that_wait_only_the_newest_is_sent() -> None:
    async def take() -> list[Message]:
        mailbox = Mailbox()
        mailbox.put_rows({1: '"old"', 2: '"two"'})
        mailbox.put_rows({1: '"new"'})
        mailbox.put_tick(Message("tick", "1"))
        mailbox.put_tick(Message("tick", "2"))
        return await asyncio.wait_for(mailbox.take(), 1)

    assert asyncio.run(take()) == [Message("rows", '["new","two"]'), Message("tick", "2")]


def test_a_logged_out_stream_ends(
    api: Serving, client: httpx.Client, conn: Connection, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("api.routes.stream.RECHECK_S", 0.0)
    with reading(client) as reader:
        conn.execute("DELETE FROM login_session")
        assert reader.ended.wait(20)

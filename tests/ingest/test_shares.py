"""Several ingest processes on one Mosquitto and one PostgreSQL, all of them real."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import psycopg
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from ingest.client import END, Session
from ingest.config import BrokerConfig, IngestConfig
from ingest.inbox import Inbox, Message
from ingest.service import run
from model.clock import SystemClock
from model.errors import BadInput, ThreadDied
from ops.rooms import Wiring
from tests.fix_broker import PASSWORDS, Broker, NatsBroker, debian_program
from tests.ingest.helpers import payload, register
from tests.waiting import wait_until

pytestmark = pytest.mark.mosquitto

LEASE_S = 2.0
CHILD = f"import store.slots as s; s.LEASE_S = {LEASE_S}; import ops.child as c; c.main()"


class Process:
    """An ingest process with a short lease."""

    def __init__(self, dsn: str, broker: Broker, log: Path, *, shared: bool = True) -> None:
        self.log = log
        with log.open("ab") as out:
            self.child = subprocess.Popen(
                [sys.executable, "-c", CHILD, "ingest"], stdin=subprocess.PIPE, stdout=out, stderr=out
            )
        assert self.child.stdin is not None
        order = Wiring(dsn, f"{broker.url('holdfast')}?version=5", shared=shared).text()
        self.child.stdin.write(order.encode() + b"\n")
        self.child.stdin.flush()

    def kill(self) -> None:
        self.child.kill()
        self.child.wait()

    def stop(self) -> None:
        self.child.terminate()
        self.child.wait(20)

    def said(self, words: str) -> bool:
        return words in self.log.read_text()


Start = Callable[..., Process]


@pytest.fixture
def start(database: str, mosquitto: Broker, tmp_path: Path) -> Iterator[Start]:
    """Starts a process; all end with the test."""
    register(database)
    with ExitStack() as farewell:

        def one(name: str, *, shared: bool = True) -> Process:
            process = Process(database, mosquitto, tmp_path / f"{name}.log", shared=shared)
            farewell.callback(process.kill)
            return process

        yield one


def query(dsn: str, text: str) -> list[tuple[Any, ...]]:
    with psycopg.connect(dsn, autocommit=True) as conn:
        return conn.execute(text.encode()).fetchall()


def slots(dsn: str) -> dict[str, str]:
    """State of each slot but the one of a process alone."""
    return dict(query(dsn, "SELECT session, state FROM ingest_slot WHERE kind <> 'alone'"))


def serving(dsn: str, count: int) -> bool:
    """Whether so many shares are served, and what goes to one only."""
    found = query(dsn, "SELECT kind, count(*) FROM ingest_slot WHERE state = 'serving' GROUP BY kind")
    return dict(found) == {"share": count, "word": 1} or dict(found) == {
        "share": count,
        "word": 1,
        "alone": 1,
    }


def taken(dsn: str) -> list[int]:
    """How many readings each process has stored."""
    found = query(dsn, "SELECT detail->'live'->'readings' FROM beat WHERE process = 'ingest' ORDER BY 1")
    return [int(row[0]) for row in found]


class Publisher:
    """Numbered packs of one reading, each with a value of its own, of one gauge; counts what it sends."""

    def __init__(self, broker: Broker) -> None:
        self.count = 0
        self._stop = threading.Event()
        self._client = paho.Client(CallbackAPIVersion.VERSION2, client_id="many")
        self._client.username_pw_set("gw1", PASSWORDS["gw1"])
        self._client.connect("127.0.0.1", broker.port)
        self._client.loop_start()

    def send(self, count: int) -> None:
        """So many, until the broker has them all."""
        begin_s = time.time() - 200
        for _ in range(count):
            self.count += 1
            record = {"n": "pressure", "u": "Pa", "v": self.count, "t": begin_s + self.count / 1000}
            info = self._client.publish("hf/1/gw1/g1/data", payload(record, seq=self.count), qos=1)
        info.wait_for_publish(20)

    @contextmanager
    def steadily(self) -> Iterator[None]:
        """A few hundred a second meanwhile."""

        def live() -> None:
            while not self._stop.wait(0.05):
                self.send(20)

        thread = threading.Thread(target=live)
        thread.start()
        try:
            yield
        finally:
            self._stop.set()
            thread.join()

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture
def publisher(mosquitto: Broker) -> Iterator[Publisher]:
    made = Publisher(mosquitto)
    yield made
    made.close()


def complete(dsn: str, count: int) -> bool:
    """Whether each pack is stored once, and the book of packs has it."""
    found = query(dsn, "SELECT count(*), count(DISTINCT value), max(value) FROM reading")
    book = query(dsn, "SELECT have::text FROM pack_ledger")
    return found == [(count, count, count)] and book == [(f"{{[1,{count + 1})}}",)]


def test_two_share_the_load_and_the_receipts_are_whole(
    start: Start, database: str, mosquitto: Broker, publisher: Publisher
) -> None:
    told: list[dict[str, Any]] = []
    ear = paho.Client(CallbackAPIVersion.VERSION2, client_id="ear")
    ear.username_pw_set("gw1", PASSWORDS["gw1"])
    ear.on_message = lambda _, __, message: told.append(json.loads(message.payload))
    ear.connect("127.0.0.1", mosquitto.port)
    ear.subscribe("hf/1/gw1/receipt", 1)
    ear.loop_start()
    start("a")
    start("b")
    wait_until(lambda: serving(database, 2), what="two slots")
    for _ in range(40):
        publisher.send(50)
    wait_until(lambda: complete(database, 2000), what="all readings")
    wait_until(lambda: sum(taken(database)) == 2000, what="what both say of themselves")
    assert min(taken(database)) > 500
    wait_until(lambda: any(receipt["upto"] == 2000 for receipt in told), what="a receipt for all")
    ear.disconnect()
    ear.loop_stop()
    # A receipt may overtake another, but none says what was not so: all runs are of packs that were sent.
    assert all(last <= 2000 for receipt in told for _, last in receipt["have"])
    assert not any(receipt["refused"] for receipt in told)


def test_nothing_is_lost_when_one_is_killed_under_load(
    start: Start, database: str, publisher: Publisher
) -> None:
    survivor = start("a")
    wait_until(lambda: slots(database).get("holdfast-ingest-1") == "serving", what="the first")
    victim = start("b")
    wait_until(lambda: serving(database, 2), what="two slots")
    with publisher.steadily():
        wait_until(lambda: publisher.count > 400, what="load")
        victim.kill()
        wait_until(lambda: slots(database)["holdfast-ingest-2"] == "gone", what="its slot to be emptied")
    assert survivor.said("empties the slot holdfast-ingest-2")
    wait_until(lambda: complete(database, publisher.count), what="all readings")
    assert slots(database)["holdfast-ingest-1"] == "serving"


def test_one_that_leaves_takes_in_what_waits_and_the_broker_forgets_it(
    start: Start, database: str, publisher: Publisher
) -> None:
    start("a")
    wait_until(lambda: slots(database).get("holdfast-ingest-1") == "serving", what="the first")
    leaver = start("b")
    wait_until(lambda: serving(database, 2), what="two slots")
    with publisher.steadily():
        wait_until(lambda: publisher.count > 200, what="load")
        leaver.stop()
        assert slots(database)["holdfast-ingest-2"] == "gone", "at once, not by the end of its lease"
    assert leaver.said("the slot holdfast-ingest-2 is ended")
    publisher.send(100)
    wait_until(lambda: complete(database, publisher.count), what="all readings")


def test_the_last_one_leaves_its_session_to_gather_what_comes_meanwhile(
    start: Start, database: str, publisher: Publisher
) -> None:
    both = [start("a"), start("b")]
    wait_until(lambda: serving(database, 2), what="two slots")
    for process in both:
        process.child.send_signal(signal.SIGTERM)
    for process in both:
        process.child.wait(20)
    publisher.send(100)
    assert query(database, "SELECT count(*) FROM reading") == [(0,)]
    start("c")
    wait_until(lambda: complete(database, 100), what="what came while nobody was there")


def test_who_was_stopped_past_its_lease_comes_back_with_another_slot(
    start: Start, database: str, publisher: Publisher
) -> None:
    start("a")
    wait_until(lambda: slots(database).get("holdfast-ingest-1") == "serving", what="the first")
    sleeper = start("b")
    wait_until(lambda: serving(database, 2), what="two slots")
    with publisher.steadily():
        sleeper.child.send_signal(signal.SIGSTOP)
        wait_until(lambda: slots(database)["holdfast-ingest-2"] == "gone", what="its slot to be emptied")
        sleeper.child.send_signal(signal.SIGCONT)
        wait_until(lambda: serving(database, 2), what="it to serve again")
    assert sleeper.said("the lease is over")
    wait_until(lambda: complete(database, publisher.count), what="all readings")


def test_presence_comes_to_one_also_what_was_retained_and_another_takes_that_over(
    start: Start, database: str, mosquitto: Broker, mosquitto_pub: Callable[..., object]
) -> None:
    def say(gateway: str, session: str) -> None:
        text = json.dumps({"online": True, "session": session, "at": time.time()})
        mosquitto_pub(mosquitto.url(gateway), f"hf/1/{gateway}/presence", text, "-r")

    heard = "SELECT session FROM gateway_presence ORDER BY session"
    say("gw1", "s1")
    first = start("a")
    wait_until(lambda: query(database, heard) == [("s1",)], what="the retained presence")
    wait_until(lambda: serving(database, 1), what="the first")
    start("b")
    wait_until(lambda: serving(database, 2), what="two slots")
    first.kill()
    say("gw2", "s2")
    wait_until(lambda: query(database, heard) == [("s1",), ("s2",)], what="presence, heard by the other")


def test_from_one_process_alone_to_several_and_back(
    start: Start, database: str, publisher: Publisher
) -> None:
    alone = start("alone", shared=False)
    wait_until(lambda: query(database, "SELECT 1 FROM beat WHERE (detail->>'broker')::bool"), what="it alone")
    alone.stop()
    publisher.send(1500)
    several = start("several")
    wait_until(lambda: complete(database, 1500), what="what waited for the one")
    gone = "SELECT state FROM ingest_slot WHERE session = 'holdfast-ingest'"
    wait_until(lambda: query(database, gone) == [("gone",)], what="its session to be ended")
    several.stop()
    publisher.send(1500)
    start("again", shared=False)
    wait_until(lambda: complete(database, 3000), what="what waited for the several")
    wait_until(lambda: set(slots(database).values()) == {"gone"}, what="their sessions to be ended")


def test_sessions_that_a_restarted_broker_has_brought_back_are_emptied(
    start: Start, database: str, mosquitto: Broker, publisher: Publisher
) -> None:
    start("a")
    wait_until(lambda: slots(database).get("holdfast-ingest-1") == "serving", what="the first")
    # What a broker brings back that was killed before it had saved the end of a session.
    for lane in ("live", "late"):
        ghost = paho.Client(
            CallbackAPIVersion.VERSION2, client_id=f"holdfast-ingest-2-{lane}", clean_session=False
        )
        ghost.username_pw_set("holdfast", PASSWORDS["holdfast"])
        granted = threading.Event()
        ghost.on_subscribe = lambda *_, granted=granted: granted.set()
        ghost.connect("127.0.0.1", mosquitto.port)
        ghost.loop_start()
        ghost.subscribe("$share/holdfast-ingest/hf/1/+/+/data", 1)
        assert granted.wait(10)
        ghost.disconnect()
        ghost.loop_stop()
    query(database, "INSERT INTO ingest_slot VALUES ('holdfast-ingest-2','share','gone','','-infinity') "
          "RETURNING 1")  # fmt: skip
    publisher.send(60)
    assert not complete(database, 60)
    publisher.close()
    mosquitto.stop()
    mosquitto.start()
    wait_until(lambda: complete(database, 60), what="what the ghost had")


def test_a_session_is_ended_only_behind_the_last_message_that_waits(
    mosquitto: Broker, publisher: Publisher, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("ingest.client.RECEIVE_MAXIMUM", 200)
    share, end = "$share/g/hf/1/+/+/data", END.format("ear")
    before = paho.Client(CallbackAPIVersion.VERSION2, client_id="ear", clean_session=False)
    before.username_pw_set("holdfast", PASSWORDS["holdfast"])
    granted = threading.Event()
    before.on_subscribe = lambda *_: granted.set()
    before.connect("127.0.0.1", mosquitto.port)
    before.loop_start()
    before.subscribe([(share, 1), (end, 1)])
    assert granted.wait(10)
    before.disconnect()
    before.loop_stop()
    # One that wanted to leave before, and was taken over.
    subprocess.run(
        [debian_program("mosquitto_pub"), "-L", f"{mosquitto.url('holdfast')}/{end}", "-q", "1", "-m", "old"],
        check=True,
        timeout=20,
    )
    publisher.send(1000)
    inbox = Inbox(10**8)
    config = BrokerConfig.from_url(f"{mosquitto.url('holdfast')}?version=5")
    leaving = Session(config, "ear", (share,), inbox, SystemClock())
    leaving.leave()
    leaving.start()
    came, held = 0, list[Message]()
    # All that comes without an acknowledgement, then all of these: so nothing is left while more waits.
    while leaving.is_alive():
        if inbox.wait(0.0, 1, patience_s=0.1):
            held += inbox.take(10_000, 10**8)
        else:
            leaving.acknowledge(held)
            came += len(held)
            held.clear()
    assert leaving.left
    assert came == 1000


def test_a_broker_without_mqtt_5_is_refused_with_one_sentence(database: str, broker: NatsBroker) -> None:
    def outcome(version: str) -> BaseException:
        settings = IngestConfig(
            database, BrokerConfig.from_url(broker.url("holdfast") + version), shared=True
        )
        with pytest.raises((BadInput, ThreadDied)) as raised:
            run(settings, SystemClock(), threading.Event())
        return raised.value

    assert "?version=5" in str(outcome(""))
    assert "speaks MQTT 3.1.1 only" in str(outcome("?version=5"))


def test_a_gateways_limits_are_parted_among_those_who_share_the_load(database: str, start: Start) -> None:
    def among() -> list[int]:
        found = query(
            database,
            "SELECT detail->'live'->'limits_among' FROM beat WHERE process = 'ingest' "
            "AND at > clock_timestamp() - interval '5 s'",
        )
        return [int(row[0]) for row in found]

    start("first")
    wait_until(lambda: among() == [1], what="one alone")
    second = start("second")
    wait_until(lambda: among() == [2, 2], what="both to know of two")
    second.kill()
    wait_until(lambda: among() == [1], what="the other to know that it is alone")

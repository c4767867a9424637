"""The whole ingest process on a real PostgreSQL and real brokers, with clients that are not ours."""

from __future__ import annotations

import json
import signal
import subprocess
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import cbor2
import msgspec
import paho.mqtt.client as paho
import psycopg
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from ingest.client import Session
from ingest.config import BrokerConfig, IngestConfig
from ingest.inbox import Inbox
from ingest.receipts import Receipt
from ingest.service import run
from ingest.topics import LIVE_FILTERS
from model.clock import SystemClock
from model.equipment import Role
from model.errors import ThreadDied
from ops.embedded.postgres import EmbeddedPostgres
from store import equipment
from store.database import connect
from store.packs import Ledger
from tests.fix_broker import PASSWORDS, Broker, NatsBroker, debian_program
from tests.ingest.helpers import payload, register
from tests.waiting import wait_until

Publish = Callable[..., subprocess.CompletedProcess[str]]


def pressure(value: float, ago_s: float = 0.0) -> dict[str, object]:
    return {"n": "pressure", "u": "Pa", "v": value, "t": time.time() - ago_s}


def config(dsn: str, broker: Broker, user: str = "holdfast", **more: Any) -> IngestConfig:
    url = broker.url(user) + ("?version=5" if broker.kind == "mosquitto" else "")
    return IngestConfig(dsn, BrokerConfig.from_url(url), **more)


@pytest.fixture(autouse=True)
def quick_redelivery(monkeypatch: pytest.MonkeyPatch) -> None:
    """The embedded broker sends again after two seconds: tests wait less, and repetitions are many."""
    monkeypatch.setattr("ops.embedded.broker.ACK_WAIT_S", 2)


class Ingest:
    """The process, as a thread."""

    def __init__(self, settings: IngestConfig) -> None:
        self.stop_asked = threading.Event()
        self.failure: BaseException | None = None
        self.thread = threading.Thread(target=self._run, args=(settings,))

    def _run(self, settings: IngestConfig) -> None:
        try:
            run(settings, SystemClock(), self.stop_asked)
        except BaseException as error:
            self.failure = error

    def stop(self) -> None:
        self.stop_asked.set()
        self.thread.join(20)
        assert not self.thread.is_alive()


@contextmanager
def ingest(settings: IngestConfig, *, wait: bool = True) -> Iterator[Ingest]:
    process = Ingest(settings)
    process.thread.start()
    try:
        if wait:
            wait_until(lambda: beat(settings.dsn).get("broker"), what="the ingest to be connected")
        yield process
    finally:
        process.stop()


def query(dsn: str, text: str) -> list[tuple[Any, ...]]:
    with psycopg.connect(dsn, autocommit=True) as conn:
        return conn.execute(text.encode()).fetchall()


def beat(dsn: str) -> dict[str, Any]:
    found = query(dsn, "SELECT detail FROM beat WHERE process = 'ingest'")
    return dict(found[0][0]) if found else {}


def values(dsn: str) -> list[float]:
    return [row[0] for row in query(dsn, "SELECT value FROM reading ORDER BY value")]


def ear(broker: Broker, *options: str) -> list[str]:
    """Command of a ``mosquitto_sub`` with a persistent session, on the receipts of gw1."""
    where = f"{broker.url('gw1')}/hf/1/gw1/receipt"
    return [debian_program("mosquitto_sub"), "-L", where, "-i", "gw1-ear", "-c", "-q", "1", *options]


def receipts_until(broker: Broker, enough: Callable[[dict[str, Any]], bool]) -> list[dict[str, Any]]:
    """Receipts that waited for the ear, until one is enough."""
    told: list[dict[str, Any]] = []
    with subprocess.Popen(ear(broker, "-W", "20"), stdout=subprocess.PIPE) as listener:
        assert listener.stdout is not None
        for line in listener.stdout:
            told.append(json.loads(line))
            if enough(told[-1]):
                break
        listener.terminate()
    return told


def test_pack_of_a_foreign_client_is_stored_and_receipted(
    any_broker: Broker, database: str, mosquitto_pub: Publish
) -> None:
    register(database)
    # -E: subscribe, so that what comes later waits for us, and go
    subprocess.run(ear(any_broker, "-E"), check=True, timeout=20)
    with ingest(config(database, any_broker)):
        for seq, topic in enumerate(("data", "late", "data"), 1):
            sent = mosquitto_pub(
                any_broker.url("gw1"), f"hf/1/gw1/g1/{topic}", payload(pressure(seq, 100 - seq), seq=seq)
            )
            assert sent.returncode == 0, sent.stderr
        wait_until(lambda: values(database) == [1.0, 2.0, 3.0], what="three readings")
        told = receipts_until(any_broker, lambda receipt: bool(receipt["upto"] == 3))
    assert told[-1]["upto"] == 3
    assert {receipt["instrument"] for receipt in told} == {"g1"}


def test_cbor_by_content_type_on_mqtt_5(database: str, any_broker: Broker, mosquitto_pub: Publish) -> None:
    register(database)
    pack = cbor2.dumps([{0: "pressure", 1: "Pa", 2: 6.5, 6: time.time()}])
    options = (
        ("-V", "5", "-D", "publish", "content-type", "application/senml+cbor")
        if any_broker.kind == "mosquitto"
        else ()
    )
    with ingest(config(database, any_broker)):
        mosquitto_pub(any_broker.url("gw1"), "hf/1/gw1/g1/data", pack, *options)
        wait_until(lambda: values(database) == [6.5], what="the reading")
        if options:
            # What calls itself JSON is read as JSON.
            mosquitto_pub(
                any_broker.url("gw1"), "hf/1/gw1/g1/data", pack, *options[:-1], "application/senml+json"
            )
            wait_until(
                lambda: query(database, "SELECT reason FROM quarantine") == [("not-senml",)], what="a refusal"
            )


def test_the_clock_of_a_gateway_is_reckoned_from_what_its_packs_say(
    any_broker: Broker, database: str, mosquitto_pub: Publish
) -> None:
    register(database)
    ahead = "SELECT g.name, c.ahead_s FROM gateway_clock_ahead c JOIN gateway g ON g.id = c.gateway_id"
    pack = json.dumps([pressure(1.0), {"n": "sent", "v": time.time() + 120}])
    with ingest(config(database, any_broker)):
        mosquitto_pub(any_broker.url("gw1"), "hf/1/gw1/g1/data", pack)
        wait_until(lambda: query(database, ahead) != [], what="the clock")
    [(name, ahead_s)] = query(database, ahead)
    assert name == "gw1"
    assert 60 < ahead_s <= 120  # as old as the pack was when it came


def test_presence_and_the_broker_s_word_when_a_gateway_dies(
    any_broker: Broker, database: str, mosquitto_pub: Publish
) -> None:
    register(database)
    state = "SELECT online, session FROM gateway_presence"
    topic = "hf/1/gw1/presence"
    with ingest(config(database, any_broker)):
        will = ("--will-topic", topic, "--will-payload", '{"online":false,"session":"s2"}', "--will-qos", "1")
        gateway = subprocess.Popen(ear(any_broker, *will, "--will-retain"))
        try:
            now = time.time()
            mosquitto_pub(
                any_broker.url("gw1"), topic, json.dumps({"online": True, "session": "s1", "at": now}), "-r"
            )
            mosquitto_pub(
                any_broker.url("gw1"),
                topic,
                json.dumps({"online": True, "session": "s2", "at": now + 1}),
                "-r",
            )
            wait_until(lambda: query(database, state) == [(True, "s2")], what="the second session")
            mosquitto_pub(any_broker.url("gw1"), topic, '{"online":false,"session":"s1"}')
            mosquitto_pub(any_broker.url("gw1"), "hf/1/gw1/g1/data", payload(pressure(1)))
            wait_until(lambda: values(database) == [1.0], what="what came after the old will")
            assert query(database, state) == [(True, "s2")]
        finally:
            gateway.send_signal(signal.SIGKILL)
            gateway.wait()
        wait_until(lambda: query(database, state) == [(False, "s2")], what="the will")


def test_a_presence_that_the_broker_left_out_when_we_subscribed_is_asked_for_again(
    any_broker: Broker, database: str, mosquitto_pub: Publish
) -> None:
    register(database)
    online = json.dumps({"online": True, "session": "s1", "at": time.time()})
    mosquitto_pub(any_broker.url("gw1"), "hf/1/gw1/presence", online, "-r")
    left_out = "DELETE FROM gateway_presence RETURNING session"
    with ingest(config(database, any_broker)):
        wait_until(lambda: query(database, left_out) == [("s1",)], what="the retained message")
        wait_until(lambda: query(database, left_out) == [("s1",)], what="the retained message, once more")


def test_refused_packs_reach_the_quarantine_and_hold_nothing_up(
    any_broker: Broker, database: str, mosquitto_pub: Publish
) -> None:
    register(database)
    big = b'[{"n":"x","vs":"' + b"x" * 100_000 + b'"}]'
    with ingest(config(database, any_broker)):
        for topic, raw in (
            ("g1/data", big),
            ("g1/data", b"\xff\x00nonsense"),
            ("g9/late", payload(pressure(1))),
        ):
            mosquitto_pub(any_broker.url("gw1"), f"hf/1/gw1/{topic}", raw)
        mosquitto_pub(any_broker.url("gw1"), "hf/1/gw1/g1/data", payload(pressure(2)))
        wait_until(lambda: values(database) == [2.0], what="the good pack")
        found = "SELECT reason, octet_length(raw) FROM quarantine ORDER BY reason"
        wait_until(lambda: len(query(database, found)) == 3, what="three refusals")
    assert [row[0] for row in query(database, found)] == ["not-senml", "too-large", "unknown-instrument"]
    assert query(database, found)[1][1] == 65_537


def test_a_gateway_that_floods_is_named_and_holds_up_nobody(broker: NatsBroker, database: str) -> None:
    register(database)
    vain = json.dumps([{"n": "pressure", "u": "furlong", "v": n} for n in range(1200)]).encode()
    with ingest(config(database, broker)):
        publish_many(broker, "hf/1/gw1/g1/data", [vain + b" " * n for n in range(40)])
        publish_many(broker, "hf/1/gw2/g1/data", [payload(pressure(5), seq=1)])
        wait_until(lambda: values(database) == [5], what="the reading of the other gateway")
        wait_until(lambda: "gw1" in beat(database)["live"]["over_limit"], what="the flooding one to be named")
    found = dict(query(database, "SELECT reason, count(*) FROM quarantine GROUP BY 1"))
    assert found.keys() == {"unit", "over-limit"}
    assert found["unit"] + found["over-limit"] == 40


def test_packs_sent_while_nobody_was_there_wait_at_the_broker(
    any_broker: Broker, database: str, mosquitto_pub: Publish
) -> None:
    register(database)
    settings = config(database, any_broker)
    with ingest(settings):
        pass
    for n in range(5):
        mosquitto_pub(
            any_broker.url("gw1"), f"hf/1/gw1/g1/{'late' if n % 2 else 'data'}", payload(pressure(n, 90 - n))
        )
    with ingest(settings):
        wait_until(lambda: values(database) == [0.0, 1.0, 2.0, 3.0, 4.0], what="five readings")


def publish_many(broker: Broker, topic: str, packs: Sequence[bytes]) -> None:
    """Publish with QoS 1 and wait for every PUBACK."""
    client = paho.Client(CallbackAPIVersion.VERSION2, client_id="many")
    user = topic.split("/")[2]
    client.username_pw_set(user, PASSWORDS[user])
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    infos = [client.publish(topic, pack, qos=1) for pack in packs]
    for info in infos:
        info.wait_for_publish(20)
    client.disconnect()
    client.loop_stop()


END = "hf/1/end/end/data"


def unacknowledged(broker: Broker, client_id: str) -> list[str]:
    """What the broker still has for a session: the topics that come before a message of our own.

    Mosquitto sends it at the connection. nats-server sends it when its wait is over, so there our own
    message is left unacknowledged too, and everything has come when that one comes again.
    """
    mosquitto = broker.kind == "mosquitto"
    got: list[str] = []
    client = paho.Client(
        CallbackAPIVersion.VERSION2,
        client_id=client_id,
        clean_session=None if mosquitto else False,
        protocol=paho.MQTTv5 if mosquitto else paho.MQTTv311,
        manual_ack=True,
    )
    client.username_pw_set("holdfast", PASSWORDS["holdfast"])
    client.on_message = lambda _, __, message: got.append(message.topic)
    if mosquitto:
        client.connect("127.0.0.1", broker.port, clean_start=False)
    else:
        client.connect("127.0.0.1", broker.port)
    client.loop_start()
    wait_until(client.is_connected, what="the other client")
    client.publish(END, b"end", qos=1)
    wait_until(lambda: got.count(END) == (1 if mosquitto else 2), what="the end")
    client.disconnect()
    client.loop_stop()
    return sorted({topic for topic in got if topic != END})


def test_everything_stored_is_acknowledged(any_broker: Broker, database: str) -> None:
    register(database)
    # Not more: mosquitto, saving each change to disk, must read the acknowledgements before we leave it.
    packs = [payload(pressure(n, 100 + n), seq=n) for n in range(60)]
    with ingest(config(database, any_broker)):
        publish_many(any_broker, "hf/1/gw1/g1/data", packs)
        wait_until(lambda: len(values(database)) == 60, what="sixty readings")
    assert query(database, "SELECT have::text FROM pack_ledger") == [("{[0,60)}",)]
    assert unacknowledged(any_broker, "holdfast-ingest-live") == []


def test_crash_between_commit_and_acknowledgement_loses_and_doubles_nothing(
    any_broker: Broker, database: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    register(database)
    settings = config(database, any_broker)

    def crash(*_: object) -> None:
        raise SystemError("the process dies here")

    with monkeypatch.context() as patched, ingest(settings) as process:
        patched.setattr(Session, "acknowledge", crash)
        publish_many(any_broker, "hf/1/gw1/g1/data", [payload(pressure(5, 1), seq=1)])
        wait_until(lambda: not process.thread.is_alive(), what="the process to end")
    assert isinstance(process.failure, ThreadDied)
    assert "writer-live" in str(process.failure)
    assert values(database) == [5.0]
    with ingest(settings):
        publish_many(any_broker, "hf/1/gw1/g1/data", [payload(pressure(6, 0), seq=2)])
        wait_until(lambda: values(database) == [5.0, 6.0], what="the second reading")
        wait_until(lambda: beat(database)["live"]["messages"] >= 2, what="the repetition")
    assert unacknowledged(any_broker, "holdfast-ingest-live") == []


def test_stop_in_the_middle_of_a_transaction_leaves_the_batch_with_the_broker(
    any_broker: Broker, database: str
) -> None:
    register(database)
    settings = config(database, any_broker)
    with psycopg.connect(database) as blocker:
        with ingest(settings):
            blocker.execute("LOCK TABLE pack_ledger IN ACCESS EXCLUSIVE MODE")
            publish_many(any_broker, "hf/1/gw1/g1/data", [payload(pressure(5, 1), seq=1)])
            waiting = (
                "SELECT 1 FROM pg_stat_activity WHERE wait_event_type = 'Lock' AND query LIKE '%pack_ledger%'"
            )
            wait_until(lambda: query(database, waiting), what="the writer to wait for the lock")
        # The process has stopped, and so does its transaction: no thread of it may still commit.
        query(database, waiting.replace("SELECT 1", "SELECT pg_terminate_backend(pid)"))
        assert values(database) == []
    with ingest(settings):
        wait_until(lambda: values(database) == [5.0], timeout_s=40, what="the reading")


def test_acknowledgement_of_an_earlier_connection_is_not_sent_on_this_one(
    any_broker: Broker, database: str
) -> None:
    """There, the same id stands for another message."""
    inbox = Inbox(10**6)
    session = Session(config(database, any_broker).broker, "ear", LIVE_FILTERS, inbox, SystemClock())
    session.start()
    wait_until(lambda: session.subscribed, what="the session")
    publish_many(any_broker, "hf/1/gw1/g1/data", [b"one", b"two"])
    wait_until(lambda: len(inbox) == 2, what="two messages")
    one, two = inbox.take(10, 10**6)
    session.acknowledge([msgspec.structs.replace(one, connection=one.connection - 1), two])
    session.stop()
    session.join(20)
    assert session.failure is None
    assert unacknowledged(any_broker, "ear") == ["hf/1/gw1/g1/data"]


def test_receipts_of_thousands_of_instruments_are_out_within_seconds(
    any_broker: Broker, database: str
) -> None:
    session = Session(config(database, any_broker).broker, "many", LIVE_FILTERS, Inbox(10**6), SystemClock())
    session.start()
    wait_until(lambda: session.subscribed, what="the session")
    many = 4000
    subprocess.run(ear(any_broker, "-E"), check=True)
    with subprocess.Popen(ear(any_broker, "-C", "1"), stdout=subprocess.PIPE) as listener:
        begin_s = time.monotonic()
        ledger = Ledger(1, "b1", ((1, 9),), ())
        session.publish(
            [Receipt("gw1" if n == many else "gw2", f"g{n}", ledger, {9}) for n in range(1, many + 1)]
        )
        told, _ = listener.communicate(timeout=30)
        took_s = time.monotonic() - begin_s
    session.stop()
    session.join(20)
    assert json.loads(told)["instrument"] == f"g{many}"
    # A hundred five times a second would have taken eight.
    assert took_s < 6.0


def test_late_readings_that_are_held_up_do_not_delay_fresh_ones(broker: NatsBroker, database: str) -> None:
    register(database)
    with ingest(config(database, broker)), psycopg.connect(database) as blocker:
        publish_many(broker, "hf/1/gw1/g1/late", [payload(pressure(1, 90), seq=1)])
        wait_until(lambda: values(database) == [1.0], what="the first late reading")
        blocker.execute("SELECT 1 FROM pack_ledger FOR UPDATE")
        publish_many(broker, "hf/1/gw1/g1/late", [payload(pressure(2, 80), seq=2)])
        publish_many(broker, "hf/1/gw1/g2/data", [payload(pressure(3), seq=1)])
        wait_until(lambda: values(database) == [1.0, 3.0], what="the fresh reading")
        blocker.rollback()
        wait_until(lambda: values(database) == [1.0, 2.0, 3.0], what="the second late reading")


def test_database_away_and_back(any_broker: Broker, own_postgres: EmbeddedPostgres) -> None:
    dsn = own_postgres.dsn
    register(dsn)
    with ingest(config(dsn, any_broker)) as process:
        own_postgres.stop()
        publish_many(any_broker, "hf/1/gw1/g1/data", [payload(pressure(n, 50 - n), seq=n) for n in range(50)])
        publish_many(
            any_broker, "hf/1/gw1/g1/late", [payload(pressure(n, 200 - n), seq=n) for n in range(50, 100)]
        )
        own_postgres.start()
        wait_until(lambda: len(values(dsn)) == 100, what="a hundred readings")
        assert process.thread.is_alive()
        wait_until(lambda: beat(dsn).get("live", {}).get("messages") == 50, what="a beat after it")
    assert query(dsn, "SELECT have::text FROM pack_ledger") == [("{[0,100)}",)]


def test_database_absent_at_the_start(broker: NatsBroker, own_postgres: EmbeddedPostgres) -> None:
    register(own_postgres.dsn)
    own_postgres.stop()
    with ingest(config(own_postgres.dsn, broker), wait=False) as process:
        own_postgres.start()
        wait_until(lambda: beat(own_postgres.dsn).get("broker"), what="the ingest to be connected")
        assert process.failure is None


def test_broker_killed_and_back(any_broker: Broker, database: str) -> None:
    register(database)
    with ingest(config(database, any_broker)) as process:
        publish_many(any_broker, "hf/1/gw1/g1/data", [payload(pressure(1, 3), seq=1)])
        wait_until(lambda: values(database) == [1.0], what="the first reading")
        any_broker.kill()
        wait_until(lambda: beat(database).get("broker") is False, what="the beat to say so")
        any_broker.start()
        publish_many(any_broker, "hf/1/gw1/g1/data", [payload(pressure(2, 2), seq=2)])
        wait_until(lambda: values(database) == [1.0, 2.0], what="the second reading")
        assert process.thread.is_alive()


def test_database_and_broker_away_at_once_lose_nothing_that_the_broker_had(
    broker: NatsBroker, own_postgres: EmbeddedPostgres
) -> None:
    """Messages held on the old connection come again on the new one; ids of the old mean nothing there."""
    dsn = own_postgres.dsn
    register(dsn)
    with ingest(config(dsn, broker)):
        own_postgres.stop()
        publish_many(broker, "hf/1/gw1/g1/data", [payload(pressure(n, 90 - n), seq=n) for n in range(40)])
        broker.kill()
        broker.start()
        publish_many(broker, "hf/1/gw1/g1/data", [payload(pressure(n, 90 - n), seq=n) for n in range(40, 80)])
        own_postgres.start()
        wait_until(lambda: len(values(dsn)) == 80, timeout_s=60, what="eighty readings")
    assert query(dsn, "SELECT have::text FROM pack_ledger") == [("{[0,80)}",)]


def test_message_that_the_database_refuses_is_found_and_the_others_are_stored(
    broker: NatsBroker, database: str
) -> None:
    register(database)
    query_none(database, "ALTER TABLE reading ADD CONSTRAINT unlucky CHECK (value NOT IN (13, 31))")
    packs = [payload(pressure(n, 100 - n), seq=n) for n in range(40)]
    # Long enough an age that most of them share a transaction.
    with ingest(config(database, broker, live_age_s=0.3)):
        publish_many(broker, "hf/1/gw1/g1/data", packs)
        wait_until(lambda: len(values(database)) == 38, what="38 readings")
        found = "SELECT reason, raw FROM quarantine ORDER BY raw"
        wait_until(lambda: len(query(database, found)) == 2, what="two refusals")
    assert sorted(query(database, found)) == sorted(("database", packs[n]) for n in (13, 31))
    assert unacknowledged(broker, "holdfast-ingest-live") == []


def query_none(dsn: str, statement: str) -> None:
    with psycopg.connect(dsn, autocommit=True) as conn:
        conn.execute(statement.encode())


def test_instrument_registered_while_it_runs_is_known_at_once(broker: NatsBroker, database: str) -> None:
    register(database)
    with ingest(config(database, broker)):
        with connect(database, application="test") as conn:
            equipment.add_instrument(conn, equipment.gateway_named(conn, "gw1").id, "g9", Role.GAUGE)
        publish_many(broker, "hf/1/gw1/g9/data", [payload(pressure(4), seq=1)])
        wait_until(lambda: values(database) == [4.0], what="its reading")


def test_refused_subscription_ends_the_process_with_a_clear_message(
    broker: NatsBroker, database: str
) -> None:
    with ingest(config(database, broker, user="gw1"), wait=False) as process:
        wait_until(lambda: not process.thread.is_alive(), what="the process to end")
    assert isinstance(process.failure, ThreadDied)
    assert "refuses the subscription to hf/1/+/+/" in str(process.failure)


def test_wrong_password_is_said_and_tried_again(broker: NatsBroker, database: str) -> None:
    settings = IngestConfig(database, BrokerConfig("127.0.0.1", broker.port, "holdfast", "wrong"))
    with ingest(settings, wait=False) as process:
        said = wait_until(lambda: beat(database).get("live", {}).get("trouble"), what="a beat")
        assert process.thread.is_alive()
        wait_until(
            lambda: "refuses the connection" in beat(database)["live"]["trouble"],
            what=f"the reason, not {said}",
        )


def test_small_inbox_loses_nothing(any_broker: Broker, own_postgres: EmbeddedPostgres) -> None:
    """What finds no room is not acknowledged, and the broker sends it again."""
    dsn = own_postgres.dsn
    register(dsn)
    with ingest(config(dsn, any_broker, held_bytes=15_000)):
        own_postgres.stop()
        publish_many(any_broker, "hf/1/gw1/g1/data", [payload(pressure(n, 90 - n), seq=n) for n in range(60)])
        own_postgres.start()
        wait_until(lambda: len(values(dsn)) == 60, timeout_s=60, what="sixty readings")


def test_clean_stop_takes_less_than_two_seconds_and_takes_the_beat_back(
    broker: NatsBroker, database: str
) -> None:
    register(database)
    with ingest(config(database, broker)) as process:
        process.stop_asked.set()
        # Far above the two seconds that are promised: a hanging thread shall fail it, a busy machine not.
        process.thread.join(10)
        assert not process.thread.is_alive()
    assert query(database, "SELECT 1 FROM beat") == []
    assert process.failure is None

"""Orders on their way: real PostgreSQL, real brokers, the simulator's gateway, processes that are killed."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from ingest.config import BrokerConfig, IngestConfig
from ingest.courier import Courier, payload
from ingest.service import run
from model.clock import US, HandClock, SystemClock
from model.equipment import Role
from model.errors import Conflict
from model.event import EventKind
from model.order import Order, OrderAction, OrderState, Require
from model.reading import Valve
from ops.rooms import Wiring
from store import equipment, events, orders
from store.database import Connection, connect
from store.orders import Wish
from tests.fix_broker import Broker, NatsBroker
from tests.ingest import helpers
from tests.ingest.gateway import Bench
from tests.ingest.helpers import NOW_S, NOW_US, message
from tests.waiting import wait_until


@pytest.fixture
def conn(database: str) -> Iterator[Connection]:
    """A registered gateway with a valve."""
    helpers.register(database, gateways=("gw1", "gw2"), instruments=("g1",))
    with helpers.session(database) as conn:
        for gateway in equipment.gateways(conn):
            equipment.add_instrument(conn, gateway.id, "v1", Role.VALVE)
        yield conn


def valve_of(conn: Connection, path: str = "gw1/v1") -> int:
    return equipment.instrument_named(conn, path).id


def ask(conn: Connection, session: str | None = None, now_us: int | None = None, ttl_s: float = 300) -> Order:
    """Write down an order to gw1/v1, for the session that the gateway has or another one."""
    with conn.transaction():
        valve = orders.known(conn, valve_of(conn))
        wish = Wish(OrderAction.CLOSE, "Target held", ttl_s, None, None)
        now_us = SystemClock().now_us() if now_us is None else now_us
        return orders.ask(conn, valve if session is None else replace(valve, session=session), wish, now_us)


def state(conn: Connection, order: Order) -> OrderState:
    return orders.by_id(conn, order.id).state


def online(conn: Connection, session: str = "") -> bool:
    found = orders.known(conn, valve_of(conn))
    return bool(found.online) and session in ("", found.session)


def kinds(conn: Connection) -> list[EventKind]:
    return [event.kind for event in events.after(conn, 0)]


def config(dsn: str, broker: Broker, **more: Any) -> IngestConfig:
    url = broker.url("holdfast") + ("?version=5" if broker.kind == "mosquitto" else "")
    return IngestConfig(dsn, BrokerConfig.from_url(url), **more)


@contextmanager
def ingest(settings: IngestConfig) -> Iterator[None]:
    """The process, as a thread."""
    stop = threading.Event()
    thread = threading.Thread(target=run, args=(settings, SystemClock(), stop))
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join(20)
        assert not thread.is_alive()


def bench(broker: Broker) -> Bench:
    # Behind by an hour, since its clock runs a hundred times as fast.
    return Bench(broker, SystemClock().now_us() - 3600 * US)


# The whole way --------------------------------------------------------------------------------------


def test_an_order_closes_the_valve_once_and_everything_is_written_down(
    any_broker: Broker, database: str, conn: Connection
) -> None:
    with ingest(config(database, any_broker)), bench(any_broker) as site:
        wait_until(lambda: online(conn), what="presence")
        wait_until(lambda: orders.report(conn, valve_of(conn)), what="a report of the valve")
        order = ask(conn)
        wait_until(lambda: state(conn, order) is OrderState.DONE, what="the outcome")
        wait_until(
            lambda: (told := orders.report(conn, valve_of(conn))) and told.position is Valve.CLOSED,
            what="the valve to report closed",
        )
    assert (site.valve.position, site.closings) == ("closed", 1)
    assert {(each.id, each.action) for each in site.received} == {(order.token, "close")}
    assert all(290.0 < each.ttl_s <= 300.0 for each in site.received)
    found = orders.by_id(conn, order.id)
    assert found.outcome is not None
    assert found.outcome.at_us <= found.outcome.arrived_us
    assert found.sends >= 1
    assert [kind for kind in kinds(conn) if kind is not EventKind.ORDER_SENT] == [
        EventKind.ORDER_ASKED, EventKind.ORDER_DONE,
    ]  # fmt: skip
    audit = conn.execute("SELECT act, subject FROM audit WHERE act LIKE 'order-%'").fetchall()
    assert audit == [{"act": "order-close", "subject": f"order:{order.id}"}]
    assert conn.execute("SELECT FROM timer WHERE kind = %s", (orders.EXPIRY,)).fetchall() == []


def test_an_order_that_nobody_answers_is_noted_as_sent(
    broker: NatsBroker, database: str, conn: Connection
) -> None:
    with ingest(config(database, broker)):
        order = ask(conn, session="s1")
        wait_until(lambda: state(conn, order) is OrderState.SENT, what="the broker's acknowledgement")
    found = orders.by_id(conn, order.id)
    assert found.sent_us is not None
    assert kinds(conn) == [EventKind.ORDER_ASKED, EventKind.ORDER_SENT]


def test_an_order_for_another_session_is_refused_and_the_valve_stays_open(
    any_broker: Broker, database: str, conn: Connection
) -> None:
    with ingest(config(database, any_broker)), bench(any_broker) as site:
        wait_until(lambda: online(conn), what="presence")
        order = ask(conn, session="an older one")
        wait_until(lambda: state(conn, order) is OrderState.REFUSED, what="the refusal")
    found = orders.by_id(conn, order.id)
    assert found.outcome is not None
    assert found.outcome.reason == "made for another session"
    assert (site.valve.position, site.closings) == ("open", 0)


# What gets lost -------------------------------------------------------------------------------------


def test_a_lost_outcome_is_told_again_and_the_valve_acts_once(
    any_broker: Broker, database: str, conn: Connection
) -> None:
    quick = config(database, any_broker, order_again_s=0.2, order_longest_s=0.4, order_look_s=0.1)
    with ingest(quick), bench(any_broker) as site:
        wait_until(lambda: online(conn), what="presence")
        site.mute = True
        order = ask(conn)
        wait_until(lambda: site.valve.position == "closed" and len(site.received) > 2, what="repetitions")
        assert state(conn, order).open
        site.mute = False
        wait_until(lambda: state(conn, order) is OrderState.DONE, what="the remembered outcome")
    assert {each.id for each in site.received} == {order.token}
    assert site.closings == 1
    found = orders.by_id(conn, order.id)
    assert found.outcome is not None
    # Of the act, not of the telling: the gateway's clock had gone on by many seconds.
    told = orders.report(conn, valve_of(conn))
    assert told is not None
    assert abs(found.outcome.at_us - told.since_us) <= US


def test_a_gateway_that_comes_back_is_asked_at_once(
    any_broker: Broker, database: str, conn: Connection
) -> None:
    patient = config(database, any_broker, order_again_s=3600.0, order_longest_s=3600.0)
    with ingest(patient), bench(any_broker) as site:
        wait_until(lambda: online(conn), what="presence")
        site.mute = True
        order = ask(conn)
        wait_until(lambda: site.valve.position == "closed", what="the act")
        site.mute = False
        site.reconnect()
        wait_until(lambda: state(conn, order) is OrderState.DONE, what="the remembered outcome")
    assert len(site.received) == 2
    assert site.closings == 1


def spawn(dsn: str, broker: Broker) -> subprocess.Popen[bytes]:
    """The ingest as a process of its own."""
    child = subprocess.Popen([sys.executable, "-m", "ops.child", "ingest"], stdin=subprocess.PIPE)
    assert child.stdin is not None
    child.stdin.write(Wiring(dsn, broker.url("holdfast")).text().encode() + b"\n")
    child.stdin.flush()
    return child


def test_an_ingest_killed_between_sending_and_noting_it_loses_and_repeats_nothing(
    broker: NatsBroker, database: str, conn: Connection
) -> None:
    with bench(broker) as site, connect(database, application="test") as blocker:
        first = spawn(database, broker)
        wait_until(lambda: online(conn), what="presence")
        site.mute = True
        order = ask(conn)
        # Who notes that it was sent records an event, and waits for this lock.
        blocker.execute("SELECT pg_advisory_xact_lock(%s)", (events.ORDER_LOCK,))
        conn.execute("UPDATE valve_order SET send_at = clock_timestamp()")
        conn.execute(f"NOTIFY {orders.CHANNEL}".encode())
        wait_until(lambda: site.valve.position == "closed", what="the act")
        first.kill()
        first.wait()
        blocker.rollback()
        site.mute = False
        assert state(conn, order).open
        conn.execute("UPDATE valve_order SET send_at = clock_timestamp()")
        second = spawn(database, broker)
        try:
            wait_until(lambda: state(conn, order) is OrderState.DONE, what="the outcome")
        finally:
            second.terminate()
            second.wait()
    assert {each.id for each in site.received} == {order.token}
    assert site.closings == 1
    assert kinds(conn).count(EventKind.ORDER_DONE) == 1


def test_without_a_broker_nothing_is_claimed_and_later_everything_is_sent(
    broker: NatsBroker, database: str, conn: Connection
) -> None:
    order = ask(conn, session="s1")
    broker.kill()
    courier = Courier(config(database, broker), SystemClock())
    with pytest.raises(OSError, match=r"."):
        courier.round(conn)
    assert orders.by_id(conn, order.id).sends == 0
    broker.start()
    assert courier.round(conn) == 1
    assert state(conn, order) is OrderState.SENT


def test_what_the_broker_does_not_acknowledge_is_not_sent_and_due_again(
    broker: NatsBroker, database: str, conn: Connection, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("ingest.courier.ACKNOWLEDGE_S", 0.2)
    courier = Courier(config(database, broker, order_again_s=0.0), SystemClock())
    assert courier.round(conn) == 0
    order = ask(conn, session="s1")
    assert broker.server.process is not None
    broker.server.process.send_signal(signal.SIGSTOP)
    tasks = Path(f"/proc/{broker.server.process.pid}/task")
    wait_until(
        lambda: all("State:\tT" in (task / "status").read_text() for task in tasks.iterdir()),
        what="every thread of the broker to stand still",
    )
    try:
        assert courier.round(conn) == 1
        assert state(conn, order) is OrderState.ASKED
    finally:
        broker.server.process.send_signal(signal.SIGCONT)
    wait_until(lambda: courier.round(conn) and state(conn, order) is OrderState.SENT, what="the order sent")
    assert orders.by_id(conn, order.id).sends >= 2


def test_a_line_whose_own_thread_has_died_is_replaced(
    broker: NatsBroker, database: str, conn: Connection, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("ingest.courier.ACKNOWLEDGE_S", 0.2)
    courier = Courier(config(database, broker, order_again_s=0.0), SystemClock())
    assert courier.round(conn) == 0
    monkeypatch.setattr(threading, "excepthook", lambda _: None)

    def breaks(*_: object) -> None:
        raise RuntimeError("it breaks here")

    line = courier._line
    assert line is not None
    monkeypatch.setattr(line._client, "_on_disconnect", breaks)
    thread = line._client._thread
    assert thread is not None
    broker.kill()
    wait_until(lambda: not thread.is_alive(), what="the library's thread to die")
    assert not line.lost
    broker.start()
    order = ask(conn, session="s1")
    wait_until(lambda: courier.round(conn) and state(conn, order) is OrderState.SENT, what="the order sent")


# Many couriers --------------------------------------------------------------------------------------


def test_of_several_couriers_each_order_is_taken_by_one(
    any_broker: Broker, database: str, conn: Connection
) -> None:
    gateway = equipment.gateway_named(conn, "gw1")
    valves = [equipment.add_instrument(conn, gateway.id, f"valve-{n}", Role.VALVE).id for n in range(30)]
    parts = urlsplit(any_broker.url("gw1"))
    heard: list[str] = []
    ready = threading.Event()
    client = paho.Client(CallbackAPIVersion.VERSION2)
    client.username_pw_set(parts.username, parts.password)
    client.on_connect = lambda client, *_: client.subscribe("hf/1/gw1/+/order", 1)
    client.on_subscribe = lambda *_: ready.set()
    client.on_message = lambda _c, _d, message: heard.append(json.loads(message.payload)["id"])
    client.connect(str(parts.hostname), int(parts.port or 0))
    client.loop_start()
    assert ready.wait(20)
    wish = Wish(OrderAction.CLOSE, "", 300.0, None, None)
    with conn.transaction():
        asked = [
            orders.ask(conn, replace(orders.known(conn, valve), session="s1"), wish, SystemClock().now_us())
            for valve in valves
        ]
    settings = config(database, any_broker)
    together = threading.Barrier(3)

    def carry() -> None:
        courier = Courier(settings, SystemClock())
        with connect(database, application="test", autocommit=True) as own:
            together.wait(20)
            while courier.round(own):
                pass

    threads = [threading.Thread(target=carry) for _ in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(20)
    wait_until(lambda: len(heard) >= len(asked), what="the orders")
    client.disconnect()
    client.loop_stop()
    assert sorted(heard) == sorted(order.token for order in asked)
    assert {state(conn, order) for order in asked} == {OrderState.SENT}


def test_an_order_in_one_hand_is_not_in_another_and_comes_back_after_a_while(
    database: str, conn: Connection
) -> None:
    order = ask(conn, session="s1", now_us=NOW_US)
    with connect(database, application="test", autocommit=True) as other, conn.transaction():
        assert [each.id for each in orders.claim(conn, NOW_US, 10, 0.0, 60.0)] == [order.id]
        assert orders.claim(other, NOW_US, 10, 0.0, 60.0) == []
    with connect(database, application="test", autocommit=True) as other:
        assert [each.sends for each in orders.claim(other, NOW_US, 10, 0.0, 60.0)] == [2]


def test_of_two_who_ask_at_the_same_moment_the_second_is_told_of_the_first(
    database: str, conn: Connection
) -> None:
    told: list[str] = []
    valve, wish = orders.known(conn, valve_of(conn)), Wish(OrderAction.CLOSE, "", 300.0, None, None)

    def second() -> None:
        with connect(database, application="second", autocommit=True) as own:
            try:
                with own.transaction():
                    orders.ask(own, valve, wish, NOW_US)
            except Conflict as error:
                told.append(str(error))

    waits = (
        "SELECT FROM pg_stat_activity WHERE application_name = 'holdfast-second' "
        "AND wait_event_type = 'Lock' AND datname = current_database()"
    )
    thread = threading.Thread(target=second)
    # Of its own, since a transaction sees the activity as it was when it first looked.
    with connect(database, application="test", autocommit=True) as look, conn.transaction():
        first = orders.ask(conn, valve, wish, NOW_US)
        thread.start()
        wait_until(lambda: look.execute(waits).fetchall(), what="the second to wait")
    thread.join(20)
    assert told == [f"Order {first.id} for this valve is still open."]


def test_an_expired_order_is_not_sent(conn: Connection) -> None:
    order = ask(conn, session="s1", now_us=NOW_US, ttl_s=30)
    late = HandClock(NOW_US + 30 * US)
    assert orders.claim(conn, late.now_us(), 10, 5.0, 60.0) == []
    assert orders.by_id(conn, order.id).sends == 0


# Outcomes -------------------------------------------------------------------------------------------


def outcome(order: Order | str, result: str = "done", reason: str = "", at_s: float = NOW_S) -> bytes:
    token = order if isinstance(order, str) else order.token
    return json.dumps({"id": token, "result": result, "reason": reason, "at": at_s}).encode()


TOPIC = "hf/1/gw1/v1/outcome"


def test_the_first_outcome_stands_and_is_told_once(conn: Connection) -> None:
    order = ask(conn, session="s1", now_us=NOW_US)
    same = message(outcome(order), TOPIC)
    helpers.store(conn, same, same)
    helpers.store(conn, same)
    assert kinds(conn) == [EventKind.ORDER_ASKED, EventKind.ORDER_DONE]
    assert helpers.rows(conn, "SELECT reason FROM quarantine") == []
    helpers.store(conn, message(outcome(order, "failed", "did not move"), TOPIC))
    assert state(conn, order) is OrderState.DONE
    assert helpers.rows(conn, "SELECT reason FROM quarantine") == [("second-outcome",)]


def test_a_refusal_as_repeated_is_no_outcome(conn: Connection) -> None:
    order = ask(conn, session="s1", now_us=NOW_US)
    again = message(outcome(order, "refused", "repeated id"), TOPIC)
    assert helpers.store(conn, again).quarantined == 0
    assert state(conn, order) is OrderState.ASKED
    helpers.store(conn, message(outcome(order), TOPIC))
    assert helpers.store(conn, again).quarantined == 0
    assert state(conn, order) is OrderState.DONE


def test_an_outcome_that_comes_after_expiry_is_noted_as_late(conn: Connection) -> None:
    order = ask(conn, session="s1", now_us=NOW_US)
    with conn.transaction():
        orders.expire(conn, order.id, NOW_US + 300 * US)
    helpers.store(conn, message(outcome(order), TOPIC, arrived_us=NOW_US + 900 * US))
    found = orders.by_id(conn, order.id)
    assert (found.state, found.late, found.expired_us) == (OrderState.DONE, True, NOW_US + 300 * US)
    assert "after the order had expired" in orders.sentence(found)


def test_a_gateway_whose_clock_is_ahead_did_not_act_after_we_heard_of_it(conn: Connection) -> None:
    order = ask(conn, session="s1", now_us=NOW_US)
    helpers.store(conn, message(outcome(order, at_s=NOW_S + 7200), TOPIC))
    found = orders.by_id(conn, order.id).outcome
    assert found is not None
    assert found.at_us == NOW_US


@pytest.mark.parametrize(
    ("topic", "raw", "reason"),
    [
        (TOPIC, outcome("nothing"), "unknown-order"),
        ("hf/1/gw2/v1/outcome", None, "unknown-order"),
        ("hf/1/gw1/g1/outcome", None, "unknown-order"),
        (TOPIC, b'{"id": "x", "result": "perhaps"}', "outcome"),
        (TOPIC, b'{"result": "done"}', "outcome"),
        (TOPIC, b"\xff", "outcome"),
        (TOPIC, b"[" * 3000, "outcome"),
        (TOPIC, b" " * 5000, "outcome"),
        (TOPIC, b'{"id": "x", "result": "done", "at": 12}', "outcome"),
        (TOPIC, b'{"id": "x\\u0000", "result": "done"}', "text"),
    ],
)
def test_what_is_no_outcome_of_an_order_goes_to_quarantine(
    conn: Connection, topic: str, raw: bytes | None, reason: str
) -> None:
    order = ask(conn, session="s1", now_us=NOW_US)
    assert helpers.store(conn, message(outcome(order) if raw is None else raw, topic)).quarantined == 1
    assert helpers.rows(conn, "SELECT reason FROM quarantine") == [(reason,)]
    assert state(conn, order) is OrderState.ASKED


# What gateways read -----------------------------------------------------------------------------------


def test_an_order_reads_as_the_contract_says(conn: Connection) -> None:
    order = ask(conn, session="s1", now_us=NOW_US)
    assert json.loads(payload(order, NOW_US)) == {
        "id": order.token, "action": "close", "session": "s1", "ttl_s": 300.0,
    }  # fmt: skip
    strict = replace(order, boot="b1", require=Require(120.0, None, Valve.CLOSED))
    assert json.loads(payload(strict, NOW_US))["boot"] == "b1"
    assert json.loads(payload(strict, NOW_US))["require"] == {"pump_running_s": 120.0, "position": "closed"}


@pytest.mark.parametrize(("after_s", "left_s"), [(-3600.0, 300.0), (290.0, 10.0), (400.0, 0.0)])
def test_what_is_sent_again_lives_no_longer_than_what_was_sent_first(
    conn: Connection, after_s: float, left_s: float
) -> None:
    """Its first sending may have been lost. A courier whose clock is behind makes it no longer either."""
    order = ask(conn, session="s1", now_us=NOW_US)
    assert json.loads(payload(order, NOW_US + round(after_s * US)))["ttl_s"] == left_s

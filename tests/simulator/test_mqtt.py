"""The fleet on real brokers; the other side is a plain paho client that knows only the contract."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from model.clock import HandClock, ReplayClock, SystemClock
from ops.embedded.broker import EmbeddedBroker
from ops.embedded.users import BrokerUser
from simulator.clock import US
from simulator.gateway import Gateway
from simulator.load import Load
from simulator.mqtt import Credentials, Link
from simulator.run import Config, run
from simulator.scenario import Scenario, demo, demo_start_us
from simulator.senml import Record
from tests.fix_broker import Broker, NatsBroker
from tests.waiting import wait_until

NOON_US = 1_790_000_000 * US


class Centre:
    """Subscribes to everything, keeps it, and gives receipts if asked to."""

    def __init__(self, url: str, receipts: bool = False) -> None:
        parts = urlsplit(url)
        self.messages: list[tuple[str, Any]] = []
        self._receipts = receipts
        self._have: dict[tuple[str, str, str], set[int]] = {}
        ready = threading.Event()
        self.client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv311)
        self.client.username_pw_set(parts.username, parts.password)
        self.client.on_connect = lambda client, *_: client.subscribe("hf/1/#", 1)
        self.client.on_subscribe = lambda *_: ready.set()
        self.client.on_message = self._on_message
        self.client.connect(str(parts.hostname), int(parts.port or 0))
        self.client.loop_start()
        assert ready.wait(10)

    def _on_message(self, _client: paho.Client, _data: Any, message: paho.MQTTMessage) -> None:
        if not message.payload:
            return
        body = json.loads(message.payload)
        self.messages.append((message.topic, body))
        *_, gateway, instrument, kind = message.topic.split("/")
        if self._receipts and kind in ("data", "late"):
            boot, seq = body[1]["vs"], body[0]["v"]
            have = self._have.setdefault((gateway, instrument, boot), set())
            have.add(seq)
            upto = next(number for number in range(100_000) if number + 1 not in have)
            receipt = {"instrument": instrument, "boot": boot, "upto": upto, "have": [], "refused": []}
            self.say(f"hf/1/{gateway}/receipt", receipt)

    def say(self, topic: str, body: dict[str, Any]) -> None:
        self.client.publish(topic, json.dumps(body), qos=1)

    def heard(self, topic: str) -> list[Any]:
        return [body for heard, body in list(self.messages) if heard == topic]

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


@pytest.fixture
def centre(any_broker: Broker) -> Iterator[Centre]:
    made = Centre(any_broker.url("holdfast"), receipts=True)
    yield made
    made.close()


def credentials(broker: Broker, name: str = "gw1") -> Credentials:
    parts = urlsplit(broker.url(name))
    return Credentials(str(parts.hostname), int(parts.port or 0), name, str(parts.password))


def tended(link: Link, condition: Any, clock: HandClock, what: str) -> Any:
    """Tend the link, its clock going on by a second each time, until the condition holds."""

    def once() -> Any:
        clock.advance(1.0)
        link.tend(clock.now_us(), clock.now_us())
        return condition()

    return wait_until(once, what=what)


def presences(centre: Centre) -> list[bool]:
    return [body["online"] for body in centre.heard("hf/1/gw1/presence")]


def test_reading_arrives_is_receipted_and_forgotten(any_broker: Broker, centre: Centre) -> None:
    clock, gateway = HandClock(NOON_US), Gateway("gw1", "b1")
    link = Link(gateway, credentials(any_broker))
    gateway.collect("g1", Record("pressure", 500.0, clock.now_us(), "micron"))
    tended(link, lambda: gateway.stored == 0, clock, "the receipt")
    (pack,) = centre.heard("hf/1/gw1/g1/data")
    assert pack[3] == {"n": "pressure", "u": "micron", "v": 500.0}
    assert presences(centre) == [True]
    link.close()
    wait_until(lambda: presences(centre) == [True, False], what="the farewell")


def test_lost_radio_leaves_a_will_and_comes_back_with_a_new_session(
    any_broker: Broker, centre: Centre
) -> None:
    clock, gateway = HandClock(NOON_US), Gateway("gw1", "b1")
    link = Link(gateway, credentials(any_broker), wall_s=lambda: clock.now_us() / US)
    tended(link, lambda: presences(centre) == [True], clock, "presence")
    link.radio = False
    tended(link, lambda: presences(centre) == [True, False], clock, "the will")
    for _ in range(300):
        gateway.collect("g1", Record("pressure", 60.0, clock.now_us(), "Pa"))
        clock.advance(1.0)
    link.radio = True
    tended(link, lambda: gateway.stored == 0, clock, "all receipts")
    first, will, second = centre.heard("hf/1/gw1/presence")
    assert first["session"] == will["session"] != second["session"]
    late = centre.heard("hf/1/gw1/g1/late")
    assert sum(record["n"] == "pressure" for pack in late for record in pack) >= 230
    link.close()


def test_broker_that_dies_and_returns_loses_no_reading(broker: NatsBroker) -> None:
    centre = Centre(broker.url("holdfast"), receipts=True)
    clock, gateway = HandClock(NOON_US), Gateway("gw1", "b1")
    link = Link(gateway, credentials(broker), wall_s=lambda: clock.now_us() / US)
    tended(link, lambda: gateway.online, clock, "the connection")
    broker.kill()
    tended(link, lambda: not gateway.online, clock, "the loss to be seen")
    gateway.collect("g1", Record("pressure", 60.0, clock.now_us(), "Pa"))
    tended(link, lambda: link.trouble, clock, "a sentence about it")
    assert "cannot reach the broker" in link.trouble
    centre.close()
    broker.start()
    centre = Centre(broker.url("holdfast"), receipts=True)
    tended(link, lambda: gateway.online and gateway.stored == 0, clock, "the reading to be receipted")
    assert link.trouble == ""
    link.close()
    centre.close()


def test_wrong_password_is_said_in_words(any_broker: Broker) -> None:
    clock, right = HandClock(NOON_US), credentials(any_broker)
    link = Link(Gateway("gw1", "b1"), Credentials(right.host, right.port, "gw1", "wrong"))
    tended(link, lambda: "uthori" in link.trouble, clock, "the refusal")
    link.close()


def test_load_publishes_one_reading_per_pack_and_shows_what_it_is_told(broker: NatsBroker) -> None:
    centre = Centre(broker.url("holdfast"), receipts=True)
    told: list[tuple[str, str, int, float]] = []
    names = {"gw1": ["g1", "g2"], "gw2": ["g1"]}
    load = Load(
        {name: credentials(broker, name) for name in names},
        names,
        SystemClock(),
        interval_s=0.2,
        noise=0.0,
        told=lambda *what: told.append(what),
    )
    load.start()
    wait_until(lambda: len(centre.heard("hf/1/gw1/g2/data")) >= 2, what="readings")
    load.show("gw1", "g2", 400.0)
    load.valve("gw1", "v1", "closed")
    wait_until(
        lambda: any(record.get("v") == 400.0 for pack in centre.heard("hf/1/gw1/g2/data") for record in pack),
        what="the new pressure",
    )
    wait_until(lambda: centre.heard("hf/1/gw1/v1/data"), what="the valve")
    with pytest.raises(KeyError, match="no gauge of this load"):
        load.show("gw2", "g2", 1.0)
    wait_until(lambda: len(centre.heard("hf/1/gw2/g1/data")) >= 5, what="readings of the other gateway")
    load.stop()
    assert load.connected == 0
    assert {(gateway, gauge) for gateway, gauge, _, _ in told} == {
        ("gw1", "g1"),
        ("gw1", "g2"),
        ("gw2", "g1"),
    }
    packs = centre.heard("hf/1/gw2/g1/data")
    assert max(sum(record["n"].endswith("pressure") for record in pack) for pack in packs[2:]) == 1
    centre.close()


@pytest.fixture
def fleet_broker(tmp_path: Path) -> Iterator[tuple[EmbeddedBroker, Scenario]]:
    """The embedded broker with the scenario's gateways as users."""
    now_us = round(datetime.fromisoformat("2026-09-16T10:00:00+01:00").timestamp()) * US
    scenario = demo(demo_start_us(now_us), now_us, 7)
    users = [BrokerUser.make("holdfast", "word", service=True)]
    users += [BrokerUser.make(gateway.name, "word") for gateway in scenario.gateways]
    broker = EmbeddedBroker(tmp_path / "nats", users)
    broker.start()
    yield broker, scenario
    broker.stop()


def test_fleet_replays_an_evening_and_leaves_in_an_orderly_way(
    fleet_broker: tuple[EmbeddedBroker, Scenario],
) -> None:
    broker, scenario = fleet_broker
    centre = Centre(broker.url("holdfast", "word"), receipts=True)
    users = {gateway.name: (gateway.name, "word") for gateway in scenario.gateways}
    config = Config(scenario, "127.0.0.1", broker.port, users)
    # As fast as a night in a good half minute; it would meet the present long after this test.
    clock = ReplayClock(time.time_ns() // 1000, scenario.start_us, 2000.0)
    stop = threading.Event()
    thread = threading.Thread(target=run, args=(config, clock, stop))
    thread.start()

    def closed() -> bool:
        packs = centre.heard("hf/1/saltgate-gw/valve-main/data")
        return any(record.get("vs") == "open" for pack in packs for record in pack)

    wait_until(closed, what="the valve at Saltgate to open")
    stop.set()
    thread.join(10)
    assert not thread.is_alive()
    topics = {topic for topic, _ in centre.messages}
    assert {f"hf/1/{gateway.name}/presence" for gateway in scenario.gateways} <= topics
    for gateway in scenario.gateways:
        wait_until(
            lambda name=gateway.name: not centre.heard(f"hf/1/{name}/presence")[-1]["online"],  # type: ignore[misc]
            what=f"the farewell of {gateway.name}",
        )
    centre.close()


def test_resumed_fleet_sends_nothing_old_and_obeys_orders(
    fleet_broker: tuple[EmbeddedBroker, Scenario],
) -> None:
    broker, scenario = fleet_broker
    centre = Centre(broker.url("holdfast", "word"), receipts=True)
    users = {gateway.name: (gateway.name, "word") for gateway in scenario.gateways}
    resume = scenario.local_us(23)
    clock, stop = HandClock(resume), threading.Event()
    thread = threading.Thread(
        target=run, args=(Config(scenario, "127.0.0.1", broker.port, users, resume), clock, stop)
    )
    thread.start()

    def passing(condition: Any, what: str) -> Any:
        def once() -> Any:
            clock.advance(20.0)
            return condition()

        return wait_until(once, what=what)

    packs = passing(lambda: centre.heard("hf/1/saltgate-gw/gauge-coil/data"), "live data")
    assert all(record["bt"] * US > resume for pack in packs for record in pack[:1])
    session = centre.heard("hf/1/saltgate-gw/presence")[-1]["session"]
    order = {
        "id": "o1",
        "action": "open",
        "session": session,
        "ttl_s": 60,
        "require": {"pump_running_s": 120},
    }
    centre.say("hf/1/saltgate-gw/valve-main/order", order)
    (outcome,) = passing(lambda: centre.heard("hf/1/saltgate-gw/valve-main/outcome"), "an outcome")
    assert (outcome["id"], outcome["result"], outcome["reason"]) == ("o1", "refused", "pump is not running")
    centre.say("hf/1/saltgate-gw/valve-main/order", {**order, "id": "o2", "action": "close", "require": {}})
    outcomes = passing(
        lambda: centre.heard("hf/1/saltgate-gw/valve-main/outcome")[1:], "the outcome of the close"
    )
    assert [(outcome["id"], outcome["result"]) for outcome in outcomes] == [("o2", "done")]
    stop.set()
    thread.join(10)
    assert not thread.is_alive()
    centre.close()


def test_gateway_without_a_user_is_one_clear_sentence() -> None:
    scenario = demo(NOON_US, NOON_US, 1)
    with pytest.raises(ValueError, match="no broker user is given for gateway 'brindle-gw'"):
        run(Config(scenario, "127.0.0.1", 1, {}), SystemClock(), threading.Event())

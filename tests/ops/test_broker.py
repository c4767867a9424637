"""Brokers: who may say and hear what, what survives, and how users change while they run."""

from __future__ import annotations

import json
import subprocess
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from urllib.parse import urlsplit

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.reasoncodes import ReasonCode

from model.access import subjects
from ops.embedded.broker import MAX_ACK_PENDING, configuration
from ops.embedded.users import BrokerUser
from tests.fix_broker import PASSWORDS, SERVICE, USERS, Broker, NatsBroker
from tests.waiting import wait_until

INGEST = ("hf/1/+/+/data", "hf/1/+/+/late", "hf/1/+/presence", "hf/1/+/+/outcome")


class Client:
    """A paho client that keeps what comes."""

    def __init__(self, url: str, client_id: str, **options: object) -> None:
        parts = urlsplit(url)
        self.got: list[tuple[str, str]] = []
        self.refused = threading.Event()
        self.lost = threading.Event()
        self.granted: dict[int | None, list[int]] = {}
        self.mqtt = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=client_id, clean_session=False)
        self.mqtt.username_pw_set(parts.username, parts.password)
        will = options.get("will")
        if isinstance(will, tuple):
            self.mqtt.will_set(will[0], will[1], qos=1, retain=True)
        connected = threading.Event()

        def on_connect(_c: object, _u: object, _f: object, code: ReasonCode, _p: object) -> None:
            (self.refused if code.is_failure else connected).set()

        def on_message(_c: object, _u: object, message: mqtt.MQTTMessage) -> None:
            self.got.append((message.topic, message.payload.decode()))

        def on_subscribe(_c: object, _u: object, mid: int, codes: list[ReasonCode], _p: object) -> None:
            self.granted[mid] = [int(code.value) for code in codes]

        self.mqtt.on_connect = on_connect
        self.mqtt.on_message = on_message
        self.mqtt.on_subscribe = on_subscribe
        self.mqtt.on_disconnect = lambda *_: self.lost.set()
        self.mqtt.connect(str(parts.hostname), parts.port or 1883)
        self.mqtt.loop_start()
        wait_until(lambda: connected.is_set() or self.refused.is_set(), what="CONNACK")

    def subscribe(self, *topics: str) -> list[int]:
        _, mid = self.mqtt.subscribe([(topic, 1) for topic in topics])
        wait_until(lambda: mid in self.granted, what="SUBACK")
        return self.granted[mid]

    def publish(self, topic: str, text: str, *, retain: bool = False) -> None:
        self.mqtt.publish(topic, text, qos=1, retain=retain).wait_for_publish(20)

    def close(self) -> None:
        self.mqtt.disconnect()
        self.mqtt.loop_stop()

    def vanish(self) -> None:
        """Go without a word, so that the will is published."""
        self.mqtt.loop_stop()
        self.mqtt.socket().close()  # type: ignore[union-attr]


Connect = Callable[..., Client]


@pytest.fixture
def connect(any_broker: Broker) -> Iterator[Connect]:
    clients: list[Client] = []

    def make(user: str, client_id: str | None = None, **options: object) -> Client:
        clients.append(Client(any_broker.url(user), client_id or user, **options))
        return clients[-1]

    yield make
    for client in clients:
        client.close()


def test_every_subscription_of_the_contract_is_granted(connect: Connect) -> None:
    service = connect(SERVICE)
    assert service.subscribe(*INGEST) == [1, 1, 1, 1]
    assert service.subscribe("hf/1/#") == [1]


def test_a_gateway_publishes_its_own_topics_only(connect: Connect) -> None:
    service = connect(SERVICE)
    service.subscribe("hf/1/#")
    foreign = ("hf/1/gw2/g1/data", "hf/1/gw2/presence", "hf/1/gw1/receipt", "hf/1/gw1/v1/order")
    for number, topic in enumerate(foreign):
        gateway = connect("gw1", f"forbidden-{number}")
        # MQTT 3.1.1 §3.3.5: a broker acknowledges and drops it, or closes the connection.
        message = gateway.mqtt.publish(topic, "not mine", qos=1, retain=True)
        wait_until(lambda m=message, g=gateway: m.is_published() or g.lost.is_set())  # type: ignore[misc]
        gateway.close()
    gateway = connect("gw1")
    own = ["hf/1/gw1/g1/data", "hf/1/gw1/g1/late", "hf/1/gw1/v1/outcome", "hf/1/gw1/presence"]
    for topic in own:
        gateway.publish(topic, "mine")
    wait_until(lambda: len(service.got) >= 4, what="the gateway's own messages")
    assert sorted(service.got) == sorted((topic, "mine") for topic in own)


def test_a_gateway_reads_its_own_topics_only(connect: Connect, any_broker: Broker) -> None:
    gateway = connect("gw1")
    assert gateway.subscribe("hf/1/gw1/receipt", "hf/1/gw1/+/order") == [1, 1]
    for foreign in ("hf/1/gw2/receipt", "hf/1/+/receipt", "hf/1/gw1/#", "#", "$MQTT/#"):
        try:
            granted = gateway.subscribe(foreign)
        except AssertionError:
            granted = [0x80]
        # MQTT 3.1.1 lets a broker grant a filter and deliver nothing of it; Mosquitto does.
        assert granted == [0x80] or any_broker.kind == "mosquitto"
    service = connect(SERVICE)
    for topic in ("hf/1/gw2/receipt", "hf/1/gw1/g1/data", "hf/1/gw1/receipt", "hf/1/gw1/v/order"):
        service.publish(topic, "x")
    wait_until(lambda: len(gateway.got) >= 2, what="receipt and order")
    assert {topic for topic, _ in gateway.got} == {"hf/1/gw1/receipt", "hf/1/gw1/v/order"}


def test_a_wrong_password_and_an_unknown_user_are_refused(connect: Connect, any_broker: Broker) -> None:
    port = any_broker.port
    for login in ("gw1:wrong", "stranger:password-of-gw1", "gw1:"):
        client = Client(f"mqtt://{login}@127.0.0.1:{port}", "x")
        assert client.refused.is_set()
        client.close()


def test_presence_is_retained_and_the_will_follows_when_a_gateway_vanishes(
    connect: Connect,
) -> None:
    gateway = connect("gw1", will=("hf/1/gw1/presence", "offline"))
    gateway.publish("hf/1/gw1/presence", "online", retain=True)
    service = connect(SERVICE)
    service.subscribe("hf/1/+/presence")
    wait_until(lambda: ("hf/1/gw1/presence", "online") in service.got, what="retained presence")
    gateway.vanish()
    wait_until(lambda: ("hf/1/gw1/presence", "offline") in service.got, what="the will")
    late = connect(SERVICE, "another")
    late.subscribe("hf/1/+/presence")
    wait_until(lambda: late.got == [("hf/1/gw1/presence", "offline")], what="the retained will")


def test_messages_wait_for_a_service_that_is_away(connect: Connect) -> None:
    service = connect(SERVICE)
    service.subscribe(*INGEST)
    service.close()
    gateway = connect("gw1")
    expected = [("hf/1/gw1/g1/data", str(number)) for number in range(200)]
    for topic, text in expected:
        gateway.publish(topic, text)
    back = connect(SERVICE)
    wait_until(lambda: len(back.got) >= len(expected), what="the waiting messages")
    assert back.got == expected


def test_what_was_acknowledged_survives_the_death_of_the_embedded_broker(
    broker: NatsBroker,
) -> None:
    service = Client(broker.url(SERVICE), SERVICE)
    service.subscribe(*INGEST)
    service.close()
    gateway = Client(broker.url("gw1"), "gw1")
    expected = [("hf/1/gw1/g1/data", str(number)) for number in range(500)]
    for topic, text in expected:
        gateway.publish(topic, text)
    broker.kill()
    broker.start()
    back = Client(broker.url(SERVICE), SERVICE)
    wait_until(lambda: len(back.got) >= len(expected), what="the acknowledged messages")
    assert back.got == expected
    gateway.close()
    back.close()


def test_users_change_while_the_broker_runs(broker: NatsBroker) -> None:
    kept, revoked = Client(broker.url("gw1"), "gw1"), Client(broker.url("gw2"), "gw2")
    rotated = Client(broker.url("gw3"), "gw3")
    users = [user for user in USERS if user.name in (SERVICE, "gw1")]
    broker.server.reload([*users, BrokerUser.make("gw3", "rotated"), BrokerUser.make("gw4", "added")])
    wait_until(revoked.lost.is_set, what="the revoked gateway to lose its connection")
    wait_until(rotated.lost.is_set, what="the rotated gateway to lose its connection")
    wait_until(revoked.refused.is_set, what="the revoked gateway to be refused")
    for name, password in (("gw3", "rotated"), ("gw4", "added")):
        client = Client(broker.server.url(name, password), f"new-{name}")
        assert not client.refused.is_set()
        client.close()
    assert not kept.lost.is_set()
    for client in (kept, revoked, rotated):
        client.close()


def test_a_first_reading_can_be_sent_with_a_client_that_is_not_ours(
    any_broker: Broker,
    connect: Connect,
    mosquitto_pub: Callable[..., subprocess.CompletedProcess[str]],
) -> None:
    service = connect(SERVICE)
    service.subscribe(*INGEST)
    pack = '[{"n":"pressure","u":"Pa","v":101325}]'
    done = mosquitto_pub(any_broker.url("gw2"), "hf/1/gw2/g1/data", pack)
    assert done.returncode == 0, done.stderr
    wait_until(lambda: service.got == [("hf/1/gw2/g1/data", pack)], what="the pack")


def test_no_password_stands_in_the_configuration_and_only_we_may_read_it(
    broker: NatsBroker,
) -> None:
    file = broker.server.data_dir / "nats.conf"
    assert file.stat().st_mode & 0o077 == 0
    text = file.read_text()
    assert not any(password in text for password in PASSWORDS.values())


def test_a_hash_in_a_topic_filter_includes_the_level_above() -> None:
    assert subjects(["hf/1/#", "hf/1/+/presence"]) == ["hf.1", "hf.1.>", "hf.1.*.presence"]


def test_four_subscriptions_and_a_hash_fit_into_what_the_server_allows() -> None:
    text = configuration(USERS, "127.0.0.1", 1, Path("/s"), Path("/l"))
    assert json.loads(text)["mqtt"]["max_ack_pending"] == MAX_ACK_PENDING
    # 65,535: nats-server's limit for one session; "#" counts two
    assert MAX_ACK_PENDING * (len(INGEST) + 2) <= 65_535

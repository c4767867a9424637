"""All services of the compose file by hand on real brokers and databases; gateways come and go."""

from __future__ import annotations

import json
import signal
import ssl
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import httpx
import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.reasoncodes import ReasonCode

from store import broker_secrets
from store.database import connect
from tests.deploy.by_hand import ByHand
from tests.waiting import wait_until

pytestmark = pytest.mark.mosquitto
NAME = "vacuum.example"
PACK = '[{"n":"pressure","u":"Pa","v":420.5}]'


class Gateway:
    """A client that is not ours: TLS, with the authority that it was given."""

    def __init__(self, house: ByHand, name: str, password: str) -> None:
        self.code: ReasonCode | None = None
        self.lost = threading.Event()
        self.client = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id=name, protocol=mqtt.MQTTv311, reconnect_on_failure=False
        )
        self.client.username_pw_set(name, password)
        self.client.tls_set(str(house.access / "ca.pem"))
        self.client.on_connect = self._on_connect
        self.client.on_disconnect = lambda *_: self.lost.set()
        self.client.connect("localhost", house.tls_port)
        self.client.loop_start()
        wait_until(lambda: self.code is not None or self.lost.is_set(), what="CONNACK")

    def _on_connect(self, _c: object, _u: object, _f: object, code: ReasonCode, _p: object) -> None:
        self.code = code

    @property
    def accepted(self) -> bool:
        return self.code is not None and not self.code.is_failure

    def publish(self, topic: str, payload: str) -> None:
        self.client.publish(topic, payload, qos=1).wait_for_publish(20)

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


def let_in(house: ByHand, name: str, password: str) -> bool:
    gateway = Gateway(house, name, password)
    gateway.close()
    return gateway.accepted


@pytest.fixture
def house_on(tmp_path: Path) -> Iterator[Callable[[str], ByHand]]:
    """All services on a database, ended at last."""
    running: list[ByHand] = []

    def make(dsn: str) -> ByHand:
        running.append(ByHand(tmp_path, dsn, HOLDFAST_TLS_NAMES=NAME))
        return running[-1]

    yield make
    for house in running:
        house.stop()


@pytest.fixture
def house(house_on: Callable[[str], ByHand], database: str) -> ByHand:
    return house_on(database)


def made(house: ByHand, *command: str) -> dict[str, object]:
    done = house.run("serve", *command, "--json")
    assert done.returncode == 0, done.stderr
    result = json.loads(done.stdout)
    assert isinstance(result, dict)
    return result


def test_a_new_gateway_is_let_in_and_a_revoked_or_rotated_one_loses_its_line(
    house: ByHand, database: str
) -> None:
    house.start("broker-files")
    house.start("broker")
    made(house, "site", "add", "Bench", "--time-zone", "UTC")
    words = {name: str(made(house, "gateway", "add", name, "--site", "Bench")["password"])
             for name in ("gw-one", "gw-two", "gw-six")}  # fmt: skip
    for name, word in words.items():
        wait_until(lambda n=name, w=word: let_in(house, n, w), what=f"{name} to be let in")  # type: ignore[misc]
    one, two, six = (Gateway(house, name, word) for name, word in words.items())
    made(house, "gateway", "revoke", "gw-one")
    wait_until(one.lost.is_set, what="the revoked gateway to lose its connection")
    assert not let_in(house, "gw-one", words["gw-one"])
    with connect(database, application="test") as connection:
        connection.execute(
            "UPDATE gateway SET secret_bcrypt = %(secret_bcrypt)s, secret_mosquitto = %(secret_mosquitto)s "
            "WHERE name = 'gw-two'",
            broker_secrets.hashes("another-word"),
        )
        connection.execute("SELECT pg_notify('equipment', '')")
    wait_until(two.lost.is_set, what="the rotated gateway to lose its connection")
    assert not let_in(house, "gw-two", words["gw-two"])
    assert let_in(house, "gw-two", "another-word")
    assert not six.lost.is_set()
    for gateway in (one, two, six):
        gateway.close()


def test_a_forgotten_hash_lets_nobody_in_with_the_old_password(database: str) -> None:
    with connect(database, application="test") as connection:
        connection.execute("INSERT INTO site (name, time_zone) VALUES ('Bench', 'UTC')")
        connection.execute(
            "INSERT INTO gateway (name, site_id, created_at, secret_bcrypt, secret_mosquitto) "
            "SELECT 'gw-one', id, now(), %(secret_bcrypt)s, %(secret_mosquitto)s FROM site",
            broker_secrets.hashes("first"),
        )
        connection.execute("UPDATE gateway SET secret_bcrypt = 'another'")
        row = connection.execute("SELECT secret_mosquitto FROM gateway").fetchone()
    assert row == {"secret_mosquitto": None}


def test_everything_by_hand_from_an_empty_database_to_a_page(
    house_on: Callable[[str], ByHand], empty_database: str
) -> None:
    house = house_on(empty_database)
    assert house.run("migrate", "migrate").returncode == 0
    for service in ("broker-files", "broker", "ingest", "analyse", "desk", "serve"):
        house.start(service)
    pages = f"https://localhost:{house.pages_port}"
    trust = ssl.create_default_context(cafile=str(house.access / "ca.pem"))
    with httpx.Client(verify=trust, trust_env=False, base_url=pages, timeout=20) as browser:
        wait_until(lambda: browser.get("/readyz").status_code == 200, what="readiness of every part")
        login = made(house, "user", "add", "admin", "--role", "administrator")
        form = {"login": "admin", "password": str(login["password"]), "next": "/"}
        cookie = browser.post("/login", data=form, headers={"Origin": pages}).headers["set-cookie"]
        assert "secure" in cookie.lower()
        assert browser.get("/metrics").status_code == 200
        token = {"Authorization": "Bearer for-the-scraper"}
        assert httpx.get(pages + "/metrics", headers=token, verify=trust, trust_env=False).status_code == 200
        made(house, "site", "add", "Bench", "--time-zone", "UTC")
        word = str(made(house, "gateway", "add", "gw-one", "--site", "Bench")["password"])
        made(house, "instrument", "add", "gw-one/g1", "--role", "gauge")
        wait_until(lambda: let_in(house, "gw-one", word), what="the gateway to be let in")
        gateway = Gateway(house, "gw-one", word)
        gateway.publish("hf/1/gw-one/g1/data", PACK)
        wait_until(lambda: "420.5" in browser.get("/api/v1/board").text, what="the reading on the board")
        gateway.close()


def test_the_broker_keeps_what_waits_over_a_stop_and_follows_a_new_certificate(house: ByHand) -> None:
    house.start("broker-files")
    house.start("broker")
    first = ssl.get_server_certificate(("127.0.0.1", house.tls_port))
    # Another name makes another certificate, of the same authority.
    house.processes.pop("broker-files").terminate()
    house.dotenv["HOLDFAST_TLS_NAMES"] = f"{NAME},other.example"
    house.start("broker-files")

    def renewed() -> bool:
        return ssl.get_server_certificate(("127.0.0.1", house.tls_port)) != first

    wait_until(renewed, what="the broker to show the new certificate")
    child = house.processes["broker"]
    child.send_signal(signal.SIGTERM)
    assert child.wait(20) == 0
    assert (house.folder / "store" / "mosquitto.db").exists()
    house.start("broker")


def test_nothing_that_waits_is_dropped_and_what_was_written_survives_a_kill(house: ByHand) -> None:
    house.start("broker-files")
    house.start("broker")
    got: list[str] = []

    def service() -> mqtt.Client:
        client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="ingest", clean_session=False)
        client.username_pw_set("holdfast", "of-our-own-processes")
        granted = threading.Event()
        client.on_subscribe = lambda *_: granted.set()
        client.on_message = lambda _c, _u, message: got.append(message.payload.decode())
        client.connect("127.0.0.1", house.plain_port)
        client.loop_start()
        client.subscribe("hf/1/+/+/data", qos=1)
        wait_until(granted.is_set, what="SUBACK")
        return client

    def leave(client: mqtt.Client) -> None:
        client.disconnect()
        client.loop_stop()

    leave(service())
    sender = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="sender")
    sender.username_pw_set("holdfast", "of-our-own-processes")
    sender.connect("127.0.0.1", house.plain_port)
    sender.loop_start()
    # More than the 1,000 at which Mosquitto by default begins to drop.
    expected = [str(number) for number in range(1_500)]
    for text in expected:
        last = sender.publish("hf/1/gw-one/g1/data", text, qos=1)
    last.wait_for_publish(30)
    leave(sender)
    acknowledged = time.time()
    store = house.folder / "store" / "mosquitto.db"
    wait_until(lambda: store.exists() and store.stat().st_mtime > acknowledged, what="it to be written")
    house.kill("broker")
    house.start("broker")
    back = service()
    wait_until(lambda: len(got) >= len(expected), what="what waited")
    assert got == expected
    leave(back)


def test_a_part_that_is_not_well_says_so_with_status_2(house: ByHand) -> None:
    for service in ("ingest", "analyse", "desk", "broker-files"):
        done = house.run(service, "check", service)
        assert done.returncode == 2
        assert done.stderr.startswith(f"{service} gave no sign of life on ")
        assert done.stderr.count("\n") == 1
    done = house.run("serve", "check", "serve")
    assert (done.returncode, done.stderr.count("\n")) == (2, 1)
    assert house.run("desk", "check", "nothing").stderr.startswith("There is no part 'nothing'")

"""TLS for real: paho, httpx and mosquitto_pub shake hands with pages and broker, well and wrongly."""

from __future__ import annotations

import os
import re
import shlex
import signal
import ssl
import subprocess
import sys
import threading
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import httpx
import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from api.config import ApiConfig, MqttProbe
from api.readiness import ask
from ingest.client import Session
from ingest.config import BrokerConfig
from ingest.inbox import Inbox
from model.clock import HandClock
from ops.certificates import Authority
from ops.embedded.broker import EmbeddedBroker, mqtt_accepts
from tests.api.serving import serving
from tests.fix_broker import PASSWORDS, SERVICE, USERS, debian_program
from tests.waiting import wait_until

HANDBOOK = Path(__file__).parents[2] / "docs" / "how-to" / "run-on-one-machine.md"
NAMES = ["localhost", "127.0.0.1"]
NOW = datetime.now(UTC)


def authority(folder: Path, names: list[str] = NAMES) -> Authority:
    made = Authority(folder)
    made.keep(names, NOW)
    return made


def trusting(made: Authority) -> ssl.SSLContext:
    return ssl.create_default_context(cafile=str(made.trust))


def connect(server: EmbeddedBroker, context: ssl.SSLContext | None, host: str = "127.0.0.1") -> mqtt.Client:
    """A gateway that is let in; ``OSError`` if the handshake fails."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="gw1", reconnect_on_failure=False)
    client.username_pw_set("gw1", PASSWORDS["gw1"])
    if context is not None:
        client.tls_set_context(context)
    connected, lost = threading.Event(), threading.Event()
    client.on_connect = lambda *_: connected.set()
    client.on_disconnect = lambda *_: lost.set()
    client.connect(host, server.port)
    client.loop_start()
    wait_until(lambda: connected.is_set() or lost.is_set(), what="CONNACK or the end")
    if lost.is_set():
        client.loop_stop()
        raise ConnectionError("the broker ended the connection")
    return client


@pytest.fixture
def tls_broker(tmp_path: Path) -> Iterator[tuple[EmbeddedBroker, Authority]]:
    made = authority(tmp_path / "tls")
    pair = made.pair
    server = EmbeddedBroker(tmp_path / "nats", USERS, certificate=pair.certificate, key=pair.key)
    server.start()
    yield server, made
    server.stop()


def test_the_broker_is_known_by_its_authority_and_by_its_name(
    tls_broker: tuple[EmbeddedBroker, Authority], tmp_path: Path
) -> None:
    server, made = tls_broker
    connect(server, trusting(made)).loop_stop()
    connect(server, trusting(made), "localhost").loop_stop()
    stranger = authority(tmp_path / "stranger")
    with pytest.raises(ssl.SSLCertVerificationError, match=r"self-signed|unable to get local issuer"):
        connect(server, trusting(stranger))
    with pytest.raises(ssl.SSLCertVerificationError):
        connect(server, ssl.create_default_context())
    with pytest.raises(OSError, match="ended the connection"):
        connect(server, None)
    # 127.0.0.2 is this machine too, but not what the certificate says.
    made.keep(["vacuum.example"], NOW)
    server.renew_certificate()
    with pytest.raises(ssl.SSLCertVerificationError, match="IP address mismatch"):
        connect(server, trusting(made))


def test_a_renewed_certificate_is_shown_to_new_connections_and_old_ones_stay(
    tls_broker: tuple[EmbeddedBroker, Authority],
) -> None:
    server, made = tls_broker
    first = ssl.get_server_certificate(("127.0.0.1", server.port))
    old = connect(server, trusting(made))
    made.keep([*NAMES, "new.example"], NOW)
    server.renew_certificate()
    wait_until(
        lambda: ssl.get_server_certificate(("127.0.0.1", server.port)) != first, what="the new certificate"
    )
    assert old.is_connected()
    old.publish("hf/1/gw1/g1/data", "x", qos=1).wait_for_publish(20)
    old.disconnect()
    old.loop_stop()


def test_our_own_processes_reach_a_tls_broker_by_authority_or_by_its_very_certificate(
    tls_broker: tuple[EmbeddedBroker, Authority], tmp_path: Path
) -> None:
    server, made = tls_broker

    def refusal(url: str) -> str:
        config = BrokerConfig.from_url(url)
        return ask(MqttProbe(config.host, config.port, config.username, config.password, config.tls_context))

    login = f"{SERVICE}:{PASSWORDS[SERVICE]}@127.0.0.1:{server.port}"
    assert refusal(f"mqtts://{login}?ca={made.trust}") == ""
    assert "certificate verify failed" in refusal(f"mqtts://{login}")
    assert "No such file" in refusal(f"mqtts://{login}?ca={tmp_path}/missing.pem")
    # A name that nobody here has: only who knows the certificate itself gets through.
    made.keep(["vacuum.example"], NOW)
    server.renew_certificate()
    assert "mismatch" in refusal(f"mqtts://{login}?ca={made.trust}")
    assert refusal(server.url(SERVICE, PASSWORDS[SERVICE])) == ""
    other = authority(tmp_path / "other", ["vacuum.example"])
    assert "certificate verify failed" in refusal(f"mqtts://{login}?pin={other.pair.certificate}")
    assert mqtt_accepts("127.0.0.1", server.port, SERVICE, PASSWORDS[SERVICE], tls=True)
    assert not mqtt_accepts("127.0.0.1", server.port, SERVICE, PASSWORDS[SERVICE])


def test_the_ingest_comes_back_to_a_broker_whose_certificate_was_renewed_meanwhile(
    tls_broker: tuple[EmbeddedBroker, Authority],
) -> None:
    server, made = tls_broker
    config = BrokerConfig.from_url(server.url(SERVICE, PASSWORDS[SERVICE]))
    session = Session(config, "renewal", ("hf/1/+/presence",), Inbox(1_000_000), HandClock(0))
    session.start()
    wait_until(lambda: session.subscribed, what="the subscription")
    server.stop()
    wait_until(lambda: not session.subscribed, what="the end of the connection")
    made.keep(["vacuum.example"], NOW)
    server.start()
    wait_until(lambda: session.subscribed, what="the subscription with the new certificate")
    session.stop()
    session.join(10)


def test_pages_are_known_by_authority_and_name_and_follow_a_renewed_certificate(
    database: str, tmp_path: Path
) -> None:
    made = authority(tmp_path / "tls")
    config = ApiConfig(database, port=0, certificate=made.pair.certificate, key=made.pair.key)
    with serving(config, HandClock(0)) as running:
        port = int(running.address.rpartition(":")[2])

        def status(made: Authority, host: str = "127.0.0.1") -> int:
            url = f"https://{host}:{port}/healthz"
            return httpx.get(url, verify=trusting(made), trust_env=False, timeout=20).status_code

        assert status(made) == status(made, "localhost") == 200
        with pytest.raises(httpx.ConnectError, match="certificate verify failed"):
            status(authority(tmp_path / "stranger"))
        with pytest.raises(httpx.RemoteProtocolError):
            httpx.get(f"http://127.0.0.1:{port}/healthz", trust_env=False, timeout=20)
        made.pair.certificate.write_text("half a file")
        assert status(made) == 200
        made.keep(["vacuum.example"], NOW)

        def mismatch() -> bool:
            try:
                status(made)
            except httpx.ConnectError as error:
                return "mismatch" in str(error)
            return False

        wait_until(mismatch, what="pages to show the new certificate")


class Up:
    """``holdfast up`` in a folder of its own, as a new user starts it."""

    def __init__(self, folder: Path, settings: str) -> None:
        self.folder = folder
        (folder / "holdfast.env").write_text(settings)
        self.lines: list[str] = []
        self.process = subprocess.Popen(
            [sys.executable, "-m", "ops.cli", "up"],
            cwd=folder, env=self.environment, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        )  # fmt: skip
        threading.Thread(target=self._listen, daemon=True).start()
        wait_until(
            lambda: self.process.poll() is not None or "Ctrl-C stops." in self.lines, 90, "the first words"
        )
        assert self.process.poll() is None, self.lines

    @property
    def environment(self) -> dict[str, str]:
        return {name: text for name, text in os.environ.items() if not name.startswith("HOLDFAST_")}

    def _listen(self) -> None:
        assert self.process.stdout is not None
        self.lines.extend(line.rstrip() for line in self.process.stdout)

    def said(self, word: str) -> str:
        return next(line.split()[1] for line in self.lines if line.startswith(word + " "))

    def command(self, line: str) -> str:
        """What a line of a shell prints; raises `AssertionError` when it fails."""
        words = shlex.split(line)
        if words[0].endswith("holdfast"):
            words[:1] = [sys.executable, "-m", "ops.cli"]
        elif words[0] == "mosquitto_pub":
            words[0] = debian_program("mosquitto_pub")
        done = subprocess.run(
            words, cwd=self.folder, env=self.environment, capture_output=True, text=True, timeout=60,
            check=False,
        )  # fmt: skip
        assert done.returncode == 0, (line, done.stderr)
        return done.stdout

    def first_reading(self, lines: list[str], port: str | None = None) -> None:
        """Run commands that end with a first reading; what `gateway add` prints goes for PASSWORD."""
        *register, publish = [line for line in "\n".join(lines).replace("\\\n", " ").splitlines() if line]
        word = ""
        for line in register:
            printed = self.command(line)
            found = re.search(r"^password +(\S+)$", printed, re.MULTILINE)
            word = found.group(1) if found else word
        line = publish.replace("PASSWORD", word).replace("PORT", port or "PORT")

        def published() -> bool:
            try:
                self.command(line)
            except AssertionError:
                return False
            return True

        wait_until(published, what="the gateway to be let in")

    def board(self, verify: ssl.SSLContext) -> str:
        """The board as whoever logs in first sees it."""
        pages = f"https://localhost:{self.said('Pages').rpartition(':')[2]}"
        with httpx.Client(base_url=pages, verify=verify, trust_env=False, timeout=20) as browser:
            form = {"login": self.said("Login"), "password": self.said("Password"), "next": "/"}
            answer = browser.post("/login", data=form, headers={"Origin": pages})
            assert answer.status_code == 303, answer.text
            assert "secure" in answer.headers["set-cookie"].lower()
            return browser.get("/api/v1/board").text

    def stop(self) -> None:
        self.process.send_signal(signal.SIGTERM)
        try:
            self.process.wait(20)
        finally:
            self.process.kill()


def block(name: str) -> list[str]:
    """The commands of a marked place in the handbook."""
    found = re.search(rf"<!-- {name} -->\n```\n(.*?)```\n<!-- /{name} -->", HANDBOOK.read_text(), re.DOTALL)
    assert found is not None, name
    return found.group(1).splitlines()


@pytest.mark.mosquitto
def test_what_the_handbook_says_works_word_for_word(tmp_path: Path) -> None:
    house = Up(tmp_path, "\n".join(block("settings")))
    try:
        assert house.said("Pages").startswith("https://vacuum.example.com:")
        gateways = house.said("Gateways")
        assert gateways.startswith("mqtts://vacuum.example.com:")
        (fingerprint_line,) = block("fingerprint")
        assert house.command(fingerprint_line).strip().partition("=")[2] in "".join(house.lines)
        house.first_reading(block("first-gateway"), gateways.rpartition(":")[2])
        trust = ssl.create_default_context(cafile=str(tmp_path / "data" / "tls" / "ca.pem"))
        wait_until(lambda: "420.5" in house.board(trust), 60, "the reading on the board")
        assert "serve" not in house.command(".venv/bin/holdfast check ingest")
        assert "answers" in house.command(".venv/bin/holdfast check serve")
        assert house.said("Trust") == str(tmp_path / "data" / "tls" / "ca.pem")
    finally:
        house.stop()


@pytest.mark.mosquitto
def test_what_the_first_start_prints_works_word_for_word_with_a_certificate_of_the_company(
    tmp_path: Path,
) -> None:
    company = authority(tmp_path / "company", ["vacuum.example"])
    house = Up(
        tmp_path,
        "HOLDFAST_HTTP_ADDRESS=0.0.0.0\nHOLDFAST_MQTT_ADDRESS=0.0.0.0\nHOLDFAST_TLS_NAMES=localhost\n"
        f"HOLDFAST_TLS_CERT={company.pair.certificate}\nHOLDFAST_TLS_KEY={company.pair.key}\n",
    )
    try:
        # Our own processes have come through although nobody here is called vacuum.example.
        wait_until(lambda: _well(house, "ingest"), 60, "the ingest to reach its broker")
        assert not (tmp_path / "data" / "tls").exists()
        assert not any(line.startswith("Trust") for line in house.lines)
        first = next(i for i, line in enumerate(house.lines) if "site add" in line)
        printed = [line.strip() for line in house.lines[first:] if line.strip() and "Ctrl-C" not in line]
        assert "--tls-use-os-certs" in " ".join(printed)
        # This machine's own authorities do not know the company's, so its file is named instead.
        here = f"--cafile {company.trust} --insecure"
        house.first_reading([line.replace("--tls-use-os-certs", here) for line in printed])
        pinned = BrokerConfig("x", 1, tls=True, pin=str(company.pair.certificate)).tls_context()
        assert pinned is not None
        wait_until(lambda: "420.5" in house.board(pinned), 60, "the reading on the board")
    finally:
        house.stop()


def _well(house: Up, part: str) -> bool:
    try:
        return house.command(f"holdfast check {part}") != ""
    except AssertionError:
        return False


def test_plain_to_other_machines_is_done_only_when_asked_for_and_said(tmp_path: Path) -> None:
    house = Up(tmp_path, "HOLDFAST_TLS=off\nHOLDFAST_HTTP_ADDRESS=0.0.0.0\nHOLDFAST_MQTT_ADDRESS=0.0.0.0\n")
    try:
        assert house.said("Pages").startswith("http://")
        assert house.said("Gateways").startswith("mqtt://")
        warned = [line for line in house.lines if line.startswith("WARNING: ")]
        assert [line.split()[1] for line in warned] == ["Pages", "Gateways"]
        assert all("WITHOUT encryption" in line for line in warned)
    finally:
        house.stop()


def test_a_company_certificate_that_has_ended_is_refused_at_the_start(tmp_path: Path) -> None:
    old = Authority(tmp_path / "old")
    old.keep(NAMES, datetime(2020, 1, 1, tzinfo=UTC))
    clean = {name: text for name, text in os.environ.items() if not name.startswith("HOLDFAST_")}
    done = subprocess.run(
        [sys.executable, "-m", "ops.cli", "up"],
        cwd=tmp_path,
        env={
            **clean,
            "HOLDFAST_TLS_CERT": str(old.pair.certificate),
            "HOLDFAST_TLS_KEY": str(old.pair.key),
        },
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert done.returncode == 2
    assert done.stderr == f"The certificate {old.pair.certificate} ended on 2021-02-01: renew it.\n"


def test_pages_alone_are_plain_to_other_machines_only_when_asked_for(database: str, tmp_path: Path) -> None:
    clean = {name: text for name, text in os.environ.items() if not name.startswith("HOLDFAST_")}
    settings = {"HOLDFAST_DATABASE_URL": database, "HOLDFAST_HTTP_ADDRESS": "0.0.0.0"}
    done = subprocess.run(
        [sys.executable, "-m", "ops.cli", "serve"],
        cwd=tmp_path, env=clean | settings, capture_output=True, text=True, check=False, timeout=60,
    )  # fmt: skip
    assert done.returncode == 2
    assert done.stderr.startswith("Pages on 0.0.0.0 need HOLDFAST_TLS_CERT")
    assert done.stderr.count("\n") == 1

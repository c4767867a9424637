"""A bench with the gateways of the handbook, a broker, a database and the real ingest as a process."""

from __future__ import annotations

import json
import math
import os
import signal
import ssl
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from model.clock import to_datetime
from model.equipment import Role
from ops.embedded.broker import EmbeddedBroker
from store import beats, equipment
from store.database import connect
from tests.fix_broker import PASSWORDS, Broker
from tests.ingest.helpers import NOW_US
from tests.waiting import wait_until

ROOT = Path(__file__).parents[2]
PROGRAMS = ROOT / "docs" / "how-to" / "gateway"
STYLES = ("cpython", "micropython")
NAME = "gw1"
QUICK = {"interval": 0.1, "states": 0.3, "batch": 0.2, "resend": 2.0, "late_after": 1.5, "travel": 15.0}
"""Times [s] short enough for a test."""


class Bench:
    """Inputs and outputs of a gateway, as files."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        folder.mkdir()
        self.put(pump=0, open_switch=0, closed_switch=1, hands=0, coil=0)
        self.pressure(66.0)
        self.clock(set_right=True)

    def put(self, **bits: int) -> None:
        """Set inputs, each whole."""
        for name, value in bits.items():
            self._write(name, str(value))

    def pressure(self, pressure_pa: float) -> None:
        """What the gauge sees [Pa], for either gateway."""
        self._write("pressure_pa", str(pressure_pa))
        # One decade is a quarter of the converter's range, from 1 Pa.
        self._write("gauge_raw", str(min(round(65_535 * math.log10(pressure_pa) / 4), 65_535)))

    def clock(self, *, set_right: bool) -> None:
        """Whether the gateway knows the time of day."""
        if set_right:
            self._write("clock", "")
        else:
            (self.folder / "clock").unlink()

    def valve(self, position: str) -> None:
        """Move the valve: its limit switches say so."""
        self.put(open_switch=int(position == "open"), closed_switch=int(position == "closed"))

    @property
    def energised(self) -> bool:
        """Whether the coil has current."""
        return (self.folder / "coil").read_text() == "1"

    def _write(self, name: str, text: str) -> None:
        beside = self.folder / f".{name}"
        beside.write_text(text)
        beside.rename(self.folder / name)


class Process:
    """A child whose lines are read."""

    def __init__(self, command: list[str], folder: Path, env: dict[str, str]) -> None:
        self.lines: list[str] = []
        clean = {k: v for k, v in os.environ.items() if not k.startswith("HOLDFAST_")}
        self.child = subprocess.Popen(
            command, cwd=folder, env={**clean, "PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1", **env},
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        )  # fmt: skip
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self.child.stdout is not None
        for line in self.child.stdout:
            self.lines.append(line.rstrip("\n"))

    def end(self, number: signal.Signals = signal.SIGTERM) -> int:
        """Send a signal and wait for the end and the last line."""
        if self.child.poll() is None:
            self.child.send_signal(number)
        status = self.child.wait(20)
        self._reader.join(5)
        return status


class Gateway:
    """One of the handbook's gateways, started and killed at will; its spool stays."""

    def __init__(self, style: str, port: int, folder: Path, **settings: Any) -> None:
        self.style = style
        self.folder = folder
        self.bench = Bench(folder / "bench")
        self.earlier: list[str] = []
        self.process: Process | None = None
        unit, factor = ("s", 1) if style == "cpython" else ("ms", 1000)
        times = {f"{name}_{unit}": s * factor for name, s in {**QUICK, **settings.pop("times", {})}.items()}
        config = {
            "host": "127.0.0.1",
            "port": port,
            "name": NAME,
            "password": PASSWORDS[NAME],
            **times,
            **settings,
        }
        if style == "cpython":
            config |= {"bench": "bench", "spool": "spool.sqlite", "clock_flag": "bench/clock"}
        (folder / "gateway.json").write_text(json.dumps(config))

    def start(self) -> None:
        """Start the program."""
        if self.style == "cpython":
            command = [sys.executable, str(PROGRAMS / "cpython_gateway.py"), "gateway.json"]
        else:
            board = Path(__file__).parent / "board" / "run.py"
            command = [sys.executable, str(board), str(PROGRAMS / "micropython_gateway.py")]
        self.process = Process(command, self.folder, {"BENCH": str(self.bench.folder)})

    def kill(self) -> None:
        """SIGKILL, as a power cut."""
        assert self.process is not None
        self.process.end(signal.SIGKILL)
        self.earlier += self.process.lines

    @property
    def lines(self) -> list[str]:
        """Everything that it said, in all its lives."""
        return self.earlier + (
            self.process.lines if self.process and self.process.child.poll() is None else []
        )

    @property
    def kept(self) -> list[dict[str, Any]]:
        """Readings of which it said that they are safe."""
        return [
            json.loads(line[5:]) for line in self.lines if line.startswith("kept ") and line.endswith("}")
        ]

    def keeps_more(self, n: int = 5, what: str = "more readings") -> None:
        """Wait until it has taken some more."""
        wanted = len(self.kept) + n
        wait_until(lambda: len(self.kept) >= wanted, what=f"{what} of the gateway: {self.lines[-5:]}")


class Ear:
    """A client of the service's: hears everything under ``hf/1/``, and gives orders."""

    def __init__(self, broker: Broker | EmbeddedBroker, tls: ssl.SSLContext | None = None) -> None:
        self.heard: list[paho.MQTTMessage] = []
        self.client = paho.Client(CallbackAPIVersion.VERSION2, client_id="ear")
        self.client.username_pw_set("holdfast", PASSWORDS["holdfast"])
        self.client.reconnect_delay_set(1, 1)
        if tls is not None:
            self.client.tls_set_context(tls)
        self.client.on_connect = lambda client, *_: client.subscribe("hf/1/#", qos=1)
        self.client.on_message = lambda _, __, message: self.heard.append(message)
        granted = threading.Event()
        self.client.on_subscribe = lambda *_: granted.set()
        self.client.connect("127.0.0.1", broker.port)
        self.client.loop_start()
        assert granted.wait(20)

    def of(self, kind: str) -> list[dict[str, Any]]:
        """Bodies of a kind of message."""
        return [json.loads(m.payload) for m in list(self.heard) if m.topic.endswith("/" + kind)]

    def presence(self) -> dict[str, Any]:
        """The last one."""
        return next(iter(reversed(self.of("presence"))), {"online": False})

    def outcome(self, number: str) -> list[dict[str, Any]]:
        """What became of an order."""
        return [body for body in self.of("outcome") if body["id"] == number]

    def order(self, number: str, action: str, **changed: Any) -> None:
        """Give an order to the valve, made for the gateway as it is now."""
        now = self.presence()
        body = {
            "id": number, "action": action, "session": now["session"], "boot": now["boot"], "ttl_s": 60,
            "require": {}, **changed,
        }  # fmt: skip
        self.client.publish(f"hf/1/{NAME}/valve-1/order", json.dumps(body), qos=1).wait_for_publish(20)

    def close(self) -> None:
        """Leave."""
        self.client.disconnect()
        self.client.loop_stop()


class Ingest:
    """``holdfast ingest`` as a process."""

    def __init__(self, dsn: str, broker: Broker, folder: Path) -> None:
        url = broker.url("holdfast") + ("?version=5" if broker.kind == "mosquitto" else "")
        self._dsn, self._folder = dsn, folder
        self._env = {"HOLDFAST_DATABASE_URL": dsn, "HOLDFAST_MQTT_URL": url, "HOLDFAST_DATA_DIR": str(folder)}
        self.process: Process | None = None

    def start(self) -> None:
        """Start it and wait until it is subscribed."""
        with connect(self._dsn, application="test", autocommit=True) as conn:
            conn.execute("DELETE FROM beat")
        self.process = Process([sys.executable, "-m", "ops.cli", "ingest"], self._folder, self._env)
        wait_until(self._listens, 40, "the ingest to listen")

    def _listens(self) -> bool:
        assert self.process is not None
        assert self.process.child.poll() is None, self.process.lines
        with connect(self._dsn, application="test") as conn:
            return beats.ages(conn).get("ingest", (0, {}))[1].get("broker") is True

    def kill(self) -> None:
        """SIGKILL."""
        assert self.process is not None
        self.process.end(signal.SIGKILL)


def register(dsn: str) -> None:
    """The gateway and its instruments."""
    with connect(dsn, application="test") as conn:
        site = equipment.add_site(conn, "Kestrel Cold Store", "Europe/Berlin")
        gateway, _ = equipment.add_gateway(conn, NAME, site.id, to_datetime(NOW_US))
        for name, role in (("gauge-1", Role.GAUGE), ("valve-1", Role.VALVE), ("pump-1", Role.PUMP)):
            equipment.add_instrument(conn, gateway.id, name, role)


@contextmanager
def ending(*things: Any) -> Iterator[None]:
    """End processes and clients whatever happens."""
    try:
        yield
    finally:
        for thing in things:
            if isinstance(thing, Ear):
                thing.close()
            elif thing.process is not None:
                thing.process.end(signal.SIGKILL)

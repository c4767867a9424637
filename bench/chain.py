"""The whole chain on this machine for a measurement: embedded services, the four rooms, gauges to publish."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import httpx

from model.clock import SystemClock, to_datetime
from model.equipment import Role
from ops.embedded.process import free_port
from ops.rooms import Wiring
from ops.services import BrokerService, DatabaseService, ingest_listens
from simulator.mqtt import Credentials
from store import equipment, jobs, people, procedures
from store.database import Connection, connect
from store.migrate import migrate

ROOMS = ("ingest", "analyse", "desk", "serve")
PATIENCE_S = 60.0
GAUGES_A_GATEWAY = 50


@dataclass(frozen=True, slots=True)
class Chain:
    """Where everything is."""

    dsn: str
    pages: str
    broker: BrokerService
    login: tuple[str, str]
    rooms: dict[str, int]
    """Process id of each room."""

    def browser(self) -> httpx.Client:
        """A logged-in client."""
        client = httpx.Client(base_url=self.pages, timeout=30, headers={"Origin": self.pages})
        name, password = self.login
        client.post("/login", data={"login": name, "password": password, "next": "/"})
        client.get("/api/v1/alerts").raise_for_status()
        return client


@contextlib.contextmanager
def chain(folder: Path, webhook_url: str) -> Iterator[Chain]:
    """Start all, wait until it answers, and end all."""
    database = DatabaseService(folder)
    with contextlib.ExitStack() as farewell:
        database.server.start()
        farewell.callback(database.server.stop)
        dsn = database.server.dsn
        migrate(dsn)
        broker = BrokerService(folder, dsn, "bench", "127.0.0.1", free_port())
        broker.spawn()
        farewell.callback(broker.server.stop)
        broker.server.wait_ready()
        with connect(dsn, application="bench") as conn:
            now = to_datetime(SystemClock().now_us())
            _, password = people.add(conn, "bench", "Bench", "administrator", now)
        port = free_port()
        wiring = Wiring(database_url=dsn, mqtt_url=broker.url, http_port=port, webhook_url=webhook_url)
        rooms = {}
        for room in ROOMS:
            process = _start(room, wiring, folder / f"{room}.log")
            farewell.callback(_end, process)
            rooms[room] = process.pid
        pages = f"http://127.0.0.1:{port}"
        wait(lambda: ingest_listens(dsn), "the ingest to subscribe")
        wait(lambda: _answers(f"{pages}/readyz"), "the pages and all workers")
        yield Chain(dsn, pages, broker, ("bench", password), rooms)


@dataclass(frozen=True, slots=True)
class Fleet:
    """Registered gauges, each with a valve and a job of its own."""

    credentials: dict[str, Credentials] = field(default_factory=dict)
    gauges: dict[str, list[str]] = field(default_factory=dict)
    jobs: dict[int, tuple[str, str]] = field(default_factory=dict)
    """Gateway and gauge of a job."""

    def first(self, count: int) -> list[tuple[str, str]]:
        """So many as gateway and gauge, spread over the gateways."""
        ranked = [
            (rank, gateway, gauge)
            for gateway, names in self.gauges.items()
            for rank, gauge in enumerate(names)
        ]
        return [(gateway, gauge) for _, gateway, gauge in sorted(ranked)[:count]]


def register(running: Chain, count: int, interval_s: float) -> Fleet:
    """Register so many gauges at invented sites and let the broker know their gateways."""
    fleet = Fleet()
    now_us = SystemClock().now_us()
    with connect(running.dsn, application="bench") as conn:
        procedure = procedures.default(conn)
        for first in range(0, count, GAUGES_A_GATEWAY):
            number = first // GAUGES_A_GATEWAY + 1
            site = equipment.add_site(conn, f"Bench site {number}", "UTC")
            name = f"bench-{number}"
            gateway, secret = equipment.add_gateway(conn, name, site.id, to_datetime(now_us))
            fleet.credentials[name] = Credentials("127.0.0.1", running.broker.server.port, name, secret)
            names = [f"g{n}" for n in range(min(GAUGES_A_GATEWAY, count - first))]
            fleet.gauges[name] = names
            for gauge in names:
                job = add_job(conn, gateway.id, site.id, procedure.id, gauge, interval_s, now_us)
                fleet.jobs[job] = (name, gauge)
    running.broker.refresh()
    return fleet


def add_job(
    conn: Connection,
    gateway_id: int,
    site_id: int,
    procedure_id: int,
    name: str,
    interval_s: float,
    now_us: int,
) -> int:
    job = jobs.add(conn, f"Circuit of {name}", site_id, procedure_id, now_us).id
    gauge = equipment.add_instrument(conn, gateway_id, name, Role.GAUGE, interval_s=interval_s)
    valve = equipment.add_instrument(conn, gateway_id, valve_of(name), Role.VALVE)
    jobs.assign(conn, job, gauge.id, now_us, deciding=True)
    jobs.assign(conn, job, valve.id, now_us)
    return job


def valve_of(gauge: str) -> str:
    """Name of the valve beside a gauge."""
    return f"v{gauge[1:]}"


def processor_s(pid: int) -> float:
    """Processor time of a process so far [s]; fields 14 and 15 of proc_pid_stat(5)."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def wait(condition: Callable[[], bool], what: str, patience_s: float = PATIENCE_S) -> None:
    """Wait until it is so, or end with a sentence."""
    deadline = time.monotonic() + patience_s
    while not condition():
        if time.monotonic() > deadline:
            raise SystemExit(f"waited {patience_s:g} s in vain for {what}")
        time.sleep(0.05)


def _start(room: str, wiring: Wiring, log: Path) -> subprocess.Popen[str]:
    with log.open("wb") as output:
        process = subprocess.Popen(
            [sys.executable, "-m", "ops.child", room],
            stdin=subprocess.PIPE, stdout=output, stderr=output, text=True,
        )  # fmt: skip
    assert process.stdin is not None
    process.stdin.write(wiring.text() + "\n")
    process.stdin.flush()
    return process


def _end(process: subprocess.Popen[str]) -> None:
    process.terminate()
    try:
        process.wait(10)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


def _answers(url: str) -> bool:
    try:
        return httpx.get(url, timeout=5).status_code == 200
    except httpx.HTTPError:
        return False

"""A backlog in persistent sessions, and what drains it: the ingest, a bare subscriber, a bare COPY.

Each drains in a process of its own. A drain is timed from the arrival of its first message, so that the start
of a process is not in it, to the commit (the ingest) or the receipt (the bare subscriber) of its last.
"""

from __future__ import annotations

import contextlib
import json
import multiprocessing
import signal
import threading
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from multiprocessing.connection import Connection as Pipe
from pathlib import Path

import paho.mqtt.client as mqtt
import psycopg
from paho.mqtt.enums import CallbackAPIVersion

from bench.chain import processor_s, wait
from ingest.config import BrokerConfig, IngestConfig
from ingest.service import run
from ingest.topics import LATE_FILTERS, LIVE_FILTERS
from model.clock import SystemClock
from model.reading import Quantity
from ops.embedded.broker import EmbeddedBroker

USER, PASSWORD = "bench", "bench"
BARE, OWN = "bare", "own"
GAUGES_A_GATEWAY = 20
ACKNOWLEDGED_AT_ONCE = 500
QUIET_S = 0.3
"""No commit for so long: perhaps all is drained."""
PATIENCE_S = 300.0

_spawn = multiprocessing.get_context("spawn")


@dataclass(frozen=True, slots=True)
class Packs:
    """A backlog: so many numbered packs of so many readings at 1 Hz, gauge after gauge."""

    packs: int
    size: int
    gauges: int

    @property
    def readings(self) -> int:
        """How many readings there are in all."""
        return self.packs * self.size

    def times(self, now_s: float) -> Iterator[tuple[int, int, float]]:
        """Of each pack its gauge, its number at that gauge and the time of its first reading [s]."""
        begin_s = float(int(now_s) - (self.packs // self.gauges + 1) * self.size)
        for n in range(self.packs):
            number, gauge = divmod(n, self.gauges)
            yield gauge, number, begin_s + number * self.size

    def values(self, number: int) -> list[float]:
        """The pressures of a pack [Pa]."""
        return [60.0 + (number + k) % 1000 / 10 for k in range(self.size)]

    def payload(self, number: int, time_s: float) -> bytes:
        """A pack as a gateway writes it that wants receipts."""
        first, *others = self.values(number)
        records = [
            {"bt": time_s, "bu": "Pa", "n": "pressure", "v": first},
            *({"n": "pressure", "t": k, "v": value} for k, value in enumerate(others, 1)),
            {"n": "seq", "v": number},
            {"n": "boot", "vs": "bench"},
        ]
        return json.dumps(records, separators=(",", ":")).encode()


def topic(gauge: int) -> str:
    """Where a gauge's packs go."""
    return f"hf/1/gw{gauge // GAUGES_A_GATEWAY}/g{gauge % GAUGES_A_GATEWAY}/data"


# The broker ---------------------------------------------------------------------------------------


def client(
    name: str, port: int, *, manual_ack: bool = False, login: tuple[str, str] = (USER, PASSWORD)
) -> mqtt.Client:
    """A connected client with a persistent session."""
    made = mqtt.Client(
        CallbackAPIVersion.VERSION2, client_id=name, clean_session=False, manual_ack=manual_ack
    )
    made.username_pw_set(*login)
    made.max_inflight_messages_set(1000)
    made.connect("127.0.0.1", port)
    return made


@contextlib.contextmanager
def publisher(name: str, port: int, login: tuple[str, str] = (USER, PASSWORD)) -> Iterator[mqtt.Client]:
    """A client whose loop runs."""
    made = client(name, port, login=login)
    made.loop_start()
    try:
        yield made
    finally:
        made.disconnect()
        made.loop_stop()


def subscribe_and_leave(name: str, port: int, filters: tuple[str, ...]) -> None:
    """Make a session that gathers a backlog."""
    made = client(name, port)
    done = threading.Event()
    made.on_subscribe = lambda *_: done.set()
    made.loop_start()
    made.subscribe([(each, 1) for each in filters])
    if not done.wait(10):
        raise SystemExit("the broker grants no subscription")
    made.disconnect()
    made.loop_stop()


def make_sessions(port: int) -> None:
    """Those of the bare subscriber and of the ingest: one backlog waits for each."""
    for name in (BARE, f"{OWN}-live"):
        subscribe_and_leave(name, port, LIVE_FILTERS)
    subscribe_and_leave(f"{OWN}-late", port, LATE_FILTERS)


def fill(port: int, backlog: Packs) -> None:
    """Publish it, and go when the broker has all of it."""
    made = client("filler", port)
    made.loop_start()
    for n, (gauge, number, time_s) in enumerate(backlog.times(time.time()), 1):
        info = made.publish(topic(gauge), backlog.payload(number, time_s), qos=1)
        # MQTT has 65,535 packet identifiers.
        if n % 20_000 == 0 or n == backlog.packs:
            info.wait_for_publish(PATIENCE_S)
    made.disconnect()
    made.loop_stop()


def _bare(port: int, packs: int, answer: Pipe) -> None:
    made = client(BARE, port, manual_ack=True)
    arrived: list[float] = []
    waiting: list[int] = []
    done = threading.Event()

    def on_message(_: mqtt.Client, __: object, message: mqtt.MQTTMessage) -> None:
        waiting.append(message.mid)
        if not arrived:
            arrived.append(time.perf_counter())
        counted[0] += 1
        if len(waiting) == ACKNOWLEDGED_AT_ONCE or counted[0] == packs:
            for mid in waiting:
                made.ack(mid, 1)
            waiting.clear()
            if counted[0] == packs:
                done.set()

    counted = [0]
    made.on_message = on_message
    made.loop_start()
    if done.wait(PATIENCE_S):
        answer.send(time.perf_counter() - arrived[0])
    made.disconnect()
    made.loop_stop()


def drain_bare(port: int, packs: int) -> float:
    """Seconds in which a subscriber that counts and acknowledges in batches has them all."""
    here, there = _spawn.Pipe()
    child = _spawn.Process(target=_bare, args=(port, packs, there))
    child.start()
    if not here.poll(PATIENCE_S):
        raise SystemExit("the bare subscriber did not get all packs")
    took: float = here.recv()
    child.join()
    return took


# The ingest ---------------------------------------------------------------------------------------


def _ingest(config: IngestConfig) -> None:
    stop = threading.Event()
    signal.signal(signal.SIGTERM, lambda *_: stop.set())
    run(config, SystemClock(), stop)


@contextlib.contextmanager
def ingest(dsn: str, url: str) -> Iterator[int]:
    """The process under test at the broker of this URL; gives its process id."""
    with ingests([IngestConfig(dsn, BrokerConfig.from_url(url), client_id=OWN)]) as pids:
        yield pids[0]


@contextlib.contextmanager
def ingests(configs: Sequence[IngestConfig], *, kill: bool = False) -> Iterator[list[int]]:
    """Processes under test, one for each; gives their ids. ``kill``: so that none can leave in order."""
    children = [_spawn.Process(target=_ingest, args=(config,)) for config in configs]
    for child in children:
        child.start()
    try:
        yield [child.pid for child in children if child.pid is not None]
    finally:
        for child in children:
            (child.kill if kill else child.terminate)()
        for child in children:
            child.join()


@dataclass(slots=True)
class Drained:
    """How it went; processor times in seconds, memory in MB against time."""

    took_s: float
    processor_s: dict[str, float] = field(default_factory=dict)
    memory_mb: list[float] = field(default_factory=list)


def drain_ingest(dsn: str, broker: EmbeddedBroker, database_pid: int | None, backlog: Packs) -> Drained:
    """Start the ingest, and wait until all is committed."""
    assert broker.process is not None
    config = IngestConfig(dsn, BrokerConfig.from_url(broker.url(USER, PASSWORD)), client_id=OWN)
    return drain([config], broker.process.pid, database_pid, backlog)


def drain(
    configs: Sequence[IngestConfig], broker_pid: int, database_pid: int | None, backlog: Packs
) -> Drained:
    """Start processes, and wait until all is committed."""
    begun, dsn = Drained(0.0), configs[0].dsn
    with psycopg.connect(dsn, autocommit=True) as conn:
        _empty(conn)
        conn.execute("LISTEN work")
        with ingests(configs) as pids:
            families = {"ingest": pids, "broker": [broker_pid]}
            if database_pid is not None:
                families["database"] = [database_pid]
            before: dict[str, float] = {}
            last_commit = deadline = 0.0
            deadline = time.monotonic() + PATIENCE_S
            done = False
            while not done:
                heard = list(conn.notifies(timeout=0.05, stop_after=1))
                if heard:
                    last_commit = time.time()
                    if not before:
                        before = {name: sum(map(family_s, each)) for name, each in families.items()}
                elif last_commit and time.time() - last_commit > QUIET_S:
                    done = _count(conn) >= backlog.readings
                begun.memory_mb.append(max(map(resident_mb, pids)))
                if time.monotonic() > deadline:
                    raise SystemExit(f"{_count(conn)} of {backlog.readings} readings came")
            begun.processor_s = {
                name: sum(map(family_s, each)) - before[name] for name, each in families.items()
            }
        row = conn.execute(
            "SELECT extract(epoch FROM min(arrived))::float8, count(*) FROM reading"
        ).fetchone()
        assert row is not None
        assert row[1] == backlog.readings
        wait(lambda: _receipted(conn) == backlog.packs, "all packs in the ledger")
    begun.took_s = last_commit - row[0]
    return begun


def _count(conn: psycopg.Connection) -> int:
    row = conn.execute("SELECT count(*) FROM reading").fetchone()
    return int(row[0]) if row else 0


def _receipted(conn: psycopg.Connection) -> int:
    row = conn.execute("SELECT sum(upper(r) - lower(r)) FROM pack_ledger, unnest(have) AS r").fetchone()
    return int(row[0] or 0) if row else 0


def _empty(conn: psycopg.Connection) -> None:
    conn.execute("TRUNCATE reading, latest, pack_ledger, work")
    conn.execute("CHECKPOINT")


def family_s(pid: int) -> float:
    """Processor time of a process, of its children that live and of those that have ended [s]."""

    def ended_s(each: int) -> float:
        fields = Path(f"/proc/{each}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
        return (int(fields[13]) + int(fields[14])) / 100

    children = Path(f"/proc/{pid}/task/{pid}/children").read_text(encoding="ascii").split()
    return processor_s(pid) + ended_s(pid) + sum(processor_s(int(child)) for child in children)


def resident_mb(pid: int) -> float:
    """Resident memory of a process [MB]; field VmRSS of proc_pid_status(5)."""
    for line in Path(f"/proc/{pid}/status").read_text(encoding="ascii").splitlines():
        if line.startswith("VmRSS"):
            return int(line.split()[1]) * 1024 / 1e6
    return 0.0


# The database alone ---------------------------------------------------------------------------------

_COPY = "COPY staging FROM STDIN (FORMAT BINARY)"
_STAGING = (
    "CREATE TEMP TABLE staging (instrument_id integer, quantity smallint, place_id smallint, "
    "time timestamptz, value float8, arrived timestamptz) ON COMMIT DELETE ROWS"
)
_INSERT = (
    "INSERT INTO reading (instrument_id, quantity, place_id, time, value, arrived) "
    "SELECT instrument_id, quantity, place_id, time, value, arrived FROM staging ON CONFLICT DO NOTHING"
)
_TYPES = ("int4", "int2", "int2", "timestamptz", "float8", "timestamptz")


def _copy(dsn: str, backlog: Packs, at_once: int, answer: Pipe) -> None:
    with psycopg.connect(dsn, autocommit=True) as conn:
        _empty(conn)
        conn.execute(_STAGING)
        ids: dict[str, int] = dict(
            conn.execute(
                "SELECT 'hf/1/' || g.name || '/' || i.name || '/data', i.id "
                "FROM instrument i JOIN gateway g ON g.id = i.gateway_id"
            ).fetchall()
        )
        now = datetime.now(UTC)
        rows = [
            (ids[topic(gauge)], int(Quantity.PRESSURE), 1,
             datetime.fromtimestamp(time_s, UTC) + timedelta(seconds=k), value, now)
            for gauge, number, time_s in backlog.times(time.time())
            for k, value in enumerate(backlog.values(number))
        ]  # fmt: skip
        batches = [sorted(rows[first : first + at_once]) for first in range(0, len(rows), at_once)]
        begun = time.perf_counter()
        for batch in batches:
            with conn.transaction(), conn.cursor() as cursor:
                with cursor.copy(_COPY) as copy:
                    copy.set_types(_TYPES)
                    for row in batch:
                        copy.write_row(row)
                cursor.execute(_INSERT)
        answer.send(time.perf_counter() - begun)
        assert _count(conn) == backlog.readings


def drain_copy(dsn: str, backlog: Packs, at_once: int) -> float:
    """Seconds in which psycopg alone copies the same rows to a staging table and inserts them from there.

    Rows are made and sorted beforehand, and nothing else runs.
    """
    here, there = _spawn.Pipe()
    child = _spawn.Process(target=_copy, args=(dsn, backlog, at_once, there))
    child.start()
    if not here.poll(PATIENCE_S):
        raise SystemExit("the bare COPY did not end")
    took: float = here.recv()
    child.join()
    return took

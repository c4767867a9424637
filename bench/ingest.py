"""How fast a backlog is drained: the ingest process against a bare subscriber on the same broker.

Run with ``python -m bench.ingest``; it starts an embedded broker and an embedded database of its own.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import statistics
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path

import paho.mqtt.client as mqtt
import psycopg
from paho.mqtt.enums import CallbackAPIVersion

from ingest.config import BrokerConfig, IngestConfig
from ingest.service import run
from model.clock import SystemClock, to_datetime
from model.equipment import Role
from ops.embedded.broker import EmbeddedBroker
from ops.embedded.postgres import EmbeddedPostgres
from ops.embedded.users import BrokerUser
from store import equipment
from store.database import connect
from store.migrate import migrate

SERVICE, PASSWORD = "bench", "bench"
FILTERS = [("hf/1/+/+/data", 1), ("hf/1/+/presence", 1), ("hf/1/+/+/outcome", 1)]


def client(name: str, port: int) -> mqtt.Client:
    """A client with a persistent session."""
    made = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=name, clean_session=False)
    made.username_pw_set(SERVICE, PASSWORD)
    made.max_inflight_messages_set(1000)
    made.connect("127.0.0.1", port)
    return made


def subscribe_and_leave(name: str, port: int) -> None:
    """Make a session that gathers a backlog."""
    made = client(name, port)
    done = threading.Event()
    made.on_subscribe = lambda *_: done.set()
    made.loop_start()
    made.subscribe(FILTERS)
    done.wait(10)
    made.disconnect()
    made.loop_stop()


def fill(port: int, gauges: int, packs: int, size: int, numbered: bool) -> None:
    """Publish packs in turn for every gauge."""
    made = client("filler", port)
    made.loop_start()
    start = time.time() - 3600
    info = None
    for n in range(packs):
        t = start + n * size * 0.01
        records: list[dict[str, object]] = [
            {"bt": round(t, 3), "bu": "Pa", "n": "pressure", "v": 60.0 + n % 1000 / 10},
            *({"n": "pressure", "t": round(k * 0.01, 3), "v": 60.0 + k} for k in range(1, size)),
        ]
        if numbered:
            records += [{"n": "seq", "v": n // gauges}, {"n": "boot", "vs": "b"}]
        info = made.publish(f"hf/1/gw{n % gauges // 20}/g{n % gauges % 20}/data", json.dumps(records), qos=1)
    if info is not None:
        info.wait_for_publish(120)
    made.disconnect()
    made.loop_stop()


def drain_bare(name: str, port: int, packs: int) -> float:
    """Seconds in which a subscriber that does nothing gets them all."""
    made = client(name, port)
    got = 0
    done = threading.Event()

    def on_message(*_: object) -> None:
        nonlocal got
        got += 1
        if got == packs:
            done.set()

    made.on_message = on_message
    begun = time.perf_counter()
    made.loop_start()
    done.wait(300)
    took = time.perf_counter() - begun
    made.disconnect()
    made.loop_stop()
    return took


def ingest_process(dsn: str, url: str, name: str) -> None:
    """The process under test."""
    run(IngestConfig(dsn, BrokerConfig.from_url(url), client_id=name), SystemClock(), threading.Event())


def drain_ingest(dsn: str, url: str, name: str, readings: int) -> float:
    """Seconds from its first commit's begin until all are committed."""
    child = multiprocessing.get_context("spawn").Process(target=ingest_process, args=(dsn, url, name))
    child.start()
    with psycopg.connect(dsn, autocommit=True) as conn:

        def count() -> int:
            row = conn.execute("SELECT count(*) FROM reading").fetchone()
            return int(row[0]) if row else 0

        wait(lambda: count() > 0)
        begun, first = time.perf_counter(), count()
        wait(lambda: count() >= readings)
        took = time.perf_counter() - begun
        child.terminate()
        child.join()
        return took * readings / max(1, readings - first)


def wait(condition: Callable[[], bool], timeout_s: float = 300) -> None:
    """Ask every 20 ms."""
    end = time.monotonic() + timeout_s
    while not condition():
        if time.monotonic() > end:
            raise TimeoutError
        time.sleep(0.02)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--packs", type=int, default=50_000)
    parser.add_argument("--size", type=int, default=1, help="readings in a pack")
    parser.add_argument("--gauges", type=int, default=500)
    parser.add_argument("--numbered", action="store_true", help="with numbers, so that receipts are sent")
    parser.add_argument("--rounds", type=int, default=3)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="holdfast-bench-") as folder:
        postgres = EmbeddedPostgres(Path(folder) / "postgres")
        broker = EmbeddedBroker(Path(folder) / "broker", [BrokerUser.make(SERVICE, PASSWORD, service=True)])
        postgres.start()
        broker.start()
        try:
            bench(postgres.dsn, broker, options)
        finally:
            broker.stop()
            postgres.stop()


def bench(dsn: str, broker: EmbeddedBroker, options: argparse.Namespace) -> None:
    migrate(dsn)
    with connect(dsn, application="bench") as conn:
        site = equipment.add_site(conn, "Bench", "UTC")
        for g in range(-(-options.gauges // 20)):
            gateway, _ = equipment.add_gateway(conn, f"gw{g}", site.id, to_datetime(0))
            for i in range(20):
                equipment.add_instrument(conn, gateway.id, f"g{i}", Role.GAUGE)
    ratios = []
    for number in range(options.rounds):
        for name in (f"bare{number}", f"own{number}-live"):
            subscribe_and_leave(name, broker.port)
        fill(broker.port, options.gauges, options.packs, options.size, options.numbered)
        bare = options.packs / drain_bare(f"bare{number}", broker.port, options.packs)
        with psycopg.connect(dsn, autocommit=True) as conn:
            conn.execute("TRUNCATE reading, latest, pack_ledger, work")
        url = broker.url(SERVICE, PASSWORD)
        took = drain_ingest(dsn, url, f"own{number}", options.packs * options.size)
        own = options.packs / took
        ratios.append(own / bare)
        print(f"bare {bare:,.0f}/s, committed {own:,.0f}/s, ratio {own / bare:.2f}")
    print(f"median ratio {statistics.median(ratios):.2f}")


if __name__ == "__main__":
    main()

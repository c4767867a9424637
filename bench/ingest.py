"""How fast the ingest is, against what its parts can do on the same machine in the same run.

``make bench-ingest`` (``ARGS="--pairs 3"`` for fewer): a broker and a PostgreSQL of its own, both durable.

- A backlog of numbered packs is published into persistent sessions while no ingest runs; then one session is
  drained by a bare subscriber of the same MQTT library, the other by the ingest, which one first in turns.
  The ingest stores, acknowledges after the commit and sends receipts.
- Packs of twenty readings are set against a bare binary COPY of the same rows with INSERT … ON CONFLICT.
- A million readings wait: what memory the ingest takes.
- Packs come at a steady rate: how long from publishing to what another connection sees committed.
- A plot of 12 h at 1 Hz over HTTP.

The interval beside a median is of order statistics: without any assumption on the distribution it covers the
true median with at least 95 % (all values, where they are too few).
"""

from __future__ import annotations

import argparse
import contextlib
import math
import os
import statistics
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np

from bench.backlog import (
    GAUGES_A_GATEWAY,
    PASSWORD,
    USER,
    Drained,
    Packs,
    drain_bare,
    drain_copy,
    drain_ingest,
    fill,
    ingest,
    make_sessions,
    publisher,
    topic,
)
from bench.chain import chain, wait
from bench.report import Measure, above, below, write
from bench.steady import Steady
from model.clock import SystemClock, to_datetime
from model.equipment import Role
from model.reading import Quantity
from ops.embedded.broker import EmbeddedBroker
from ops.embedded.postgres import EmbeddedPostgres
from ops.embedded.users import BrokerUser
from ops.services import ingest_listens
from store import equipment, readings
from store.database import connect
from store.migrate import migrate

COPY_AT_ONCE = 20_000
"""Rows in a transaction of the bare COPY; more of them made it no faster."""
CONFIDENCE = 0.95
PLOT_HOURS, PLOT_POINTS = 12, 1000


def interval(values: Sequence[float]) -> tuple[float, float]:
    """Interval of order statistics for the median: the narrowest that covers it with `CONFIDENCE`.

    References
    ----------
    .. [1] David & Nagaraja, Order Statistics, 3rd ed., section 7.1: the binomial distribution. From memory.
    """
    ranked, n = sorted(values), len(values)
    out = 0
    while 2 * (out + 1) < n and 2 * sum(math.comb(n, k) for k in range(out + 2)) / 2**n <= 1 - CONFIDENCE:
        out += 1
    return ranked[out], ranked[-1 - out]


class Bench:
    """The services, and what was measured."""

    def __init__(self, folder: Path, dsn: str | None, gauges: int) -> None:
        self.gauges = gauges
        self.measures: dict[str, Measure] = {}
        self.more: dict[str, object] = {}
        self._own = None if dsn else EmbeddedPostgres(folder / "postgres")
        self.broker = EmbeddedBroker(folder / "broker", [BrokerUser.make(USER, PASSWORD, service=True)])
        self._dsn = dsn

    @property
    def dsn(self) -> str:
        """The database."""
        return self._dsn or (self._own.dsn if self._own else "")

    @property
    def database_pid(self) -> int | None:
        """The embedded server's process."""
        return self._own.process.pid if self._own and self._own.process else None

    @contextlib.contextmanager
    def running(self) -> Iterator[None]:
        """Start, register the gauges, assert that what is committed is on the disk, and end."""
        with contextlib.ExitStack() as farewell:
            if self._own:
                self._own.start()
                farewell.callback(self._own.stop)
            self.broker.start()
            farewell.callback(self.broker.stop)
            migrate(self.dsn)
            with connect(self.dsn, application="bench") as conn:
                for setting in ("fsync", "synchronous_commit", "full_page_writes"):
                    row = conn.execute(f"SHOW {setting}").fetchone()
                    if row is None or row[setting] != "on":
                        raise SystemExit(f"{setting} must be on")
                site = equipment.add_site(conn, "Bench", "UTC")
                for g in range(-(-self.gauges // GAUGES_A_GATEWAY)):
                    gateway, _ = equipment.add_gateway(conn, f"gw{g}", site.id, to_datetime(0))
                    for i in range(GAUGES_A_GATEWAY):
                        equipment.add_instrument(conn, gateway.id, f"g{i}", Role.GAUGE)
            make_sessions(self.broker.port)
            yield

    # What is measured -------------------------------------------------------------------------------

    def one_reading_packs(self, pairs: int, packs: int) -> None:
        """Messages drained and committed, against a bare subscriber."""
        backlog, bare, own = Packs(packs, 1, self.gauges), [], []
        for n in range(pairs):
            fill(self.broker.port, backlog)
            for which in ("bare", "own") if n % 2 == 0 else ("own", "bare"):
                if which == "bare":
                    bare.append(packs / drain_bare(self.broker.port, packs))
                else:
                    own.append(packs / self._drain(backlog).took_s)
            print(f"one-reading packs: bare {bare[-1]:,.0f}/s, ingest {own[-1]:,.0f}/s", flush=True)
        self._ratio("one-reading packs over a bare subscriber", own, bare, 0.85, "messages/s")

    def full_packs(self, pairs: int, packs: int, size: int) -> None:
        """Readings drained and committed, against a bare COPY; and the processor time that they take."""
        backlog, bare, own, spent = Packs(packs, size, self.gauges), [], [], []
        for n in range(pairs):
            fill(self.broker.port, backlog)
            self._drain_bare_too(backlog)
            for which in ("bare", "own") if n % 2 == 0 else ("own", "bare"):
                if which == "bare":
                    bare.append(backlog.readings / drain_copy(self.dsn, backlog, COPY_AT_ONCE))
                else:
                    drained = self._drain(backlog)
                    own.append(backlog.readings / drained.took_s)
                    spent.append(drained.processor_s)
            print(f"{size}-reading packs: COPY {bare[-1]:,.0f}/s, ingest {own[-1]:,.0f}/s", flush=True)
        self._ratio(f"{size}-reading packs over COPY and INSERT", own, bare, 0.7, "readings/s")
        self.more["processor time per reading, us"] = {
            name: round(statistics.median(each[name] for each in spent) / backlog.readings * 1e6, 2)
            for name in spent[0]
        }

    def memory(self, count: int) -> None:
        """Resident memory of the ingest while a backlog drains; flat: not more later than before."""
        backlog = Packs(count // 20, 20, self.gauges)
        fill(self.broker.port, backlog)
        self._drain_bare_too(backlog)
        drained = self._drain(backlog)
        samples = drained.memory_mb
        early, late = max(samples[len(samples) // 4 : len(samples) // 2]), max(samples[len(samples) // 2 :])
        self.measures[f"resident memory, {count:,} readings"] = below(max(samples), "MB", 250)
        self.measures["its second half over its second quarter"] = below(late / early, "", 1.1)

    def latency(self, rate: int, seconds: float) -> None:
        """From publishing to what another connection sees committed."""
        with ingest(self.dsn, self.broker.url(USER, PASSWORD)), publisher("steady", self.broker.port) as made:
            wait(lambda: ingest_listens(self.dsn), "the ingest to subscribe")
            steady = Steady(self.dsn, made, [topic(gauge) for gauge in range(self.gauges)], rate)
            with steady.running():
                time.sleep(seconds)
        p50, p99 = np.percentile(steady.delays_ms(), [50, 99])
        self.measures[f"publish to committed at {rate}/s: p50"] = below(float(p50), "ms", 50)
        self.measures[f"publish to committed at {rate}/s: p99"] = below(float(p99), "ms", 200)

    def _drain(self, backlog: Packs) -> Drained:
        return drain_ingest(self.dsn, self.broker, self.database_pid, backlog)

    def _drain_bare_too(self, backlog: Packs) -> None:
        """Both sessions got the backlog; only one of them is measured here."""
        drain_bare(self.broker.port, backlog.packs)

    def _ratio(self, name: str, own: list[float], bare: list[float], target: float, unit: str) -> None:
        ratios = [a / b for a, b in zip(own, bare, strict=True)]
        self.measures[name] = above(statistics.median(ratios), "", target)
        self.more[name] = {
            "unit": unit,
            **{
                key: {
                    "median": round(statistics.median(values), 3),
                    "interval": [round(each, 3) for each in interval(values)],
                    "each": [round(each, 3) for each in values],
                }
                for key, values in (("ratio", ratios), ("ingest", own), ("alone", bare))
            },
        }


def plot_ms(folder: Path, asks: int) -> list[float]:
    """How long each answer took to ask for 12 h at 1 Hz in 1,000 points."""
    with chain(folder, "") as running, contextlib.closing(running.browser()) as browser:
        now_us = SystemClock().now_us()
        rows = np.zeros(PLOT_HOURS * 3600, readings.ROW)
        with connect(running.dsn, application="bench") as conn:
            site = equipment.add_site(conn, "Bench", "UTC")
            gateway, _ = equipment.add_gateway(conn, "plot", site.id, to_datetime(now_us))
            rows["instrument_id"] = gauge = equipment.add_instrument(conn, gateway.id, "g1", Role.GAUGE).id
            rows["quantity"], rows["place_id"] = Quantity.PRESSURE, 1
            rows["time_us"] = now_us - np.arange(len(rows))[::-1] * 1_000_000
            rows["arrived_us"] = rows["time_us"]
            rows["value"] = np.random.default_rng(1).normal(60, 1, len(rows))
            readings.prepare(conn)
            readings.write(conn, readings.in_order(rows))
        url = f"/api/v1/readings?instrument={gauge}&points={PLOT_POINTS}"
        took = []
        for _ in range(asks):
            begun = time.perf_counter()
            answer = browser.get(url)
            took.append(1000 * (time.perf_counter() - begun))
            answer.raise_for_status()
            assert answer.json()["total"] == len(rows)
            assert len(answer.json()["value"]) <= PLOT_POINTS
        return took


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--pairs", type=int, default=7)
    parser.add_argument("--packs", type=int, default=60_000, help="of one reading, in a backlog")
    parser.add_argument("--full-packs", type=int, default=20_000, help="of twenty readings, in a backlog")
    parser.add_argument("--gauges", type=int, default=500)
    parser.add_argument("--memory", type=int, default=1_000_000, metavar="READINGS")
    parser.add_argument("--rate", type=int, default=500, help="packs a second for the latency")
    parser.add_argument("--seconds", type=float, default=20.0, help="of the latency's measurement")
    parser.add_argument("--asks", type=int, default=200, help="plots")
    parser.add_argument("--database", metavar="DSN", help="an empty database instead of the embedded one")
    options = parser.parse_args()
    load = round(os.getloadavg()[0], 2)
    with tempfile.TemporaryDirectory(prefix="holdfast-bench-") as name:
        bench = Bench(Path(name), options.database, options.gauges)
        with bench.running():
            bench.latency(options.rate, options.seconds)
            bench.one_reading_packs(options.pairs, options.packs)
            bench.full_packs(options.pairs, options.full_packs, 20)
            bench.memory(options.memory)
        plots = plot_ms(Path(name) / "chain", options.asks)
    p95 = float(np.percentile(plots, 95))
    bench.measures[f"plot of {PLOT_HOURS} h at 1 Hz, {PLOT_POINTS:,} points: p95"] = below(p95, "ms", 50)
    print("processor time per reading, us:", bench.more["processor time per reading, us"])
    sys.exit(0 if write("ingest", bench.measures, load_before=load, **bench.more) else 1)


if __name__ == "__main__":
    main()

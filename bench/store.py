"""What a reading costs on disk: in rows, as evidence, in TimescaleDB's columnstore; and what upkeep costs.

``make bench-store`` (``ARGS="--hours 24 --gauges 20"``): simulated gauges are pulled down and stand in a hold
at 1 Hz. Their readings are written as the ingest writes them, in two shapes: packs of twenty with whole
seconds, and packs of one with times to the millisecond. Then the day is packed as evidence and dropped, and
the same plot is asked before and after. TimescaleDB is asked with a part of the same readings: the extension
in WebAssembly that the tests use, or a server given by ``--timescale DSN``.
"""

from __future__ import annotations

import argparse
import math
import random
import shutil
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

import numpy as np
from rich.console import Console

from bench.report import Measure, write
from model.clock import US, to_datetime
from model.equipment import Role
from model.reading import Quantity
from ops.embedded.postgres import EmbeddedPostgres
from physics.units import to_pascal
from simulator.gauge import Gauge, GaugeData, in_unit
from store import equipment, evidence, jobs, layout, procedures, readings, rollups, series, setups, upkeep
from store.database import Connection, connect, one
from store.migrate import MIGRATIONS, migrate
from store.work import Span

DAY_US = 86_400 * US
BEGIN_US = 20_000 * DAY_US
"""Midnight of a day long past: it falls into one partition."""
TIMESCALE = Path(__file__).parents[1] / "tests" / "timescale"
SEED = 14
PLOTS = 15
WRITTEN_S = 30
INSERTED = 250
"""Readings in a statement: what the extension in WebAssembly takes, which knows no COPY."""
PACKS = (20, 1)
PARTITIONS = (12, 400, 2000)
YEAR_READINGS = 365 * 86_400 * 1000
"""1,000 gauges at 1 Hz."""


# Readings ---------------------------------------------------------------------------------------------


def curve(seed: int, hours: float, random_ms: bool) -> tuple[np.ndarray, np.ndarray]:
    """Times [µs] and pressures [Pa] of a gauge: pulled down for a quarter of the time, then a hold."""
    rng = random.Random(seed)
    gauge = Gauge(GaugeData(noise=rng.uniform(0.001, 0.01)), f"{seed}")
    seconds = np.arange(int(hours * 3600))
    closed_s = len(seconds) // 4
    low_pa, rise = rng.uniform(20.0, 60.0), rng.uniform(1e-5, 3e-3)
    true_pa = low_pa + 101_325.0 * np.exp(-seconds / rng.uniform(120.0, 600.0))
    true_pa += rise * np.maximum(seconds - closed_s, 0)
    shown = [gauge.read(float(pa), 0.0, 1.0).pressure_pa for pa in true_pa]
    times = seconds * US
    if random_ms:
        times = times + np.array([rng.randrange(1000) * 1000 for _ in seconds])
    sent = [math.nan if pa is None else to_pascal(in_unit(pa, "micron"), "micron") for pa in shown]
    known = ~np.isnan(sent)
    return BEGIN_US + times[known], np.array(sent)[known]


def fleet(gauges: list[int], hours: float, pack: int) -> readings.Rows:
    """Readings of all gauges; a pack arrives when its last reading was taken, and some tens of ms later."""
    rng = np.random.default_rng(SEED)
    parts = []
    for number, gauge in enumerate(gauges):
        times, values = curve(SEED + number, hours, random_ms=pack == 1)
        rows = np.zeros(len(times), readings.ROW)
        rows["instrument_id"], rows["quantity"], rows["place_id"] = gauge, Quantity.PRESSURE, 1
        rows["time_us"], rows["value"] = times, values
        last = np.minimum((np.arange(len(times)) // pack + 1) * pack, len(times)) - 1
        delays = rng.integers(15_000, 60_000, len(times))
        rows["arrived_us"] = times[last] + delays[last]
        parts.append(rows)
    return np.concatenate(parts)


def store(conn: Connection, rows: readings.Rows) -> None:
    """As the ingest does, in the order of arrival."""
    readings.prepare(conn)
    order = np.argsort(rows["arrived_us"], kind="stable")
    rows = rows[order]
    edges = np.flatnonzero(np.diff(rows["arrived_us"] // (WRITTEN_S * US))) + 1
    for batch in np.split(rows, edges):
        with conn.transaction():
            readings.write(conn, readings.in_order(batch))


def register(conn: Connection, count: int) -> list[int]:
    """Gauges, each with a closed job over the whole time."""
    with conn.transaction():
        site = equipment.add_site(conn, "Bench", "UTC")
        gateway, _ = equipment.add_gateway(conn, "bench", site.id, to_datetime(BEGIN_US), "unused")
        procedure = procedures.default(conn)
        gauges = []
        for number in range(count):
            gauge = equipment.add_instrument(conn, gateway.id, f"g{number}", Role.GAUGE, interval_s=1.0).id
            job = jobs.add(conn, f"Job {number}", site.id, procedure.id, BEGIN_US).id
            jobs.assign(conn, job, gauge, BEGIN_US, deciding=True)
            gauges.append(gauge)
        conn.execute("UPDATE job SET state = 'closed', closed_at = opened_at + interval '2 days'")
        conn.execute("UPDATE assignment SET until = since + interval '2 days'")
    return gauges


# Measuring --------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Rig:
    """A fresh database with gauges."""

    conn: Connection
    gauges: list[int]


@contextmanager
def fresh(count: int) -> Iterator[Rig]:
    """A server of our own."""
    with tempfile.TemporaryDirectory(prefix="holdfast-bench-") as folder:
        server = EmbeddedPostgres(Path(folder) / "postgres")
        server.start()
        try:
            migrate(server.dsn)
            with connect(server.dsn, application="bench", autocommit=True, statement_timeout_s=3600) as conn:
                yield Rig(conn, register(conn, count))
        finally:
            server.stop()


def timed(act: Callable[[], object], times: int = 1) -> float:
    """How long something takes, the median [s]."""
    spent = []
    for _ in range(times):
        began = time.perf_counter()
        act()
        spent.append(time.perf_counter() - began)
    return statistics.median(spent)


def size(conn: Connection, query: str) -> float:
    return float(one(conn.execute(query.encode()).fetchone())["bytes"])


def plot(rig: Rig, hours: float) -> series.Series:
    """The whole curve of a gauge in a thousand points."""
    since = to_datetime(BEGIN_US)
    span = series.Span(rig.gauges[0], Quantity.PRESSURE, since, since + timedelta(hours=hours))
    return series.read(rig.conn, span, 1000, 60.0)


def one_shape(pack: int, count: int, hours: float) -> dict[str, Measure]:
    """Sizes, and the cost of packing and dropping, for packs of so many readings."""
    name = f"packs of {pack}"
    with fresh(count) as rig:
        conn = rig.conn
        rows = fleet(rig.gauges, hours, pack)
        upkeep.tend(conn, upkeep.Rules(), BEGIN_US + DAY_US // 2)
        store(conn, rows)
        for gauge in rig.gauges:
            rollups.note(conn, [Span(gauge, int(rows["time_us"].min()), int(rows["time_us"].max()))])
        while rollups.make(conn, ahead_s=3600):
            pass
        conn.execute("DELETE FROM work")
        conn.execute("VACUUM ANALYZE")
        (part,) = [p for p in layout.parts(conn) if p.since == to_datetime(BEGIN_US)]
        heap = size(conn, f"SELECT pg_table_size('{part.name}') AS bytes") / len(rows)
        index = size(conn, f"SELECT pg_indexes_size('{part.name}') AS bytes") / len(rows)
        minutes = one(conn.execute("SELECT count(*) AS n FROM rollup_minute").fetchone())["n"]
        rollup = size(conn, "SELECT pg_total_relation_size('rollup_minute') AS bytes") / minutes
        before, before_s = plot(rig, hours), timed(lambda: plot(rig, hours), PLOTS)
        packing_s = timed(
            lambda: [evidence.pack(conn, what) for what in evidence.kept(conn, part.since, part.until)]
        )
        # Packed once, as in life: packing again leaves holes, which only what is packed next would fill.
        conn.execute("VACUUM ANALYZE evidence")
        packed = size(conn, "SELECT pg_total_relation_size('evidence') AS bytes") / len(rows)
        dropping_s = timed(lambda: upkeep.tend(conn, upkeep.Rules(keep_days=30), BEGIN_US + 90 * DAY_US))
        if plot(rig, hours) != before or layout.parts(conn)[0] == part:
            raise SystemExit("The plot from evidence differs from the plot from readings.")
        return {
            f"{name}: row, table": shown(heap, "B"),
            f"{name}: row, index": shown(index, "B"),
            f"{name}: row, all": shown(heap + index, "B"),
            f"{name}: evidence": shown(packed, "B"),
            f"{name}: rows over evidence": shown((heap + index) / packed, ""),
            f"{name}: minute rollup": shown(rollup, "B"),
            f"{name}: packed": shown(len(rows) / packing_s, "1/s"),
            f"{name}: packed anew and dropped": shown(len(rows) / dropping_s, "1/s"),
            f"{name}: plot from rows": shown(before_s * 1e3, "ms"),
            f"{name}: plot from evidence": shown(timed(lambda: plot(rig, hours), PLOTS) * 1e3, "ms"),
        }


def many_partitions(hours: float) -> dict[str, Measure]:
    """What keeping for years costs those who ask for today."""
    result = {}
    with fresh(100) as rig:
        conn = rig.conn
        rows = fleet(rig.gauges[:1], hours, 20)
        upkeep.tend(conn, upkeep.Rules(), BEGIN_US)
        store(conn, rows)
        since_us = BEGIN_US + 3600 * US
        wanted = [setups.Wanted(gauge, Span(gauge, since_us, since_us + 20 * US)) for gauge in rig.gauges]
        day = to_datetime(BEGIN_US).date() - timedelta(days=10)
        for target in PARTITIONS:
            while (have := len(layout.parts(conn))) < target:
                for _ in range(min(50, target - have)):
                    day -= timedelta(days=1)
                    with conn.transaction():
                        layout.make_partition(conn, day)
            conn.execute("ANALYZE")
            plot(rig, hours), setups.readings(conn, wanted)
            for what, act in (
                ("plot", lambda: plot(rig, hours)),
                ("readings for 100 jobs", lambda: setups.readings(conn, wanted)),
            ):
                result[f"{target} days: {what}"] = shown(timed(act, PLOTS) * 1e3, "ms")
    return result


def shown(value: float, unit: str) -> Measure:
    return Measure(round(value, 2), unit, "shown", True)


# TimescaleDB ------------------------------------------------------------------------------------------

STATS = """
SELECT sum(before_compression_total_bytes) AS before, sum(after_compression_total_bytes) AS after
FROM chunk_columnstore_stats('reading')
"""


@contextmanager
def in_webassembly() -> Iterator[str | None]:
    """The connection string of the tests' TimescaleDB; None where it is not installed."""
    node = shutil.which("node")
    if node is None or not (TIMESCALE / "node_modules").is_dir():
        yield None
        return
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    command = [node, str(TIMESCALE / "server.mjs"), str(port)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as server:
        try:
            assert server.stdout is not None
            if server.stdout.readline().strip() != "ready":
                raise SystemExit("TimescaleDB in WebAssembly did not start.")
            yield f"host=127.0.0.1 port={port} user=postgres password=x dbname=postgres sslmode=disable"
        finally:
            server.kill()


def timescale(dsn: str, pack: int, hours: float) -> dict[str, Measure]:
    """Bytes per reading in chunks, before and after they are compressed."""
    with connect(dsn, application="bench", autocommit=True, statement_timeout_s=3600) as conn:
        conn.execute("DROP SCHEMA IF EXISTS holdfast_bench CASCADE")
        conn.execute("CREATE SCHEMA holdfast_bench")
        conn.execute("CREATE EXTENSION IF NOT EXISTS timescaledb")
        conn.execute("SET search_path = holdfast_bench, public")
        for path in sorted((MIGRATIONS / "versions").glob("*.sql")):
            with conn.transaction():
                conn.execute(path.read_bytes())
        if layout.ensure_layout(conn) != layout.HYPERTABLE or not layout.has_columnstore(conn):
            print("No columnstore in this TimescaleDB: it is not measured.")
            return {}
        rows = fleet([1, 2, 3], hours, pack)
        for batch in np.array_split(
            rows[np.argsort(rows["arrived_us"], kind="stable")], max(len(rows) // INSERTED, 1)
        ):
            conn.execute(
                "INSERT INTO reading (instrument_id, quantity, place_id, time, value, arrived) "
                "SELECT i, 1, 1, to_timestamp(t / 1e6), v, to_timestamp(a / 1e6) "
                "FROM unnest(%s::int[], %s::bigint[], %s::float8[], %s::bigint[]) AS r (i, t, v, a)",
                [batch[name].tolist() for name in ("instrument_id", "time_us", "value", "arrived_us")],
            )
        upkeep.tend(conn, upkeep.Rules(), BEGIN_US + 30 * DAY_US)
        found = one(conn.execute(STATS).fetchone())
        before, after = float(found["before"]) / len(rows), float(found["after"]) / len(rows)
    return {
        f"TimescaleDB, packs of {pack}: rows": shown(before, "B"),
        f"TimescaleDB, packs of {pack}: columnstore": shown(after, "B"),
    }


def in_a_year(measures: dict[str, Measure]) -> dict[str, Measure]:
    """Terabytes of 1,000 gauges at 1 Hz."""
    result = {}
    for name, measure in measures.items():
        if name.endswith((": row, all", ": evidence", ": columnstore")):
            result[f"a year of 1,000 gauges, {name}"] = shown(measure.value * YEAR_READINGS / 1e12, "TB")
    return result


def main() -> None:
    """Run and write ``bench/results/store.json``."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--gauges", type=int, default=10)
    parser.add_argument("--hours", type=float, default=12.0)
    parser.add_argument(
        "--timescale", metavar="DSN", help="a server with TimescaleDB, for a schema of its own"
    )
    chosen = parser.parse_args()
    console = Console(stderr=True)
    measures: dict[str, Measure] = {}
    for pack in PACKS:
        console.print(f"{chosen.gauges} gauges for {chosen.hours:g} h in packs of {pack}")
        measures |= one_shape(pack, chosen.gauges, chosen.hours)
    console.print("many partitions")
    measures |= many_partitions(chosen.hours)
    for pack in PACKS:
        console.print(f"TimescaleDB, packs of {pack}")
        with in_webassembly() as embedded:
            if dsn := chosen.timescale or embedded:
                measures |= timescale(dsn, pack, chosen.hours)
            else:
                print("TimescaleDB for tests is not installed: it is not measured.")
    measures |= in_a_year(measures)
    sys.exit(0 if write("store", measures, timescale=chosen.timescale is not None or "WebAssembly") else 1)


if __name__ == "__main__":
    main()

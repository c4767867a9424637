"""How many running series one core keeps judged, and whether a long hold costs more than a short one.

``make bench-worker`` (``ARGS="--series 500"``): so many jobs stand in a hold, with their gauge and what their
valve reported, on an embedded PostgreSQL. In each round every gauge brings a batch of ten readings, as at
1 Hz every 10 s, written as the ingest writes them; then the worker judges until nothing is left to do.
Counted is the processor time of the worker and of its database session, and the time that passed. The holds
of one fleet are an hour old, those of another twelve; a third fleet pulls down since ten minutes, when
estimates are due oftenest. The rounds of the three take turns.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from rich.console import Console
from rich.progress import Progress, TaskID
from rich.table import Table

from analytics.worker.config import AnalyseConfig
from analytics.worker.judge import Worker
from bench.chain import processor_s
from bench.report import Measure, write
from model.clock import US, HandClock, SystemClock, to_datetime
from model.equipment import Role
from model.reading import Quantity, Valve
from ops.services import DatabaseService
from store import equipment, jobs, procedures, readings
from store.database import Connection, connect, one
from store.migrate import migrate

TARGET = 5000
BATCH = 10
ROUNDS = 12
AGES_H = (1, 12)
PULLING_H = 1 / 6
FALL_S = 180.0
"""The pressure of a pull-down falls by e in this time: not at the target before the rounds end."""
PAST_INTERVAL_S = 10
PLANNED_H = 24
NOISE = 0.01
SEED = 20
CHUNK_H = 1.0
ATMOSPHERE_PA = 101_325.0
PULLING = "SELECT count(*) AS n FROM phase WHERE kind = 'pull-down' AND ended_at IS NULL"
ESTIMATED = "SELECT count(*) AS n FROM pull_down"
RUNNING = "SELECT count(*) AS n FROM hold_test WHERE verdict = 'running'"


@dataclass
class Fleet:
    """Jobs whose holds, or pull-downs, began together. Pressures [Pa], times [µs]."""

    name: str
    gauges: list[int]
    valves: list[int]
    begun_us: int
    pulling: bool
    level: np.ndarray
    rise: np.ndarray
    """[Pa/h]"""
    spent: list[tuple[float, float]] = field(default_factory=list)
    """Of each round: processor time a series, and time that passed [s]."""

    def pressures(self, times_us: np.ndarray) -> np.ndarray:
        """Without noise, a row a gauge."""
        seconds = np.maximum((times_us - self.begun_us) / US, 0.0)
        if self.pulling:
            return self.level[:, None] + ATMOSPHERE_PA * np.exp(-seconds / FALL_S)
        return self.level[:, None] + self.rise[:, None] * seconds / 3600


@dataclass(frozen=True, slots=True)
class Rig:
    """The database, the worker, and who writes beside it."""

    conn: Connection
    writer: Connection
    worker: Worker
    clock: HandClock
    backend: int
    random: np.random.Generator

    def settle(self) -> None:
        """Judge until nothing is left to do."""
        while True:
            done = self.worker.step(self.conn, self.worker.config.at_once)
            if not done.instruments and not done.jobs:
                return

    def processor_s(self) -> float:
        """Spent so far by this process and by the worker's session."""
        return time.process_time() + processor_s(self.backend)

    def publish(self, fleet: Fleet, times_us: np.ndarray) -> None:
        """Readings of every gauge at these moments, arriving at the last of them."""
        values = fleet.pressures(times_us)
        values = values * (1.0 + NOISE * self.random.standard_normal(values.shape))
        rows = np.zeros(values.size, readings.ROW)
        rows["instrument_id"] = np.repeat(fleet.gauges, len(times_us))
        rows["quantity"] = Quantity.PRESSURE
        rows["place_id"] = 1
        rows["time_us"] = np.tile(times_us, len(fleet.gauges))
        rows["value"] = values.ravel()
        rows["arrived_us"] = times_us[-1]
        self.store(rows)
        self.clock.us = int(times_us[-1])

    def store(self, rows: readings.Rows) -> None:
        """As the ingest does."""
        with self.writer.transaction():
            readings.write(self.writer, readings.in_order(rows))


def begin(rig: Rig, name: str, count: int, begun_us: int, *, pulling: bool = False) -> Fleet:
    """Register jobs, let their valves report open, and closed where they hold."""
    before_us = begun_us if pulling else begun_us - 1800 * US
    with rig.writer.transaction():
        site = equipment.add_site(rig.writer, name, "UTC")
        gateway, _ = equipment.add_gateway(
            rig.writer, name.lower().replace(" ", "-"), site.id, to_datetime(begun_us), "unused"
        )
        procedure = replace(procedures.default(rig.writer), name=name, hold_s=PLANNED_H * 3600.0)
        chosen = procedures.add(rig.writer, procedure).id
        gauges, valves = [], []
        for number in range(count):
            job = jobs.add(rig.writer, f"{name} {number}", site.id, chosen, begun_us - 7200 * US).id
            gauge = equipment.add_instrument(rig.writer, gateway.id, f"g{number}", Role.GAUGE, interval_s=1.0)
            valve = equipment.add_instrument(rig.writer, gateway.id, f"v{number}", Role.VALVE)
            jobs.assign(rig.writer, job, gauge.id, begun_us - 7200 * US, deciding=True)
            jobs.assign(rig.writer, job, valve.id, begun_us - 7200 * US)
            gauges.append(gauge.id)
            valves.append(valve.id)
    level, rise = rig.random.uniform(20.0, 40.0, count), rig.random.uniform(0.05, 0.5, count)
    fleet = Fleet(name, gauges, valves, begun_us, pulling, level, rise)
    reports = [(before_us, Valve.OPEN)] if pulling else [(before_us, Valve.OPEN), (begun_us, Valve.CLOSED)]
    rows = np.zeros(len(reports) * count, readings.ROW)
    rows["instrument_id"] = np.repeat(valves, len(reports))
    rows["quantity"] = Quantity.VALVE
    rows["place_id"] = 1
    rows["time_us"] = np.tile([at for at, _ in reports], count)
    rows["value"] = np.tile([said for _, said in reports], count)
    rows["arrived_us"] = rows["time_us"]
    rig.store(rows)
    return fleet


def grow_old(rig: Rig, fleet: Fleet, hours: float, progress: Progress, task: TaskID) -> None:
    """What the gauges brought until now, of a hold from half an hour before it, judged on the way."""
    start = fleet.begun_us - (0 if fleet.pulling else 1800 * US)
    steps = np.arange(start, fleet.begun_us + int(hours * 3600) * US, PAST_INTERVAL_S * US)
    for chunk in np.array_split(steps, max(round(len(steps) * PAST_INTERVAL_S / (CHUNK_H * 3600)), 1)):
        rig.publish(fleet, chunk)
        rig.settle()
        progress.advance(task)


def one_round(rig: Rig, fleet: Fleet, start_us: int) -> None:
    """A batch for each, and its judgement, which alone is timed."""
    rig.publish(fleet, start_us + np.arange(1, BATCH + 1) * US)
    processor, passed = rig.processor_s(), time.monotonic()
    rig.settle()
    count = len(fleet.gauges)
    fleet.spent.append(((rig.processor_s() - processor) / count, (time.monotonic() - passed) / count))


def measure(rig: Rig, series: int, now_us: int) -> list[Fleet]:
    """Holds, by their age, and pull-downs."""
    fleets = []
    ages: list[tuple[str, float]] = [(f"holds {age} h old", age) for age in AGES_H]
    ages.append((f"pull-downs {PULLING_H * 60:.0f} min old", PULLING_H))
    with Progress() as progress:
        task = progress.add_task("series growing old, then rounds", total=sum(AGES_H) + 1 + ROUNDS)
        for name, age in ages:
            begun_us = now_us - round(age * 3600) * US
            fleets.append(begin(rig, name, series, begun_us, pulling=age == PULLING_H))
            grow_old(rig, fleets[-1], age, progress, task)
        for number in range(ROUNDS):
            for fleet in fleets:
                one_round(rig, fleet, now_us + number * BATCH * US)
            progress.advance(task)
    for query, meant in ((RUNNING, len(AGES_H) * series), (PULLING, series), (ESTIMATED, series)):
        found = one(rig.conn.execute(query).fetchone())["n"]
        if found != meant:
            raise SystemExit(f"{found}, not {meant}: what was timed is not what was meant ({query})")
    return fleets


def medians(fleet: Fleet) -> tuple[float, float]:
    """Processor time and time passed, a series and batch [s]."""
    processor, passed = zip(*fleet.spent, strict=True)
    return statistics.median(processor), statistics.median(passed)


def measures(fleets: Sequence[Fleet]) -> dict[str, Measure]:
    """For the results file."""
    found: dict[str, Measure] = {}
    for fleet in fleets:
        processor, passed = medians(fleet)
        kept = round(BATCH / processor)
        found[f"series kept up, {fleet.name}"] = Measure(kept, "", f">= {TARGET}", kept >= TARGET)
        for what, spent in (("processor", processor), ("passed", passed)):
            name = f"a series and batch, {fleet.name}: {what}"
            found[name] = Measure(round(spent * 1e3, 4), "ms", "shown", True)
    short, long = (medians(fleet)[0] for fleet in fleets[: len(AGES_H)])
    ratio = round(long / short, 3)
    found[f"{AGES_H[1]} h over {AGES_H[0]} h"] = Measure(ratio, "", "<= 1.1", ratio <= 1.1)
    return found


def table(fleets: Sequence[Fleet], series: int) -> Table:
    """The rounds, for people."""
    shown = Table(title=f"Processor time a series and batch of {BATCH} readings [ms], {series} series")
    shown.add_column("series")
    for column in ("min", "median", "max"):
        shown.add_column(column, justify="right")
    for fleet in fleets:
        spent: Sequence[float] = [1e3 * processor for processor, _ in fleet.spent]
        shown.add_row(fleet.name, *(f"{pick(spent):.3f}" for pick in (min, statistics.median, max)))
    return shown


def main() -> None:
    """Measure and write."""
    options = argparse.ArgumentParser(description="Running series that one core keeps judged.")
    options.add_argument("--series", type=int, default=500)
    series = options.parse_args().series
    now_us = SystemClock().now_us() // (60 * US) * 60 * US
    clock = HandClock(now_us)
    with tempfile.TemporaryDirectory(prefix="holdfast-bench-") as folder:
        database = DatabaseService(Path(folder))
        database.server.start()
        try:
            dsn = database.server.dsn
            migrate(dsn)
            with (
                connect(dsn, application="bench-worker", autocommit=True) as conn,
                connect(dsn, application="bench-writer", autocommit=True) as writer,
            ):
                readings.prepare(writer)
                worker = Worker(AnalyseConfig(dsn=dsn, transit_s=0.0), clock)
                random = np.random.default_rng(SEED)
                rig = Rig(conn, writer, worker, clock, conn.info.backend_pid, random)
                fleets = measure(rig, series, now_us)
        finally:
            database.server.stop()
    Console().print(table(fleets, series))
    sys.exit(0 if write("worker", measures(fleets)) else 1)


if __name__ == "__main__":
    main()

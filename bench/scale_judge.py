"""How much more several analytics processes judge than one, and whether a hot series holds the others up.

So many holds run. In each round every gauge brings a batch of ten readings, as the ingest writes them, in one
transaction; then the processes judge until no work is left. In the hot rounds one gauge, each time another,
brings twenty thousand readings of the last hour besides, so that its job is judged anew from there. A series
counts as judged when its work is gone.
"""

from __future__ import annotations

import contextlib
import itertools
import multiprocessing
import signal
import statistics
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from rich.progress import Progress

from analytics.worker.config import AnalyseConfig
from analytics.worker.judge import Worker
from analytics.worker.service import run
from bench.backlog import family_s
from bench.chain import wait
from bench.report import Measure
from bench.worker import BATCH, NOISE, SEED, Fleet, Rig, begin, grow_old
from model.clock import US, HandClock, SystemClock
from model.reading import Quantity
from ops.services import DatabaseService
from store import beats, readings
from store.database import Connection, connect, one
from store.migrate import migrate

PROCESSES = (1, 2, 4)
HOT = 20_000
"""Readings of the past that the hot gauge brings in a round."""
AGE_H = 1.0
ROOM_S = 1800
"""So long ago [s] is the first round: none shall be ahead of the processes' clock."""
LOOK_S = 0.01

_spawn = multiprocessing.get_context("spawn")


@dataclass(slots=True)
class Round:
    """Seconds from the commit of the readings to the end of each series' work, but for the hot one's."""

    judged_s: list[float] = field(default_factory=list)
    hot_s: float = 0.0
    processor_s: float = 0.0
    """Of all processes and the database."""


def measure(folder: Path, series: int, rounds: int) -> dict[str, object]:
    """Rounds without and with a hot gauge, for each number of processes."""
    database = DatabaseService(folder)
    database.server.start()
    found: dict[str, object] = {}
    try:
        dsn = database.server.dsn
        migrate(dsn)
        now_us = SystemClock().now_us() - ROOM_S * US
        clock = HandClock(now_us)
        with (
            connect(dsn, application="bench-worker", autocommit=True) as conn,
            connect(dsn, application="bench-writer", autocommit=True) as writer,
        ):
            readings.prepare(writer)
            worker = Worker(AnalyseConfig(dsn=dsn, transit_s=0.0), clock)
            rig = Rig(conn, writer, worker, clock, conn.info.backend_pid, np.random.default_rng(SEED))
            with Progress() as progress:
                task = progress.add_task("holds growing old", total=round(AGE_H) + 1)
                fleet = begin(rig, "Bench", series, now_us - round(AGE_H * 3600) * US)
                grow_old(rig, fleet, AGE_H, progress, task)
            at_us, numbers = now_us, itertools.count()
            for count in PROCESSES:
                with _workers(dsn, count) as pids:
                    _wait_for(conn, count)
                    pids.append(database.server.process.pid if database.server.process else 0)
                    at_us = _publish(rig, fleet, at_us, None)
                    _watch(conn, fleet, pids, None)  # so that all have the states in memory
                    before = _judged(conn)
                    plain: list[Round] = []
                    hot: list[Round] = []
                    for _ in range(rounds):
                        at_us = _publish(rig, fleet, at_us, None)
                        plain.append(_watch(conn, fleet, pids, None))
                        number = next(numbers)
                        at_us = _publish(rig, fleet, at_us, number)
                        hot.append(_watch(conn, fleet, pids, number))
                    shares = _shares(conn, before)
                found[str(count)] = _summed(plain, hot, shares, series)
                print(f"{count} processes: {found[str(count)]}", flush=True)
    finally:
        database.server.stop()
    return found


def _publish(rig: Rig, fleet: Fleet, at_us: int, hot: int | None) -> int:
    """A batch of every gauge, and of one a stored hour; returns the time of the last."""
    times_us = at_us + np.arange(1, BATCH + 1) * US
    if hot is not None:
        rows = np.zeros(HOT, readings.ROW)
        rows["instrument_id"] = fleet.gauges[hot]
        rows["quantity"], rows["place_id"] = Quantity.PRESSURE, 1
        rows["time_us"] = np.linspace(at_us - 3600 * US, at_us - 1, HOT).astype(np.int64)
        rows["value"] = fleet.level[hot] * (1 + NOISE * rig.random.standard_normal(HOT))
        rows["arrived_us"] = times_us[-1]
        rig.store(rows)
    rig.publish(fleet, times_us)
    return int(times_us[-1])


def _watch(conn: Connection, fleet: Fleet, pids: list[int], hot: int | None) -> Round:
    """When each series' work is gone."""
    began, spent = time.monotonic(), sum(map(family_s, pids))
    waiting, seen = set(fleet.gauges), Round()
    while waiting:
        rows = conn.execute("SELECT DISTINCT instrument_id AS id FROM work").fetchall()
        now_s = time.monotonic() - began
        left = waiting & {row["id"] for row in rows}
        for gauge in waiting - left:
            if hot is not None and gauge == fleet.gauges[hot]:
                seen.hot_s = now_s
            else:
                seen.judged_s.append(now_s)
        waiting = left
        time.sleep(LOOK_S)
    seen.processor_s = sum(map(family_s, pids)) - spent
    return seen


def _wait_for(conn: Connection, count: int) -> None:
    wait(lambda: len(_judged(conn)) == count, "the processes")


def _judge(config: AnalyseConfig) -> None:
    stop = threading.Event()
    signal.signal(signal.SIGTERM, lambda *_: stop.set())
    run(config, SystemClock(), stop)


@contextlib.contextmanager
def _workers(dsn: str, count: int) -> Iterator[list[int]]:
    # Readings of half an hour ago are no silence here.
    config = AnalyseConfig(dsn=dsn, transit_s=0.0, silence_s=1e6)
    children = [_spawn.Process(target=_judge, args=(config,)) for _ in range(count)]
    for child in children:
        child.start()
    try:
        yield [child.pid for child in children if child.pid is not None]
    finally:
        for child in children:
            child.terminate()
        for child in children:
            child.join()


def _judged(conn: Connection) -> dict[str, int]:
    """Judgements of each process so far."""
    return {
        name: int(str(detail["judged"]))
        for process, name, _, detail in beats.all_instances(conn)
        if process == "analyse"
    }


def _shares(conn: Connection, before: dict[str, int]) -> list[float]:
    """What part of the judgements each process made; told every two seconds."""
    stamp = one(conn.execute("SELECT clock_timestamp() AS at").fetchone())["at"]
    fresh = "SELECT count(*) AS n FROM beat WHERE process = 'analyse' AND at > %s"
    wait(lambda: one(conn.execute(fresh, (stamp,)).fetchone())["n"] == len(before), "beats")
    done = [count - before[name] for name, count in _judged(conn).items()]
    return sorted(round(each / sum(done), 2) for each in done)


def _summed(plain: list[Round], hot: list[Round], shares: list[float], series: int) -> dict[str, object]:
    def middle(values: list[float]) -> float:
        return round(statistics.median(values), 3)

    return {
        "judged, series/s": round(series / middle([max(each.judged_s) for each in plain])),
        "processor time a series and batch, ms": middle([1000 * each.processor_s / series for each in plain]),
        "p50 of a series, s": middle([float(np.percentile(each.judged_s, 50)) for each in plain]),
        "p99 of a series, s": middle([float(np.percentile(each.judged_s, 99)) for each in plain]),
        "p50 beside a hot one, s": middle([float(np.percentile(each.judged_s, 50)) for each in hot]),
        "p99 beside a hot one, s": middle([float(np.percentile(each.judged_s, 99)) for each in hot]),
        "the hot one, s": middle([each.hot_s for each in hot]),
        "shares of the processes": shares,
    }


def measures(found: dict[str, object]) -> dict[str, Measure]:
    """For the results file."""
    table = {}
    for count, each in found.items():
        assert isinstance(each, dict)
        for name, value in each.items():
            if isinstance(value, int | float):
                what, unit = name.rsplit(", ", 1) if ", " in name else (name, "")
                table[f"{count} analytics: {what}"] = Measure(value, unit, "shown", True)
    return table

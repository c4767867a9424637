"""Gateways that were offline all night send everything at once: ``make bench-late``.

The whole chain runs, with 500 live gauges, each with a job, at a reading a second. Fifty more gateways pump
down, close their valves and go offline two minutes into the hold; what they had sent is judged without the
rest. Then they come back, and each sends 43,200 readings of twelve hours on ``late`` (``ARGS="--readings
5000"`` for fewer). In half of the circuits the pressure had risen over the limit. What is measured: how long
a live reading takes from publishing to what another connection sees committed, without and with the flood;
how long the flood takes until it is stored and until its holds are judged; the memory of ingest; and that
each hold has the verdict of its readings, with the alerts that come of it marked as late.
"""

from __future__ import annotations

import argparse
import json
import math
import multiprocessing
import os
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from bench.backlog import publisher, resident_mb
from bench.chain import Chain, add_job, chain, register, valve_of, wait
from bench.report import Measure, below, write
from bench.steady import Steady
from model.clock import US, SystemClock, to_datetime
from ops.installation import SERVICE_USER
from store import equipment, procedures
from store.database import connect

RATE = 500
PACK = 600
"""Readings in a stored pack: ten minutes."""
BEFORE_S, HELD_S = 1800, 120
"""How long before they went offline the gateways began to measure, and closed their valves."""
RISE_AFTER_S, RISE_S = 900, 600
"""When a leak begins to show, and how long it takes from the pumped pressure to the leaked one."""
PUMPED_PA, LEAKED_PA = 50.0, 2000.0
TARGET_MS, MEMORY_MB = 1000.0, 250.0
PATIENCE_S = 900.0

VERDICTS = """
    SELECT job.id, hold_test.verdict FROM job LEFT JOIN hold_test ON hold_test.job_id = job.id
    WHERE job.id = ANY(%s) ORDER BY job.id, hold_test.id
"""
LATE_ALERTS = """
    SELECT count(DISTINCT job_id) AS n FROM alert
    WHERE job_id = ANY(%s) AND kind = 'hold-failed' AND text LIKE '%% Late: known %%'
"""

_spawn = multiprocessing.get_context("spawn")


@dataclass(slots=True)
class Night:
    """The gateways that were offline.

    Parameters
    ----------
    gone_s : float
        When they went offline [s].
    jobs : dict
        Number of each one's job.
    """

    gone_s: float
    readings: int
    jobs: dict[str, int] = field(default_factory=dict)

    def leaks(self, gateway: str) -> bool:
        """Whether the pressure in its circuit rose."""
        return list(self.jobs).index(gateway) % 2 == 0

    def packs(self, gateway: str, first_s: int, end_s: int) -> list[bytes]:
        """Its gauge's packs of some seconds, counted from the going offline."""
        leaks = self.leaks(gateway)
        return [
            pack(
                self.gone_s + at,
                [pressure_pa(k, leaks) for k in range(at, min(at + PACK, end_s))],
                (at + BEFORE_S) // PACK,
            )
            for at in range(first_s, end_s, PACK)
        ]


def pressure_pa(second: int, leaks: bool) -> float:
    """The curve: pumped down, tight, and where it leaks a rise."""
    pumped = PUMPED_PA + 100_000 * math.exp(-(second + BEFORE_S) / 60)
    share = min(max((second - RISE_AFTER_S) / RISE_S, 0.0), 1.0) if leaks else 0.0
    return round(pumped + share * (LEAKED_PA - PUMPED_PA), 2)


def pack(begin_s: float, values: list[float], number: int) -> bytes:
    """Stored readings as a gateway writes them."""
    first, *others = values
    records = [
        {"bt": begin_s, "bu": "Pa", "n": "pressure", "v": first},
        *({"n": "pressure", "t": k, "v": value} for k, value in enumerate(others, 1)),
        {"n": "seq", "v": number},
        {"n": "boot", "vs": "night"},
    ]
    return json.dumps(records, separators=(",", ":")).encode()


def valve(begin_s: float, closed_s: float) -> bytes:
    """The valve's reports: open, then closed."""
    return json.dumps(
        [{"n": "valve", "vs": "open", "t": begin_s}, {"n": "valve", "vs": "closed", "t": closed_s}]
    ).encode()


def add_night(running: Chain, count: int, readings: int) -> Night:
    """Register the gateways, each with a gauge, a valve and a job."""
    now_us = SystemClock().now_us()
    night = Night(float(now_us // US - readings - 60), readings)
    begin_us = round((night.gone_s - BEFORE_S) * US)
    with connect(running.dsn, application="bench") as conn:
        site = equipment.add_site(conn, "Night", "UTC")
        procedure = procedures.default(conn)
        for number in range(count):
            gateway, _ = equipment.add_gateway(conn, f"night-{number}", site.id, to_datetime(begin_us))
            night.jobs[gateway.name] = add_job(
                conn, gateway.id, site.id, procedure.id, "g1", 1.0, begin_us - US
            )
    return night


def send(port: int, login: tuple[str, str], night: Night, first_s: int, end_s: int) -> None:
    """Publish packs of some seconds, gateway after gateway in turn, and wait until the broker has them."""
    with publisher(f"night{first_s}", port, login) as made:
        if first_s < 0:
            reports = valve(night.gone_s + first_s, night.gone_s - HELD_S)
            for gateway in night.jobs:
                made.publish(f"hf/1/{gateway}/{valve_of('g1')}/late", reports, qos=1)
        queues = {gateway: night.packs(gateway, first_s, end_s) for gateway in night.jobs}
        for turn in zip(*queues.values(), strict=True):
            for gateway, payload in zip(queues, turn, strict=True):
                info = made.publish(f"hf/1/{gateway}/g1/late", payload, qos=1)
        info.wait_for_publish(PATIENCE_S)


class Bench:
    """The chain, what was measured, and the questions to the database."""

    def __init__(self, running: Chain, night: Night) -> None:
        self.running = running
        self.night = night
        self.login = (SERVICE_USER, running.broker.password)
        self.port = running.broker.server.port
        self.ids = list(night.jobs.values())
        self.stored_at_s = math.inf
        """When all of it was stored, on the wall clock [s]."""

    def ask(self, query: str) -> list[tuple[object, ...]]:
        """Rows of a query about the night's jobs."""
        with connect(self.running.dsn, application="bench") as conn:
            return [tuple(row.values()) for row in conn.execute(query.encode(), (self.ids,))]

    def verdicts(self) -> dict[str, object]:
        """By gateway the verdict of its job's last hold."""
        last = {row[0]: row[1] for row in self.ask(VERDICTS)}
        return {gateway: last.get(job) for gateway, job in self.night.jobs.items()}

    def right(self) -> int:
        """How many holds have the verdict of their readings."""
        return sum(
            verdict == ("failed" if self.night.leaks(gateway) else "passed")
            for gateway, verdict in self.verdicts().items()
        )

    def packs(self) -> int:
        """How many of the gauges' packs are stored."""
        rows = self.ask(
            "SELECT coalesce(sum(upper(r) - lower(r)), 0) FROM assignment "
            "JOIN pack_ledger USING (instrument_id), unnest(have) AS r WHERE job_id = ANY(%s)"
        )
        return int(str(rows[0][0]))

    def begin_night(self) -> None:
        """Let the gateways send what they measured before they went offline, and have it judged."""
        send(self.port, self.login, self.night, -BEFORE_S, 0)
        wait(lambda: all(self.verdicts().values()), "a hold of each night's job", PATIENCE_S)

    def flood(self, memory_mb: list[float]) -> tuple[float, float]:
        """Let them send the night; seconds until it is stored, and until the holds are judged anew."""
        stored = self.packs()
        end_s = self.night.readings
        child = _spawn.Process(target=send, args=(self.port, self.login, self.night, 0, end_s))
        child.start()
        wanted = stored + len(self.ids) * -(-end_s // PACK)
        wait(lambda: self.packs() > stored, "the flood to begin", PATIENCE_S)
        begun = time.monotonic()

        def drained() -> bool:
            memory_mb.append(resident_mb(self.running.rooms["ingest"]))
            return self.packs() >= wanted

        wait(drained, "the flood to be stored", PATIENCE_S)
        stored_s = time.monotonic() - begun
        self.stored_at_s = time.time()
        print(f"stored after {stored_s:.1f} s", flush=True)
        child.join()
        wait(lambda: self.right() == len(self.ids), "each hold to be judged anew", PATIENCE_S)
        return stored_s, time.monotonic() - begun

    def late_alerts(self) -> int:
        """How many jobs have an alert of a failed hold that is marked as late."""
        return int(str(self.ask(LATE_ALERTS)[0][0]))


def measure(folder: Path, options: argparse.Namespace) -> tuple[dict[str, Measure], dict[str, object]]:
    """The night, and the morning after."""
    memory_mb: list[float] = []
    with chain(folder, "") as running:
        fleet = register(running, options.gauges, interval_s=1.0)
        topics = [
            f"hf/1/{gateway}/{gauge}/data" for gateway, names in fleet.gauges.items() for gauge in names
        ]
        bench = Bench(running, add_night(running, options.gateways, options.readings))
        gateways, leaking = len(bench.ids), sum(map(bench.night.leaks, bench.night.jobs))
        with publisher("steady", bench.port, bench.login) as made:
            bench.begin_night()
            before = bench.verdicts()
            print("before the readings came:", dict(Counter(map(str, before.values()))), flush=True)
            alone = Steady(running.dsn, made, topics, RATE)
            with alone.running():
                time.sleep(options.seconds)
            beside = Steady(running.dsn, made, topics, RATE, alone.next)
            with beside.running():
                stored_s, judged_s = bench.flood(memory_mb)
                wait(lambda: bench.late_alerts() >= leaking, "alerts that are marked as late", PATIENCE_S)
        after = bench.verdicts()
        marked = bench.late_alerts()
    count = options.gateways * options.readings
    changed = sum(before[gateway] != verdict for gateway, verdict in after.items())
    (quiet50, quiet99), (p50, p99), (judged50, judged99) = (
        [float(each) for each in np.percentile(delays, [50, 99])]
        for delays in (alone.delays_ms(), beside.delays_ms(bench.stored_at_s), beside.delays_ms())
    )
    table = {
        "live readings alone: p99": below(quiet99, "ms", TARGET_MS),
        "live readings while the flood is stored: p99": below(p99, "ms", TARGET_MS),
        "live readings until the holds are judged: p99": below(judged99, "ms", TARGET_MS),
        "resident memory of ingest at most": below(max(memory_mb), "MB", MEMORY_MB),
        "stored after": Measure(round(stored_s, 1), "s", "told", True),
        "judged anew after": Measure(round(judged_s, 1), "s", "told", True),
        "holds whose verdict the readings changed": Measure(changed, "", f"{gateways}", changed == gateways),
        "alerts of failed holds marked as late": Measure(marked, "", f"{leaking}", marked == leaking),
    }
    more = {
        "p50 [ms]": {
            "alone": round(quiet50, 1),
            "while the flood is stored": round(p50, 1),
            "until the holds are judged": round(judged50, 1),
        },
        "readings of the flood": count,
        "readings/s stored": round(count / stored_s),
    }
    return table, more


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--gateways", type=int, default=50)
    parser.add_argument("--readings", type=int, default=43_200, help="of each gateway, one a second")
    parser.add_argument("--gauges", type=int, default=RATE, help="that are live")
    parser.add_argument("--seconds", type=float, default=20.0, help="of the live readings alone")
    options = parser.parse_args()
    load = round(os.getloadavg()[0], 2)
    with tempfile.TemporaryDirectory(prefix="holdfast-bench-") as name:
        table, more = measure(Path(name), options)
    sys.exit(0 if write("late", table, load_before=load, **more) else 1)


if __name__ == "__main__":
    main()

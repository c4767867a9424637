"""A small installation on a real database: one site, gauges, valves, curves to publish, and a worker to
step."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from analytics.worker.config import AnalyseConfig
from analytics.worker.judge import Worker
from model.clock import US, HandClock, to_datetime
from model.equipment import Instrument, Position, Role
from model.job import Job, JobState
from model.judgement import Fact, HoldTest, Phase
from model.reading import Quantity, Valve
from store import equipment, jobs, judgement, procedures, readings
from store.database import Connection, connect
from store.events import of_job
from store.readings import ROW

T0_US = 1_790_000_000 * US
"""When the tests' evacuations begin: far from any partition's edge or not is of no matter."""

ATMOSPHERE_PA = 101_325.0


@dataclass(frozen=True, slots=True, order=True)
class Line:
    """A reading to publish: when, by whom, what."""

    time_us: int
    instrument_id: int
    quantity: Quantity
    value: float

    def with_value(self, value: float) -> Line:
        return replace(self, value=value)


@dataclass
class Bench:
    """The installation. ``clock`` stands still until it is moved."""

    dsn: str
    conn: Connection
    clock: HandClock
    config: AnalyseConfig
    workers: list[Worker] = field(default_factory=list)

    @property
    def worker(self) -> Worker:
        return self.workers[0]

    # Equipment ----------------------------------------------------------------------------------

    def site(self, name: str = "Kornspeicher") -> int:
        return equipment.add_site(self.conn, name, "Europe/Berlin").id

    def gateway(self, site_id: int, name: str = "gw-1") -> int:
        gateway, _ = equipment.add_gateway(self.conn, name, site_id, to_datetime(T0_US), "not-a-secret")
        return gateway.id

    def gauge(
        self,
        gateway_id: int,
        name: str = "g1",
        position: Position = Position.CIRCUIT,
        interval_s: float = 5.0,
    ) -> Instrument:
        return equipment.add_instrument(
            self.conn,
            gateway_id,
            name,
            Role.GAUGE,
            position,
            range_low_pa=0.1,
            range_high_pa=101_325.0,
            interval_s=interval_s,
        )

    def valve(self, gateway_id: int, name: str = "v1") -> Instrument:
        return equipment.add_instrument(self.conn, gateway_id, name, Role.VALVE)

    def job(self, site_id: int, instruments: Sequence[Instrument], since_us: int = T0_US - 3600 * US) -> Job:
        """A planned job with the default procedure; the first instrument decides."""
        procedure = procedures.default(self.conn)
        job = jobs.add(self.conn, "Cold room 3", site_id, procedure.id, T0_US)
        for number, instrument in enumerate(instruments):
            jobs.assign(self.conn, job.id, instrument.id, since_us, deciding=number == 0)
        return job

    # Publishing and judging ---------------------------------------------------------------------

    def publish(self, lines: Iterable[Line], arrived_us: int | None = None) -> None:
        """Store readings as the ingest does, arriving now."""
        arrived = self.clock.now_us() if arrived_us is None else arrived_us
        rows = np.array(
            [(one.instrument_id, int(one.quantity), 1, one.time_us, one.value, arrived) for one in lines], ROW
        )
        readings.prepare(self.conn)
        with self.conn.transaction():
            readings.write(self.conn, readings.in_order(rows))

    def settle(self, at_us: int | None = None) -> None:
        """Step until there is nothing left to do, at a moment of the clock."""
        if at_us is not None:
            self.clock.us = at_us
        for _ in range(500):
            done = [worker.step(self.conn, self.config.at_once) for worker in self.workers]
            if not any(one.instruments or one.jobs for one in done):
                return
        raise AssertionError("the work never ends")

    def live(self, lines: Iterable[Line], every_s: float = 60.0) -> None:
        """Publish in order, judging as time goes on."""
        batch: list[Line] = []
        for line in sorted(lines):
            if batch and line.time_us >= batch[0].time_us + every_s * US:
                self.clock.us = max(self.clock.us, batch[-1].time_us)
                self.publish(batch)
                self.settle()
                batch = []
            batch.append(line)
        self.clock.us = max(self.clock.us, batch[-1].time_us)
        self.publish(batch)
        self.settle()

    # Looking ------------------------------------------------------------------------------------

    def state(self, job_id: int) -> JobState:
        return jobs.by_id(self.conn, job_id).state

    def phases(self, job_id: int) -> list[Phase]:
        return judgement.phases(self.conn, [job_id]).get(job_id, [])

    def holds(self, job_id: int) -> list[HoldTest]:
        found = judgement.holds(self.conn, [job_id]).get(job_id, [])
        return [stored.hold for stored in found if not stored.withdrawn]

    def facts(self, job_id: int) -> list[Fact]:
        return [fact for fact, live in judgement.facts(self.conn, [job_id]).get(job_id, []) if live]

    def told(self, job_id: int) -> list[str]:
        """Kinds of the recorded events, in the order of recording."""
        return [event.kind.value for event in sorted(of_job(self.conn, job_id), key=lambda event: event.id)]

    def jobs(self) -> list[Job]:
        return [jobs.from_row(row) for row in self.conn.execute("SELECT * FROM job ORDER BY id")]


def open_bench(dsn: str, config: AnalyseConfig | None = None, workers: int = 1) -> Iterator[Bench]:
    """A bench that closes its connection."""
    config = config or AnalyseConfig(dsn=dsn, transit_s=0.0)
    clock = HandClock(T0_US)
    with connect(dsn, application="test", autocommit=True) as conn:
        yield Bench(dsn, conn, clock, config, [Worker(config, clock) for _ in range(workers)])


# Curves ---------------------------------------------------------------------------------------------


def pull_down(
    gauge_id: int, start_us: int, length_s: float, *, to_pa: float = 40.0, every_s: float = 5.0
) -> list[Line]:
    """From atmosphere towards ``to_pa``, a pump with 60 s of time constant."""
    count = int(length_s / every_s)
    return [
        Line(
            start_us + round(i * every_s * US),
            gauge_id,
            Quantity.PRESSURE,
            to_pa + (ATMOSPHERE_PA - to_pa) * math.exp(-i * every_s / 60.0),
        )
        for i in range(count)
    ]


def rise(
    gauge_id: int, start_us: int, length_s: float, *, from_pa: float, pa_per_s: float, every_s: float = 5.0
) -> list[Line]:
    """A straight line."""
    count = int(length_s / every_s)
    return [
        Line(
            start_us + round(i * every_s * US), gauge_id, Quantity.PRESSURE, from_pa + pa_per_s * i * every_s
        )
        for i in range(count)
    ]


def valve(valve_id: int, at_us: int, position: Valve) -> Line:
    """A valve reports."""
    return Line(at_us, valve_id, Quantity.VALVE, float(position))


def evacuation(
    gauge_id: int,
    valve_id: int,
    start_us: int = T0_US,
    *,
    pa_per_s: float = 0.01,
    hold_s: float = 2400.0,
    every_s: float = 5.0,
) -> list[Line]:
    """A pull-down of half an hour and a hold by the valve; with the default procedure 0.01 Pa/s passes, 0.5
    fails."""
    closed_us = start_us + 1800 * US
    return [
        valve(valve_id, start_us, Valve.OPEN),
        *pull_down(gauge_id, start_us, 1800.0, every_s=every_s),
        valve(valve_id, closed_us, Valve.CLOSED),
        *rise(gauge_id, closed_us, hold_s, from_pa=40.0, pa_per_s=pa_per_s, every_s=every_s),
    ]

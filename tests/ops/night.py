"""A night of hold plans with everything there but the wall clock: broker, database, processes that can be
killed, and the simulator's sites with their gateways and valves.

Time is moved on by hand, and only when everybody has done what there was to do: so that a slow machine makes
the night longer on the wall and never another one.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import httpx

from api.config import ApiConfig
from model.clock import US, to_datetime
from model.equipment import Position, Role
from model.hold_plan import HoldPlan, PlanState
from model.procedure import Procedure
from ops.embedded.broker import EmbeddedBroker
from ops.embedded.users import BrokerUser
from physics.units import MICRON_PA
from simulator.ambient import DayCurve
from simulator.circuit import RigData, Store
from simulator.gateway import Gateway
from simulator.gauge import GaugeData
from simulator.mqtt import Credentials
from simulator.site import Site, SiteData
from simulator.world import Fleet, World
from store import equipment, jobs, openings, people, plans, procedures
from store.audit import By
from store.database import Connection, connect
from tests.api.serving import LOGIN, add_people, serving
from tests.ops.night_process import SharedClock
from tests.waiting import wait_until

WORD = "password-of-the-gateway"
SERVICE_WORD = "password-of-holdfast"
ROOMS = ("ingest", "analytics", "desk")
MOST_STEPS = 1000
PATIENCE_S = 60.0
"""For one step, which takes a tenth of a second: only a test that fails uses it up."""
VOLUME_M3 = 0.009
HOLD_S, PUMP_S, SURE = 1800.0, 1800.0, 0.7
STRIDE_S, ORDER_STRIDE_S = 60.0, 5.0
PULLED_S = 1080
"""The pump has run for so long when the night begins."""

_AIR_IN_OIL = tuple(Store(VOLUME_M3 * 0.002, 60.0, tau) for tau in (120.0, 1200.0))
_DRY = RigData(
    VOLUME_M3, pump_m3_s=1.2e-3, ultimate_pa=3.0, oil_gas=_AIR_IN_OIL,
    bound_water=(Store(VOLUME_M3 * 0.05, 60.0, 300.0),),
)  # fmt: skip
RIGS = {
    "tight": _DRY,
    # Over the limit after some twenty minutes.
    "leak": replace(_DRY, leak_pa_m3_s=VOLUME_M3 * 0.1),
    # Bound in oil and on walls, so much that two rounds of half an hour make it pass, and one does not.
    "wet": replace(
        _DRY, bound_water=(Store(VOLUME_M3 * 0.5, 1500.0, 200.0), Store(VOLUME_M3 * 4.0, 1300.0, 1500.0))
    ),
}
PROCEDURE = Procedure(
    "Night", 500 * MICRON_PA, 60.0, HOLD_S, 60.0, 1000 * MICRON_PA, rise_pa=None, origin="A test."
)


LEFT = """
    SELECT EXISTS (SELECT FROM work) AS work, EXISTS (SELECT FROM timer WHERE due <= %(now)s) AS timers,
           EXISTS (
               SELECT FROM valve_order o JOIN instrument i ON i.id = o.instrument_id
               JOIN gateway_presence p ON p.gateway_id = i.gateway_id
               WHERE o.state = 'asked' AND o.expires_at > %(now)s AND p.online) AS orders
"""


@dataclass(frozen=True, slots=True)
class Live:
    """The same time for the fleet, which then sends at once instead of in long packs."""

    clock: SharedClock

    def now_us(self) -> int:
        return self.clock.now_us()

    def real_seconds(self, seconds: float) -> float:
        return seconds


class Own(World):
    """Sites of our own instead of the demonstration's."""

    def __init__(self, sites: list[Site]) -> None:
        self.sites = sites
        self.gateways = {site.data.gateway: site.gateway for site in sites if site.gateway is not None}


@dataclass(slots=True)
class Held:
    """A valve's site, and what lies between it and its broker."""

    site: Site
    job_id: int
    valve_id: int
    plan_id: int = 0
    before_order: Callable[[], None] = lambda: None
    keeps_orders: bool = False
    kept: list[tuple[str, bytes]] = field(default_factory=list)
    opened: int = 0
    states: list[PlanState] = field(default_factory=list)

    def take(self, instrument: str, payload: bytes) -> None:
        if self.keeps_orders:
            self.kept.append((instrument, payload))
            return
        self.before_order()
        self.site.order(instrument, payload)

    @property
    def position(self) -> str:
        assert self.site.valve is not None
        return str(self.site.valve.position)


@dataclass(slots=True)
class Night:
    """All that plays."""

    dsn: str
    url: str
    clock: SharedClock
    fleet: Fleet
    conn: Connection
    client: httpx.Client
    sites: dict[str, Held]
    processes: dict[str, subprocess.Popen[bytes]] = field(default_factory=dict)

    # Processes ----------------------------------------------------------------------------------------

    def start(self, room: str) -> None:
        given = [room, self.dsn, self.url, str(self.clock.path)]
        self.processes[room] = subprocess.Popen(
            [sys.executable, "-m", "tests.ops.night_process", *given],
            env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
            stdout=subprocess.DEVNULL,
            stderr=None if os.environ.get("NIGHT_LOUD") else subprocess.DEVNULL,
        )

    def start_all(self) -> None:
        for room in ROOMS:
            self.start(room)

    def kill(self, room: str) -> None:
        """As ``kill -9``."""
        process = self.processes.pop(room)
        process.send_signal(signal.SIGKILL)
        assert process.wait(20) == -signal.SIGKILL

    def kill_all(self) -> None:
        for room in ROOMS:
            self.kill(room)

    def end(self) -> None:
        for process in self.processes.values():
            process.terminate()
        for process in self.processes.values():
            process.wait(20)

    # Plans --------------------------------------------------------------------------------------------

    def plan(self, name: str, *, dry: int = 0, **more: object) -> None:
        """Make a plan over HTTP."""
        held = self.sites[name]
        drying = {"rounds": dry, "pump_s": PUMP_S, "probability": SURE} if dry else None
        wish: dict[str, object] = {
            "job_id": held.job_id,
            "held_s": 120,
            "report_at": "04:00",
            "drying": drying,
            "accepted": ["battery"],
            "accepted_reason": "The batteries are new.",
        }
        answer = self.client.post("/api/v1/hold-plans", json={**wish, **more})
        assert answer.status_code == 201, answer.text
        held.plan_id = answer.json()["id"]

    def of(self, name: str) -> HoldPlan:
        return plans.by_id(self.conn, self.sites[name].plan_id)

    def view(self, name: str) -> dict[str, Any]:
        found: dict[str, Any] = self.client.get(f"/api/v1/hold-plans/{self.sites[name].plan_id}").json()
        return found

    def log(self, name: str) -> list[str]:
        return [line["text"] for line in plans.log(self.conn, self.sites[name].plan_id)]

    def orders(self, name: str) -> list[str]:
        rows = self.conn.execute(
            "SELECT action, state FROM valve_order WHERE instrument_id = %s ORDER BY id",
            (self.sites[name].valve_id,),
        )
        return [f"{row['action']} {row['state']}" for row in rows]

    # Time ---------------------------------------------------------------------------------------------

    def step(self, stride_s: float | None = None, *, kill: bool = False) -> None:
        """Let time pass, and everybody do what there is to do then; ``kill``: everybody dies over it."""
        if stride_s is None:
            stride_s = ORDER_STRIDE_S if self._order_open() else STRIDE_S
        self.clock.advance(stride_s)
        before = {name: held.position for name, held in self.sites.items()}
        self.fleet.step()
        if kill:
            self.kill_all()
            self.start_all()
        for name, held in self.sites.items():
            held.opened += before[name] == "closed" and held.position != "closed"
        if len(self.processes) == len(ROOMS):
            try:
                wait_until(lambda: self._left() == "", PATIENCE_S, "everybody to be done")
            except AssertionError as error:
                raise AssertionError(f"{error}: {self._left()}") from None
        for name, held in self.sites.items():
            state = self.of(name).progress.state if held.plan_id else None
            if state is not None and held.states[-1:] != [state]:
                held.states.append(state)

    def until(self, wanted: Callable[[], Any], what: str, *, kill_at_each_state: bool = False) -> None:
        """Let time pass until something is so."""
        seen: set[tuple[PlanState, bool]] = set()
        for _ in range(MOST_STEPS):
            if wanted():
                return
            now = {(plan.progress.state, plan.progress.rounds > 0) for plan in map(self.of, self._planned())}
            self.step(kill=kill_at_each_state and not now <= seen)
            seen |= now
        raise AssertionError(f"{what}: {[(name, self.log(name)) for name in self.sites]}")

    def _planned(self) -> list[str]:
        return [name for name, held in self.sites.items() if held.plan_id]

    def is_in(self, name: str, *states: PlanState) -> Callable[[], bool]:
        return lambda: self.of(name).progress.state in states

    def _order_open(self) -> bool:
        row = self.conn.execute("SELECT FROM valve_order WHERE state IN ('asked', 'sent') LIMIT 1").fetchone()
        return row is not None

    def _left(self) -> str:
        """What is still to be stored, judged, acted upon or sent; empty: nothing."""
        # No time passes meanwhile; receipts and orders are taken in.
        self.fleet.step()
        now_us = self.clock.now_us()
        reach = {held.job_id: held.site.gateway for held in self.sites.values() if held.site.radio}
        if any(gateway is None or not gateway.online for gateway in reach.values()):
            return "a gateway is not connected"
        rows = self.conn.execute(
            "SELECT a.job_id FROM latest l JOIN assignment a USING (instrument_id) WHERE a.until IS NULL "
            "GROUP BY a.job_id HAVING max(l.time) >= %s",
            (to_datetime(now_us - 15 * US),),
        ).fetchall()
        if not reach.keys() <= {row["job_id"] for row in rows}:
            return "readings are not stored"
        left = self.conn.execute(LEFT, {"now": to_datetime(now_us)}).fetchone()
        assert left is not None
        return ", ".join(name for name, is_left in left.items() if is_left)


def _site(name: str, rig: RigData, begin_us: int, night_us: int, off: tuple[tuple[int, int], ...]) -> Site:
    gauge = GaugeData(noise=0.004, battery_hours=24.0 * 90)
    data = SiteData(
        name, f"{name}-gw", rig, DayCurve(291.0, 0.5, night_us),
        {"gauge-circuit": (gauge, False), "gauge-pump": (gauge, True)},
        valve="valve", pump="pump", thermometer="clamp", radio_off=off,
    )  # fmt: skip
    site = Site(data, None, begin_us, "1")
    # Somebody is there, so that the past is made up in short ticks.
    site.follow(iter([lambda _: site.gateway is not None]))  # type: ignore[arg-type]
    site.connect()
    site.start_pump()
    site.turn_valve("open")
    site.run_to(night_us)
    site.gateway = Gateway(data.gateway, "b1")
    return site


@contextmanager
def night(
    dsn: str,
    folder: Path,
    night_us: int,
    wanted: dict[str, str],
    zone: str = "Europe/Berlin",
    off: dict[str, tuple[int, int]] | None = None,
) -> Iterator[Night]:
    """A night that begins at a moment, with sites by name and kind of rig, pumped for 18 minutes;
    ``off``: seconds of the night without radio."""  # fmt: skip
    add_people(dsn)
    with ExitStack() as running:
        conn = running.enter_context(connect(dsn, application="test", autocommit=True))
        procedure = procedures.add(conn, PROCEDURE)
        mara = people.by_login(conn, LOGIN).id
        made: dict[str, Held] = {}
        for name, kind in wanted.items():
            gone = (off or {}).get(name)
            times = () if gone is None else ((night_us + gone[0] * US, night_us + gone[1] * US),)
            site = _site(name, RIGS[kind], night_us - PULLED_S * US, night_us, times)
            made[name] = _register(conn, site, zone, procedure.id, mara, night_us)
        users = [BrokerUser.make(f"{name}-gw", WORD) for name in wanted]
        users.append(BrokerUser.make("holdfast", SERVICE_WORD, service=True))
        broker = EmbeddedBroker(folder / "nats", users)
        broker.start()
        running.callback(broker.stop)
        url = broker.url("holdfast", SERVICE_WORD)
        clock = SharedClock(folder / "clock", night_us)
        pages = running.enter_context(serving(ApiConfig(dsn, port=0), clock))
        client = running.enter_context(pages.client())
        world = Own([held.site for held in made.values()])
        port = int(urlsplit(url).port or 0)
        login = {gateway: Credentials("127.0.0.1", port, gateway, WORD) for gateway in world.gateways}
        fleet = Fleet(world, login, Live(clock))
        for link, held in zip(fleet._links, made.values(), strict=True):
            link._on_order = held.take
        running.callback(fleet.close)
        playing = Night(dsn, url, clock, fleet, conn, client, made)
        running.callback(playing.end)
        playing.start_all()
        wait_until(lambda: all(held.site.gateway.online for held in made.values() if held.site.gateway)
                   if fleet.step() >= 0 else False, PATIENCE_S, "the gateways")  # fmt: skip
        playing.step(20.0)
        yield playing


def _register(conn: Connection, site: Site, zone: str, procedure_id: int, opener: int, night_us: int) -> Held:
    name = site.data.name
    place = equipment.add_site(conn, name, zone)
    gateway, _ = equipment.add_gateway(conn, f"{name}-gw", place.id, to_datetime(night_us))
    circuit = equipment.add_circuit(conn, place.id, "C", refrigerant="R-448A", volume_m3=VOLUME_M3)
    job = jobs.add(conn, name, place.id, procedure_id, night_us, circuit_id=circuit.id)
    valve_id = 0
    for instrument, role, position, interval_s in (
        ("gauge-circuit", Role.GAUGE, Position.CIRCUIT, 10.0),
        ("gauge-pump", Role.GAUGE, Position.PUMP, 10.0),
        ("valve", Role.VALVE, Position.PUMP, 60.0),
        ("pump", Role.PUMP, Position.PUMP, 60.0),
        ("clamp", Role.THERMOMETER, Position.CIRCUIT, 60.0),
    ):
        one = equipment.add_instrument(
            conn, gateway.id, instrument, role, position, interval_s=interval_s, unit="micron",
            range_high_pa=20_000 * MICRON_PA if role is Role.GAUGE else None,
        )  # fmt: skip
        jobs.assign(conn, job.id, one.id, night_us, deciding=instrument == "gauge-circuit")
        valve_id = one.id if role is Role.VALVE else valve_id
    with conn.transaction():
        by = By(to_datetime(night_us), opener)
        openings.change(conn, place.id, by, allowed=True, openers=[opener])
    return Held(site, job.id, valve_id)

"""A valve opened from afar, with everything there but the wall clock: from the page to the gateway and back.

First the pump stops between order and act; then gas comes in after the opening; then it goes as it should.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import httpx

from api.config import ApiConfig
from desk.config import DeskConfig
from desk.worker.service import run as run_desk
from ingest.config import BrokerConfig, IngestConfig
from ingest.service import run as run_ingest
from model.clock import US, HandClock, to_datetime
from model.equipment import Instrument, Position, Role
from ops.embedded.broker import EmbeddedBroker
from ops.embedded.users import BrokerUser
from simulator.gateway import Gateway
from simulator.mqtt import Credentials
from simulator.scenario import demo
from simulator.site import Site
from simulator.world import Fleet, World
from store import equipment, jobs, openings, people, procedures
from store.audit import By
from store.database import Connection, connect
from tests.api.serving import LOGIN, add_people, serving
from tests.desk.facts import all_alerts
from tests.waiting import wait_until

NIGHT_US = 1_790_000_000 * US
WORD = "password-of-the-gateway"
UNIT = "micron"
"""In which the gauges of that site speak."""


@contextmanager
def process(work: Callable[[threading.Event], None]) -> Iterator[None]:
    """A process, as a thread."""
    stop = threading.Event()
    thread = threading.Thread(target=work, args=(stop,))
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join(20)
        assert not thread.is_alive()


def pumped_down() -> Site:
    """A small circuit that was pumped down for two hours and closed off, with the pump running on."""
    world = World(demo(NIGHT_US, NIGHT_US, 1), resume_from_us=NIGHT_US)
    data = world.site("lantern-gw").data
    ((gauge, _),) = data.gauges.values()
    both = {"gauge-circuit": (gauge, False), "gauge-pump": (gauge, True)}
    site = Site(replace(data, gauges=both), None, NIGHT_US - 3 * 3600 * US, "1")
    site.connect()
    site.start_pump()
    site.turn_valve("open")
    site.run_to(NIGHT_US - 1200 * US)
    site.turn_valve("close")
    site.run_to(NIGHT_US)
    site.tick_us = US
    return site


@dataclass(frozen=True, slots=True)
class Live:
    """The same time for the fleet, which then sends at once instead of in long packs."""

    clock: HandClock

    def now_us(self) -> int:
        return self.clock.now_us()

    def real_seconds(self, seconds: float) -> float:
        return seconds


@dataclass(frozen=True, slots=True)
class Stage:
    """All that plays."""

    site: Site
    fleet: Fleet
    clock: HandClock
    client: httpx.Client
    valve: Instrument

    @property
    def position(self) -> str:
        assert self.site.valve is not None
        return str(self.site.valve.position)

    def passing(self, condition: Callable[[], Any], what: str, stride_s: float = 1.0) -> Any:
        """Let time pass until something is so."""

        def once() -> Any:
            self.clock.advance(stride_s)
            self.fleet.step()
            return condition()

        return wait_until(once, timeout_s=60, what=what)

    def hindrances(self) -> dict[str, Any]:
        found: dict[str, Any] = self.client.get(f"/api/v1/valves/{self.valve.id}/hindrances").json()
        return found

    def ready(self) -> None:
        """Until nothing hinders; what does is said."""
        try:
            self.passing(lambda: self.said() == "", "nothing to hinder an opening")
        except AssertionError as error:
            raise AssertionError(f"{error}: {self.said()}") from None

    def said(self) -> str:
        return " ".join(one["text"] for one in self.hindrances()["open"])

    def open(self, before_it_comes: Callable[[], None] = lambda: None) -> int:
        """Order it open, and let the order come while no time passes; its number."""

        def given() -> int | None:
            # Reports of a moment before may still be on their way, and hinder it when they come.
            body = {"instrument_id": self.valve.id, "action": "open", "ttl_s": 120}
            body["decided_on"] = self.hindrances()["decided_on"]
            answer = self.client.post("/api/v1/orders", json=body)
            assert answer.status_code in (201, 409), answer.text
            return int(answer.json()["id"]) if answer.status_code == 201 else None

        number: int = given() or self.passing(given, "the order to be taken")
        before_it_comes()
        valve = self.site.valve
        assert valve is not None

        def came() -> bool:
            self.fleet.step()
            return bool(valve._waiting)

        wait_until(came, what="the order at the gateway")
        return number

    def order(self, number: int) -> dict[str, Any]:
        found: dict[str, Any] = self.client.get(f"/api/v1/orders/{number}").json()
        return found


@contextmanager
def playing(database: str, tmp_path: Path) -> Iterator[tuple[Stage, Connection]]:
    """All of it, until the gateway is there."""
    site = pumped_down()
    clock = HandClock(NIGHT_US)
    add_people(database)
    conn = connect(database, application="test", autocommit=True)
    place = equipment.add_site(conn, "Lantern Lane Clinic", "Europe/Berlin")
    gateway, _ = equipment.add_gateway(conn, "lantern-gw", place.id, to_datetime(NIGHT_US))
    job = jobs.add(conn, "Ward 3", place.id, procedures.default(conn).id, NIGHT_US)
    made = {
        name: equipment.add_instrument(conn, gateway.id, name, role, position, interval_s=1.0, unit=UNIT)
        for name, role, position in (
            ("gauge-circuit", Role.GAUGE, Position.CIRCUIT),
            ("gauge-pump", Role.GAUGE, Position.PUMP),
            (site.data.valve, Role.VALVE, Position.PUMP),
            (site.data.pump, Role.PUMP, Position.PUMP),
        )
    }
    for name, one in made.items():
        jobs.assign(conn, job.id, one.id, NIGHT_US, deciding=name == "gauge-circuit")
    mara = people.by_login(conn, LOGIN).id
    with conn.transaction():
        openings.change(conn, place.id, By(to_datetime(NIGHT_US), mara), allowed=True, openers=[mara])

    users = [BrokerUser.make("lantern-gw", WORD), BrokerUser.make("holdfast", "word", service=True)]
    with ExitStack() as running:
        running.callback(conn.close)
        broker = EmbeddedBroker(tmp_path / "nats", users)
        broker.start()
        running.callback(broker.stop)
        url = broker.url("holdfast", "word")
        config = IngestConfig(database, BrokerConfig.from_url(url))
        running.enter_context(process(lambda stop: run_ingest(config, clock, stop)))
        running.enter_context(process(lambda stop: run_desk(DeskConfig(database), clock, stop)))
        pages = running.enter_context(serving(ApiConfig(database, port=0), clock))
        client = running.enter_context(pages.client())
        world = World(demo(NIGHT_US, NIGHT_US, 1), resume_from_us=NIGHT_US)
        site.gateway = Gateway("lantern-gw", "b1")
        world.sites, world.gateways = [site], {"lantern-gw": site.gateway}
        login = Credentials("127.0.0.1", int(urlsplit(url).port or 0), "lantern-gw", WORD)
        fleet = Fleet(world, {"lantern-gw": login}, Live(clock))
        running.callback(fleet.close)
        stage = Stage(site, fleet, clock, client, made[site.data.valve])

        stage.passing(lambda: stage.said() != "" and world.gateways["lantern-gw"].online, "the gateway")
        yield stage, conn


def test_an_opening_is_refused_undone_and_done_as_it_should_be(database: str, tmp_path: Path) -> None:
    with playing(database, tmp_path) as (stage, conn):
        site = stage.site

        # By its own reports the pump is known to run after two minutes of them, and not before.
        assert "pump" in {one["id"] for one in stage.hindrances()["open"]}
        stage.ready()

        # The pump stops between order and act: the server cannot know, the gateway refuses.
        number = stage.open(before_it_comes=site.stop_pump)
        told = stage.passing(lambda: stage.order(number)["outcome"], "the refusal")
        assert (told["result"], told["reason"]) == ("refused", "pump is not running")
        assert site.valve is not None
        assert site.valve.opening == 0.0
        known = "the stop to be known"
        stage.passing(lambda: "pump" in {one["id"] for one in stage.hindrances()["open"]}, known)
        site.start_pump()
        stage.ready()

        # Gas comes in after the opening: the desk has it closed, and wakes somebody.
        number = stage.open()
        stage.passing(lambda: stage.position == "open", "the valve open")
        site.fill(50_000.0, 30.0)
        stage.passing(lambda: stage.order(number)["watch"] == "shut", "the valve shut again")
        assert stage.position == "closed"
        kinds = {alert.kind for alert in all_alerts(conn)}
        assert {"order-not-done", "opening-unsafe"} <= kinds

        # At last as it should be: what was let in is below the gauge's top again by hand.
        site.turn_valve("open")
        stage.passing(lambda: (site.deciding_pa() or 1e9) < 1000.0, "a vacuum again", stride_s=10.0)
        site.turn_valve("close")
        stage.ready()
        number = stage.open()
        stage.passing(lambda: stage.order(number)["watch"] == "falls", "the pressure to fall")
        found = stage.order(number)
        assert (found["state"], found["confirmed"], stage.position) == ("done", True, "open")
        # Whatever was ordered: without its pump the valve closes by itself.
        site.stop_pump()
        stage.passing(lambda: stage.position == "closed", "the valve to close by itself")


def test_the_switch_on_site_wins(database: str, tmp_path: Path) -> None:
    with playing(database, tmp_path) as (stage, _):
        site = stage.site
        stage.ready()

        def hinders(action: str) -> bool:
            return "local-hands" in {one["id"] for one in stage.hindrances()[action]}

        # Turned between order and act: the server cannot know, the gateway refuses.
        number = stage.open(before_it_comes=lambda: site.turn_key(local=True))
        told = stage.passing(lambda: stage.order(number)["outcome"], "the refusal")
        assert (told["result"], told["reason"]) == ("refused", "site is switched to local hands")
        stage.passing(lambda: hinders("open") and hinders("close"), "the key to be known")
        assert stage.position == "closed"
        site.turn_key(local=False)
        stage.ready()

        # Turned with the valve open by an order: it closes, and nothing moves it from afar any more.
        number = stage.open()
        stage.passing(lambda: stage.position == "open", "the valve open")
        site.turn_key(local=True)
        stage.passing(lambda: stage.position == "closed", "the valve to close by itself")
        stage.passing(lambda: hinders("open"), "the key to be known")
        site.turn_valve("open")
        stage.passing(lambda: stage.position == "open", "who is there to open it")
        body = {"instrument_id": stage.valve.id, "action": "close"}
        answer = stage.client.post("/api/v1/orders", json=body)
        assert (answer.status_code, "local-hands" in answer.json()["hindrances"]) == (409, True)
        # The pump's interlock holds for hands too.
        site.stop_pump()
        stage.passing(lambda: stage.position == "closed", "the valve to close by itself")

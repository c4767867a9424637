"""The clinic of the demo: its technician has the valve closed over HTTP, and the hold begins with its report.

Everything is there but the wall clock: database, broker, ingest, analysis, desk, pages and the fleet, all on
one clock that is moved on by hand.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from urllib.parse import urlsplit

import pytest

from analytics.worker.config import AnalyseConfig
from analytics.worker.service import run as run_analysis
from api.config import ApiConfig
from desk.config import DeskConfig
from desk.worker.service import run as run_desk
from ingest.config import BrokerConfig, IngestConfig
from ingest.service import run as run_ingest
from model.clock import US, HandClock, ReplayClock
from model.event import EventKind
from model.order import OrderState
from ops import company
from ops.embedded.broker import EmbeddedBroker
from ops.embedded.users import BrokerUser
from ops.installation import Installation
from ops.settings import Settings
from simulator.mqtt import Credentials
from simulator.technician import Pages, Technician
from simulator.world import Fleet, World
from store import events, orders
from store.database import connect
from tests.api.serving import serving
from tests.waiting import wait_until

STRIDE_S = 2.0


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


@pytest.fixture
def installation(database: str, tmp_path: Path) -> Installation:
    """The company, registered."""
    return company.prepare(Settings(data_dir=tmp_path), database, Installation("demo"))


@pytest.fixture
def broker(installation: Installation, tmp_path: Path) -> Iterator[EmbeddedBroker]:
    """A broker with the company's gateways."""
    users = [BrokerUser.make(name, word) for name, word in installation.gateways.items()]
    users.append(BrokerUser.make("holdfast", "password-of-holdfast", service=True))
    running = EmbeddedBroker(tmp_path / "nats", users)
    running.start()
    yield running
    running.stop()


def test_the_hold_of_the_clinic_begins_through_an_order_that_is_done(
    database: str, installation: Installation, broker: EmbeddedBroker
) -> None:
    assert installation.replay is not None
    assert installation.technician is not None
    replay = ReplayClock.parse(installation.replay)
    scenario = company.scenario_of(replay, 1)
    # The target has been held for some time already, and the valve is still open.
    clock = HandClock(scenario.meets_us + 60 * US)
    world = World(scenario, resume_from_us=clock.us)
    world.sites = [world.site("lantern-gw")]
    url = BrokerConfig.from_url(broker.url("holdfast", "password-of-holdfast"))
    port = urlsplit(broker.url("holdfast", "password-of-holdfast")).port
    login = Credentials("127.0.0.1", int(port or 0), "lantern-gw", installation.gateways["lantern-gw"])
    with ExitStack() as running:
        running.enter_context(process(lambda stop: run_ingest(IngestConfig(database, url), clock, stop)))
        running.enter_context(process(lambda stop: run_analysis(AnalyseConfig(dsn=database), clock, stop)))
        running.enter_context(process(lambda stop: run_desk(DeskConfig(database), clock, stop)))
        pages = running.enter_context(serving(ApiConfig(database, port=0), clock))
        who = installation.technician
        technician = Technician(Pages(pages.address, who.login, who.password), retry_s=0.1)
        running.callback(technician.stop)
        fleet = Fleet(world, {"lantern-gw": login}, clock, technician.wish)
        running.callback(fleet.close)
        conn = running.enter_context(connect(database, application="test", autocommit=True))
        (site,) = world.sites
        assert site.valve is not None
        assert str(site.valve.position) == "open"

        def told(kind: EventKind) -> bool:
            clock.advance(STRIDE_S)
            fleet.step()
            return any(event.kind is kind for event in events.after(conn, 0))

        wait_until(lambda: told(EventKind.HOLD_STARTED), timeout_s=90, what="the hold to begin")
        assert str(site.valve.position) == "closed"
        wait_until(lambda: told(EventKind.ORDER_DONE), what="the outcome")
        found = events.after(conn, 0)
        (row,) = conn.execute(orders.SELECT).fetchall()
    order = orders.from_row(row)
    assert (order.state, order.gateway, order.valve) == (OrderState.DONE, "lantern-gw", "valve-ward3")
    assert order.asked_by == company.TECHNICIAN[1]
    assert order.outcome is not None
    (began,) = [event for event in found if event.kind is EventKind.HOLD_STARTED]
    assert began.job_id == order.job_id
    # The hold begins with what the valve reports, which is when it had closed.
    assert abs(began.happened_us - order.outcome.at_us) <= 10 * US
    assert began.happened_us >= order.asked_us

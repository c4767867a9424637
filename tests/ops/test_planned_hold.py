"""The clinic of the demo left to a hold plan: the desk closes its valve, is killed, and the next one goes on.

Everything is there but the wall clock: database, broker, ingest, analysis, desk, pages and the fleet, all on
one clock that is moved on by hand.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from urllib.parse import urlsplit

import httpx
import pytest

from analytics.worker.config import AnalyseConfig
from analytics.worker.service import run as run_analysis
from api.config import ApiConfig
from desk.config import DeskConfig
from desk.worker.service import run as run_desk
from ingest.config import BrokerConfig, IngestConfig
from ingest.service import run as run_ingest
from model.clock import US, HandClock, ReplayClock
from model.hold_plan import HoldPlan, PlanEnd, PlanState
from model.order import OrderState
from ops import company
from ops.embedded.broker import EmbeddedBroker
from ops.embedded.users import BrokerUser
from ops.installation import Installation
from ops.settings import Settings
from simulator.mqtt import Credentials
from simulator.world import Fleet, World
from store import orders, plans
from store.database import connect
from tests.api.serving import serving
from tests.waiting import wait_until

STRIDE_S, LONG_STRIDE_S = 2.0, 10.0


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


def test_a_night_at_the_clinic_by_a_plan_with_a_desk_that_is_killed(
    database: str, installation: Installation, broker: EmbeddedBroker
) -> None:
    assert installation.replay is not None
    assert installation.technician is not None
    scenario = company.scenario_of(ReplayClock.parse(installation.replay), 1)
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
        pages = running.enter_context(serving(ApiConfig(database, port=0), clock))
        # Nobody asks for a close.
        fleet = Fleet(world, {"lantern-gw": login}, clock, lambda *_: None)
        running.callback(fleet.close)
        conn = running.enter_context(connect(database, application="test", autocommit=True))
        (site,) = world.sites
        assert site.valve is not None
        (valve,) = conn.execute(
            "SELECT i.id, a.job_id FROM instrument i JOIN assignment a ON a.instrument_id = i.id "
            "WHERE i.name = 'valve-ward3' AND a.until IS NULL"
        ).fetchall()
        plan_id = make(pages.address, installation, valve["job_id"])

        def stands(wanted: Callable[[HoldPlan], bool], stride_s: float = STRIDE_S) -> bool:
            clock.advance(stride_s)
            fleet.step()
            return wanted(plans.by_id(conn, plan_id))

        # A desk that dies as soon as the order is written down, one that dies in the hold, and the last.
        with process(lambda stop: run_desk(DeskConfig(database), clock, stop)):
            wait_until(
                lambda: stands(lambda plan: plan.progress.order_id is not None),
                timeout_s=90,
                what="the order to close",
            )
        with process(lambda stop: run_desk(DeskConfig(database), clock, stop)):
            wait_until(
                lambda: stands(lambda plan: plan.progress.state is PlanState.HOLDING),
                timeout_s=90,
                what="the hold",
            )
        assert str(site.valve.position) == "closed"
        with process(lambda stop: run_desk(DeskConfig(database), clock, stop)):
            wait_until(
                lambda: stands(lambda plan: not plan.progress.state.live, LONG_STRIDE_S),
                timeout_s=120,
                what="the verdict",
            )
        plan = plans.by_id(conn, plan_id)
        log = [line["text"] for line in plans.log(conn, plan_id)]
        assert plan.progress.end is PlanEnd.PASSED, log
        held = plans.hold(conn, plan.job_id, plan.progress.closed_us or 0)
        (row,) = conn.execute(orders.SELECT).fetchall()
    order = orders.from_row(row)
    assert (order.state, order.asked_by, order.id) == (OrderState.DONE, None, plan.progress.order_id)
    assert held is not None
    assert (held[0], held[1].value) == (plan.progress.hold_id, plan.progress.end.value)
    assert sum(line.startswith("The valve is ordered closed") for line in log) == 1
    assert log[-1].startswith(f"Verdict: {held[2]}")


def make(address: str, installation: Installation, job_id: int) -> int:
    """Make a plan over HTTP, as the technician."""
    who = installation.technician
    assert who is not None
    with httpx.Client(base_url=address) as client:
        form = {"login": who.login, "password": who.password}
        assert client.post("/login", data=form, headers={"Origin": address}).status_code == 303
        wish = {"job_id": job_id, "held_s": 120, "report_at": "06:30", "accepted": ["battery"],
                "accepted_reason": "The battery is new."}  # fmt: skip
        answer = client.post("/api/v1/hold-plans", json=wish)
        assert answer.status_code == 201, answer.text
        return int(answer.json()["id"])

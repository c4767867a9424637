"""Alerts about gateways lead to where something can be done, as far as somebody may go there."""

from __future__ import annotations

import httpx
import pytest

from desk.worker import alerting, gateways
from desk.worker.passing import Outlets
from model.clock import US, HandClock
from store import clocks, equipment, refusing
from store.clocks import Lag
from store.database import Connection
from store.quarantine import NOBODY
from store.refusing import Refused
from tests.api.serving import NOON_US, TECHNICIAN, Serving
from tests.ingest.helpers import register

WHY = "The gateway gw1 has no instrument g9."


@pytest.fixture
def told(conn: Connection, api: Serving) -> int:
    """A gateway that is refused and whose clock is wrong, and names that nobody knows; its number."""
    register(api.dsn)
    with conn.transaction():
        new = Refused(NOON_US, NOON_US, 3, 0, "unknown-instrument", WHY)
        refusing.note(conn, {"gw1": new, NOBODY: new}, NOON_US)
        clocks.note(conn, {"gw1": Lag(-90 * US, 5, NOON_US)})
    gateways.work_off(conn, HandClock(NOON_US))
    alerting.work_off(conn, HandClock(NOON_US), Outlets((), "urn:test"))
    return equipment.gateway_named(conn, "gw1").id


def test_the_api_says_which_gateway_it_is(client: httpx.Client, told: int) -> None:
    rows = client.get("/api/v1/alerts").json()["items"]
    found = {(row["kind"], row["gateway"], row["gateway_id"], row["job_id"]) for row in rows}
    assert found == {
        ("gateway-refused", "gw1", told, None),
        ("gateway-refused", "-", None, None),
        ("clock-wrong", "gw1", told, None),
    }


def test_alerts_of_jobs_say_nothing_of_gateways(client: httpx.Client, jobs: object) -> None:
    rows = client.get("/api/v1/alerts").json()["items"]
    assert rows
    assert {(row["gateway"], row["gateway_id"]) for row in rows} == {(None, None)}


def test_the_page_leads_to_the_gateway_and_its_refused_messages(client: httpx.Client, told: int) -> None:
    page = client.get("/alerts").text
    assert page.count(f'href="/setup/gateways/{told}"') == 2
    for address in (
        "/setup/refused?gateway=gw1&amp;state=waiting",
        "/setup/refused?reason=unknown-gateway&amp;state=waiting",
    ):
        assert page.count(f'href="{address}"') == 1
        assert client.get(address.replace("&amp;", "&")).status_code == 200


def test_who_may_not_go_there_is_not_sent_there(api: Serving, told: int) -> None:
    with api.client(TECHNICIAN) as client:
        page = client.get("/alerts").text
        assert WHY.replace("'", "&#39;") in page
        assert "/setup/" not in page.split("<main")[1]


def test_the_event_stream_and_the_board_go_on(client: httpx.Client, told: int) -> None:
    assert client.get("/").status_code == 200
    with client.stream("GET", "/api/v1/events") as stream:
        lines = stream.iter_lines()
        seen = [line for line, _ in zip(lines, range(40), strict=False)]
    assert any("gateway:gw1/refused" in line or '"gateway":"gw1"' in line for line in seen)

"""Closing a valve from its job page: by hand, without a script, and what an open page tells by itself."""

from __future__ import annotations

import pytest
from playwright.sync_api import expect

from model.clock import US
from model.event import EventKind
from model.order import OrderResult
from model.reading import Quantity, Valve
from store import orders, watches
from store.database import Connection
from tests.api.rigs import rig
from tests.api.scene import MINUTE, Made, Scene
from tests.api.serving import Serving
from tests.api.valves import presence, report, settle
from tests.browser.conftest import Open

pytestmark = pytest.mark.browser

PATIENCE_MS = 20_000


@pytest.fixture
def made(scene: Scene) -> Made:
    """A job whose valve stands open at a gateway in reach."""
    made = scene.job("Kestrel Cold Store", "Rack 1", scene.now_us - 60 * MINUTE)
    report(scene, made, Valve.OPEN, scene.now_us - 5 * MINUTE)
    presence(scene.conn, made, online=True)
    return made


@pytest.mark.parametrize("width", [390, 1280])
def test_an_order_is_followed_to_the_valve_s_report_without_reload(
    open_page: Open, made: Made, scene: Scene, conn: Connection, width: int
) -> None:
    page = open_page(f"/jobs/{made.job.id}", width=width)
    part = page.locator("#valve")
    expect(part).to_contain_text("open")
    part.get_by_role("button").click()
    expect(page.get_by_role("heading", name="Before you close it")).to_be_visible()
    page.get_by_label("Why").fill("Target held since five")
    page.get_by_role("button", name="Close the valve").click()
    page.wait_for_url(f"**/jobs/{made.job.id}#valve")
    page.evaluate("window.stillTheSamePage = true")
    expect(part).to_contain_text("Asked for")
    expect(part).to_contain_text("Target held since five")
    expect(part.get_by_role("button")).to_have_count(0)
    (row,) = conn.execute("SELECT id FROM valve_order").fetchall()
    orders.sent(conn, [row["id"]], scene.now_us)
    expect(part).to_contain_text("Sent, no answer yet", timeout=PATIENCE_MS)
    settle(conn, row["id"], OrderResult.DONE, scene.now_us + 5 * US)
    expect(part).to_contain_text("Done, says the gateway", timeout=PATIENCE_MS)
    # The valve's report alone is no event: the page sees it in the job's row.
    report(scene, made, Valve.CLOSED, scene.now_us + 6 * US)
    reported = "Closed, says the valve; the pressure is looked at"
    expect(part).to_contain_text(reported, timeout=PATIENCE_MS)
    expect(part).to_contain_text("The valve reported closed.")
    expect(part).to_contain_text("reports closed already")
    # It is done when the pressure agrees.
    with conn.transaction():
        watches.note_holds(conn, row["id"], True)
        told = (EventKind.VALVE_HOLDS, orders.by_id(conn, row["id"]), "The pressure agrees.")
        watches.record(conn, [told], scene.now_us + 320 * US)
    expect(part.locator(".mark.tone-good")).to_have_text("Done", timeout=PATIENCE_MS)
    assert page.evaluate("window.stillTheSamePage")
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")


def test_it_works_without_a_script(open_page: Open, made: Made) -> None:
    page = open_page(f"/jobs/{made.job.id}", script=False)
    page.locator("#valve").get_by_role("button").click()
    page.get_by_role("button", name="Close the valve").click()
    page.wait_for_url(f"**/jobs/{made.job.id}#valve")
    expect(page.locator("#valve")).to_contain_text("Asked for")


@pytest.mark.parametrize("width", [390, 1280])
def test_what_must_be_so_before_an_opening_is_read_and_then_it_is_ordered(
    open_page: Open, site: Serving, scene: Scene, complaints: list[str], width: int
) -> None:
    ready = rig(scene)
    page = open_page(f"/jobs/{ready.made.job.id}", width=width)
    page.locator("#valve").get_by_role("button", name="Open the valve").click()
    expect(page.get_by_role("heading", name="What must be so")).to_be_visible()
    expect(page.locator(".checks")).to_contain_text("the pump is known to run, for two minutes at least")
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    # The pump stops while the page is being read: it is not given, and the page says why.
    ready.tell(ready.pump, Quantity.PUMP, scene.now_us + US, 0.0)
    page.get_by_role("button", name="Open the valve").click()
    expect(page.get_by_text("Something has changed since this page was made")).to_be_visible()
    expect(page.get_by_text("It cannot be opened from here now.")).to_be_visible()
    expect(page.get_by_role("button", name="Open the valve")).to_have_count(0)
    # The browser's own word about the refusal.
    complaints.clear()
    site.clock.advance(200)
    ready.ready(scene.now_us + 200 * US)
    page.get_by_role("link", name="Look again").click()
    page.get_by_role("button", name="Open the valve").click()
    page.wait_for_url(f"**/jobs/{ready.made.job.id}#valve")
    expect(page.locator("#valve")).to_contain_text("Asked for")

"""Before somebody leaves: read in words and shapes, live without jumping; and a valve that is proved."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from model.clock import US, to_datetime
from model.event import EventKind
from model.order import OrderResult
from model.preflight import ProofKind
from model.reading import Quantity, Valve
from store import people, proofs
from tests.api.rigs import Rig, rig
from tests.api.scene import MINUTE, Scene
from tests.api.serving import LOGIN, NOON_US, Serving
from tests.api.test_preflight import delivered
from tests.api.valves import report, settle
from tests.browser.conftest import Open
from tests.browser.test_look import AA, CONTRASTS
from tests.browser.test_phone import AAA

pytestmark = pytest.mark.browser

FINGER = 44
PATIENCE_MS = 20_000


@pytest.fixture
def ready(scene: Scene) -> Rig:
    made = rig(scene)
    report(scene, made.made, Valve.OPEN, scene.now_us - 4 * US)
    return made


def looked_at(page: Page, width: int, picture: Path) -> None:
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    texts = page.evaluate(CONTRASTS)
    # Read in the sun.
    assert not [text for text in texts if text["ratio"] < (AA if text["large"] else AAA)]
    for box in page.locator("main button, main .press").all():
        found = box.bounding_box()
        assert found is None or found["height"] >= FINGER
    page.screenshot(path=picture, full_page=True)


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("width", [390, 1280])
def test_every_check_is_read_and_goes_on_by_itself_without_jumping(
    open_page: Open, ready: Rig, width: int, dark: bool, tmp_path: Path
) -> None:
    conn = ready.scene.conn
    delivered(conn, ready)
    conn.execute("UPDATE notification SET sent_at = NULL")
    page = open_page(f"/jobs/{ready.made.job.id}/site", width=width, dark=dark)
    page.get_by_role("link", name="Before you leave").click()
    expect(page.get_by_role("heading", name="Before you leave")).to_be_visible()
    expect(page.locator("#ready")).to_contain_text("Not ready to leave: nothing begins a hold, target")
    expect(page.locator("[data-check]")).to_have_count(13)
    for row in page.locator("[data-check]").all():
        # A word and a shape, not a colour alone; and something to do where it is not right.
        assert row.locator(".mark .word").inner_text().strip()
        assert row.locator(".mark svg.shape use").get_attribute("href")
        assert (row.get_attribute("data-state") == "right") is (row.locator(".todo").count() == 0)
    looked_at(page, width, tmp_path / "first.png")
    link = page.get_by_role("link", name="Test the rig alone")
    link.focus()
    before = link.bounding_box()
    page.evaluate("window.volume = document.querySelector('[data-check=volume]').firstChild")
    conn.execute("UPDATE notification SET sent_at = clock_timestamp()")
    ready.scene.event(ready.made, EventKind.VALVE_REPORTED, NOON_US, "The valve reports.")
    expect(page.locator("[data-check=route]")).to_have_attribute("data-state", "right", timeout=PATIENCE_MS)
    expect(page.locator("#ready")).not_to_contain_text("alert route")
    assert link.bounding_box() == pytest.approx(before, abs=1.0)
    expect(link).to_be_focused()
    assert page.evaluate("window.volume === document.querySelector('[data-check=volume]').firstChild")
    looked_at(page, width, tmp_path / "then.png")


def test_a_valve_is_proved_and_the_page_says_that_one_is_ready(
    open_page: Open, site: Serving, ready: Rig, tmp_path: Path
) -> None:
    conn, job_id, scene = ready.scene.conn, ready.made.job.id, ready.scene
    page = open_page(f"/jobs/{job_id}/preflight", width=390)
    page.get_by_role("link", name="Prove the valve").first.click()
    expect(page.get_by_role("heading", name="Order it closed")).to_be_visible()
    looked_at(page, 390, tmp_path / "prove.png")
    page.get_by_role("button", name="Close it now").click()
    expect(page.locator("#step")).to_have_attribute("data-step", "ordered")
    looked_at(page, 390, tmp_path / "ordered.png")
    (given,) = conn.execute("SELECT id FROM valve_order").fetchall()
    settle(conn, given["id"], OrderResult.DONE, NOON_US)
    site.clock.advance(60)
    scene.now_us += 60 * US
    report(scene, ready.made, Valve.CLOSED, NOON_US + 5 * US)
    ready.pump_reports(NOON_US - 10 * MINUTE, NOON_US + 30 * US)
    expect(page.locator("#step")).to_have_attribute("data-step", "watched", timeout=PATIENCE_MS)
    conn.execute("UPDATE valve_order SET holds = true")
    expect(page.locator("#last")).to_have_attribute("data-proved", "yes", timeout=PATIENCE_MS)
    expect(page.get_by_role("link", name="Look at what must be so, and open it")).to_be_visible()
    page.get_by_label("I have seen it close without power").check()
    page.get_by_role("button", name="Write it down").click()
    expect(page.get_by_text("It closed by itself without power")).to_be_visible()
    looked_at(page, 390, tmp_path / "proved.png")
    # Opened again, with all the rest seen to.
    now_us = scene.now_us
    report(scene, ready.made, Valve.OPEN, now_us - US)
    conn.execute(
        "INSERT INTO phase (job_id, kind, started_at) VALUES (%s, 'pull-down', %s)",
        (job_id, to_datetime(now_us - 60 * MINUTE)),
    )
    scene.event(ready.made, EventKind.TARGET_REACHED, now_us - MINUTE, "Reached.")
    conn.execute("UPDATE fact SET subject_at = %s", (to_datetime(now_us - 60 * MINUTE),))
    scene.readings(ready.made, [(now_us - n * 10 * US, 40.0) for n in range(180, 0, -1)])
    conn.execute("DELETE FROM latest WHERE quantity = %s", (int(Quantity.BATTERY_SHARE),))
    whom = people.by_login(conn, LOGIN).id
    with conn.transaction():
        proofs.keep(
            conn, ProofKind.RIG, now_us, job_id=job_id, person_id=whom, passed=True, text="It stands."
        )
    delivered(conn, ready)
    with site.client() as client:
        made = client.post("/api/v1/hold-plans", json={"job_id": job_id, "report_at": "06:30"})
        assert made.status_code == 201, made.text
    page.get_by_role("link", name="Before you leave").click()
    expect(page.locator("#ready")).to_contain_text("Ready to leave.", timeout=PATIENCE_MS)
    looked_at(page, 390, tmp_path / "ready.png")
    page.context.set_offline(True)
    expect(page.locator("#then")).to_be_visible(timeout=PATIENCE_MS)
    expect(page.locator("#ready")).to_be_hidden()
    page.context.set_offline(False)

"""A technician's way with a telephone in a glove: from the login through gauge and volume to leaving."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from model.clock import US
from model.reading import Valve
from tests.api.scene import MINUTE, Made, Scene, micron
from tests.api.serving import PASSWORD, TECHNICIAN, Serving
from tests.api.valves import presence, report
from tests.browser.test_phone import FINGER

pytestmark = pytest.mark.browser

# A link in a sentence may be low (WCAG 2.2, 2.5.8, "inline"), and so may one whose card is pressed whole.
LOW = """(least) => [
    ...document.querySelectorAll("a, button, input:not([type=hidden]), select, summary, textarea")
].filter((item) => {
        const box = (item.closest("label") ?? item).getBoundingClientRect();
        const inline = item.tagName === "A" && getComputedStyle(item).display === "inline";
        return box.width && !inline && !item.closest(".skip, .glance") && box.height < least - 0.5;
    }).map((item) => `${item.tagName} ${item.textContent || item.name}`.slice(0, 60))"""


@pytest.fixture
def made(scene: Scene) -> Made:
    made = scene.job("Kestrel Cold Store", "Rack 1", scene.now_us - 60 * MINUTE)
    scene.readings(made, [(scene.now_us - n * 10 * US, micron(450 + n)) for n in range(60, 0, -1)])
    report(scene, made, Valve.OPEN, scene.now_us - 5 * US)
    presence(scene.conn, made, online=True)
    return made


@pytest.fixture
def page(browser: Browser, site: Serving) -> Iterator[Page]:
    context = browser.new_context(
        base_url=site.address,
        viewport={"width": 390, "height": 844},
        has_touch=True,
        is_mobile=True,
        reduced_motion="reduce",
        service_workers="block",
    )
    context.set_default_timeout(20_000)
    yield context.new_page()
    context.close()


def test_from_the_login_to_leaving_every_press_is_large_enough(
    page: Page, made: Made, tmp_path: Path
) -> None:
    def looked_at() -> None:
        assert page.evaluate("document.documentElement.scrollWidth") <= 390, page.url
        low = page.evaluate(LOW, FINGER)
        assert not low, (page.url, low)

    page.goto("/")
    looked_at()
    page.fill("input[name=login]", TECHNICIAN)
    page.fill("input[name=password]", PASSWORD)
    page.click("main button")
    page.wait_for_url("**/jobs")
    looked_at()
    page.locator(".glance .whole").click()
    page.wait_for_url(f"**/jobs/{made.job.id}/site")
    looked_at()
    page.get_by_role("link", name="Assign a gauge").first.click()
    page.get_by_label("Name on the gauge's label").fill("gauge")
    page.get_by_text("Circuit's side").click()
    page.get_by_role("button", name="Assign it").click()
    expect(page.locator("main")).to_contain_text("Registered at this site: gw-kestrelcoldstore/g1")
    looked_at()
    page.get_by_label("Name on the gauge's label").fill("g1")
    page.get_by_role("button", name="Assign it").click()
    page.wait_for_url(f"**/jobs/{made.job.id}/site")
    page.get_by_role("link", name="Volume from pipes").click()
    expect(page.locator("main")).to_contain_text("Rack 1 is set up with 12")
    page.get_by_label("Outside diameter of pipe 1").fill("7/8 in")
    page.get_by_label("Length of pipe 1").fill("30 m")
    page.get_by_label("Volume of vessel 1").fill("8 l")
    page.get_by_role("button", name="Calculate").click()
    looked_at()
    # Nothing of a row is to be looked for beside the screen.
    assert page.evaluate(
        "[...document.querySelectorAll('.scroll')].every((e) => e.scrollWidth <= e.clientWidth)"
    )
    page.screenshot(path=tmp_path / "volume.png", full_page=True)
    page.get_by_role("button", name="Keep it as a note").click()
    expect(page.locator("#notes")).to_contain_text("Volume by pipes and vessels: 17.4")
    expect(page.locator("#notes")).to_contain_text("From 30 m of 7/8 in outside; 8 l.")
    for way in (
        "Before you leave",
        "Test the rig alone",
        "Find a leak by sections",
        "Leave the hold to the system",
    ):
        page.goto(f"/jobs/{made.job.id}/site")
        page.get_by_role("link", name=way).last.click()
        expect(page.get_by_role("heading", level=1)).to_be_visible()
        looked_at()
    for path in (f"/jobs/{made.job.id}/setup", f"/jobs/{made.job.id}", "/alerts"):
        page.goto(path)
        looked_at()


def test_a_login_that_was_sent_from_a_page_leads_back_to_it(page: Page, made: Made) -> None:
    page.goto("/alerts")
    page.fill("input[name=login]", TECHNICIAN)
    page.fill("input[name=password]", PASSWORD)
    page.click("main button")
    page.wait_for_url("**/alerts")

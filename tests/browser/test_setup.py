"""Setting up in a browser: every page fits and can be read; a company is set up by keyboard and mouse."""

from __future__ import annotations

import pytest

from store.database import Connection
from tests.api.scene import Made
from tests.api.test_refused import refuse
from tests.browser.conftest import Open
from tests.browser.test_look import AA, AA_LARGE, CONTRASTS

pytestmark = pytest.mark.browser

PAGES = [
    "/setup", "/setup/sites", "/setup/sites/1", "/setup/circuits", "/setup/circuits/1", "/setup/crews",
    "/setup/gateways", "/setup/gateways/1", "/setup/instruments", "/setup/instruments/1", "/setup/procedures",
    "/setup/procedures/1", "/setup/import/instrument", "/setup/pipes",
    "/setup/refused", "/setup/refused/1", "/setup/import/job",
]  # fmt: skip


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("width", [390, 1280])
def test_every_page_fits_and_can_be_read(
    open_page: Open, conn: Connection, jobs: dict[str, Made], width: int, dark: bool
) -> None:
    refuse(conn, b'[{"n":"pressure","u":"Pa","v":40,"t":1780000000},' + b"long" * 40, "gw-" + "x" * 37)
    page = open_page("/", width=width, dark=dark)
    for address in PAGES:
        page.goto(address)
        page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
        assert page.evaluate("document.documentElement.scrollWidth") <= width, address
        texts = page.evaluate(CONTRASTS)
        assert len(texts) > 8, address
        weak = [t for t in texts if t["ratio"] < (AA_LARGE if t["large"] else AA)]
        assert not weak, (address, weak)
        unlabelled = page.evaluate(
            "[...document.querySelectorAll('main input:not([type=hidden]), main select, main textarea')]"
            ".filter((one) => !one.labels.length && !one.getAttribute('aria-label')).map((one) => one.name)"
        )
        assert unlabelled == [], address


def test_a_gateway_and_its_gauge_are_set_up_without_script(
    open_page: Open, conn: Connection, complaints: list[str]
) -> None:
    page = open_page("/", script=False)
    page.goto("/setup/sites")
    page.get_by_text("Add site").first.click()
    page.get_by_label("Name").fill("Quay")
    page.get_by_label("Time zone").fill("Mars/Base")
    page.get_by_role("button", name="Add site").click()
    assert page.locator("#f-time_zone-wrong").inner_text().startswith("'Mars/Base' is no time zone")
    assert page.get_by_label("Name").input_value() == "Quay"
    page.get_by_label("Time zone").fill("Europe/Oslo")
    page.get_by_role("button", name="Add site").click()
    page.wait_for_url("**/setup/sites/1")
    page.goto("/setup/gateways")
    page.get_by_text("Add gateway").first.click()
    page.get_by_label("Name").fill("van-7")
    page.get_by_label("Site").select_option("Quay")
    page.get_by_role("button", name="Add gateway").click()
    assert len(page.locator("#secret").inner_text()) >= 24
    page.get_by_text("I have noted it").click()
    page.get_by_text("Add instrument").first.click()
    page.get_by_label("Name").fill("g1")
    page.get_by_label("Range to").fill("25000 micron")
    page.get_by_role("button", name="Add instrument").click()
    page.wait_for_url("**/setup/instruments/1")
    row = conn.execute("SELECT name, role, range_high_pa FROM instrument").fetchone()
    assert row == {"name": "g1", "role": "gauge", "range_high_pa": pytest.approx(3333.0597)}
    # The browser says on its console that a form came back with 422.
    complaints[:] = [text for text in complaints if "422" not in text]

"""Printed labels: a code reader that is not ours reads from the page what leads to the gauge."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from api.pages.setup.labels import host_in
from model.equipment import Role
from model.errors import BadInput
from model.labels import instrument_in
from store import equipment
from store.database import Connection
from tests.api.scene import HOUR, Made, Scene
from tests.api.serving import NOON_US
from tests.browser.conftest import Open

pytestmark = pytest.mark.browser

READER = Path(__file__).parent / "node_modules" / "jsqr" / "dist" / "jsQR.js"
# A photograph of 4 px a module, with a stain over a tenth of the code.
READ = """async (svg) => {
    const copy = svg.cloneNode(true);
    const side = Number(svg.getAttribute("viewBox").split(" ")[2]) * 4;
    copy.setAttribute("xmlns", "http://www.w3.org/2000/svg");
    copy.setAttribute("width", side);
    copy.setAttribute("height", side);
    const image = new Image();
    image.src = "data:image/svg+xml," + encodeURIComponent(copy.outerHTML);
    await image.decode();
    const canvas = Object.assign(document.createElement("canvas"), { width: side, height: side });
    const pen = canvas.getContext("2d");
    pen.fillStyle = "#fff";
    pen.fillRect(0, 0, side, side);
    pen.drawImage(image, 0, 0);
    pen.fillStyle = "#888";
    pen.fillRect(side * 0.5, side * 0.55, side * 0.2, side * 0.2);
    return jsQR(pen.getImageData(0, 0, side, side).data, side, side)?.data;
}"""


@pytest.fixture
def made(scene: Scene, conn: Connection) -> Made:
    made = scene.job("Quay", "Rack", NOON_US - HOUR)
    gateway = equipment.gateway_named(conn, "gw-quay")
    equipment.add_instrument(conn, gateway.id, "a-name-of-all-the-forty-characters-there", Role.GAUGE)
    scene.job("Mill", "Rack", NOON_US - HOUR)
    return made


def codes(page: Page) -> list[Any]:
    page.evaluate(READER.read_text())
    return [code.evaluate(READ) for code in page.locator(".labels svg").all()]


@pytest.mark.parametrize("width", [390, 1280])
def test_the_code_is_read_and_leads_to_the_job(
    open_page: Open, made: Made, width: int, tmp_path: Path
) -> None:
    if not READER.exists():
        pytest.skip("jsqr is not installed: run npm ci in tests/browser")
    page = open_page("/jobs", width=width, dark=True)
    page.goto("/setup/labels?host=https://vacuum.example.com/")
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    read = codes(page)
    assert [instrument_in(one) for one in read] == [
        "gw-mill/g1",
        "gw-quay/a-name-of-all-the-forty-characters-there",
        "gw-quay/g1",
    ]
    assert read[2] == "https://vacuum.example.com/i/gw-quay/g1"
    expect(page.locator(".labels li").last).to_contain_text("g1")
    page.screenshot(path=tmp_path / "labels.png", full_page=True)
    page.get_by_label("Site").select_option(label="Quay")
    page.get_by_role("button", name="Show").click()
    expect(page.locator(".labels li")).to_have_count(2)
    page.goto(f"/setup/labels?gauge={made.gauge.id}")
    expect(page.locator(".labels li")).to_have_count(1)
    expect(page.locator("main")).to_contain_text("no telephone finds it there")
    page.goto(page.locator(".label-address").inner_text())
    page.wait_for_url(f"**/jobs/{made.job.id}/site")


def test_only_the_labels_are_printed_and_none_is_cut_off(open_page: Open, made: Made) -> None:
    page = open_page("/setup/labels", width=794)
    page.emulate_media(media="print")
    expect(page.get_by_role("heading", level=1)).to_be_hidden()
    for label in page.locator(".labels li").all():
        outer, inner = label.bounding_box(), label.locator(".told").bounding_box()
        assert outer is not None
        assert inner is not None
        assert outer["width"] == pytest.approx(90 / 25.4 * 96, abs=1)
        assert inner["height"] <= outer["height"]
        assert inner["x"] + inner["width"] <= outer["x"] + outer["width"] + 1


def test_sixteen_labels_go_on_a_sheet(open_page: Open, conn: Connection, made: Made) -> None:
    gateway = equipment.gateway_named(conn, "gw-quay")
    for number in range(13):
        equipment.add_instrument(conn, gateway.id, f"van-{number}", Role.GAUGE)
    page = open_page("/setup/labels")
    expect(page.locator(".labels li")).to_have_count(16)

    def sheets() -> int:
        return len(re.findall(rb"/Type\s*/Page\b", page.pdf(format="A4")))

    assert sheets() == 1
    equipment.add_instrument(conn, gateway.id, "van-13", Role.GAUGE)
    page.reload()
    assert sheets() == 2


@pytest.mark.parametrize(
    ("text", "host"),
    [
        ("https://vacuum.example.com/", "https://vacuum.example.com"),
        (" http://192.0.2.7:8470 ", "http://192.0.2.7:8470"),
        ("http://[2001:db8::7]:8470", "http://[2001:db8::7]:8470"),
        ("vacuum.example.com", None),
        ("javascript:alert(1)", None),
        ("https://user@example.com", None),
        ("https://example.com/path", None),
        ("https://example.com:port", None),
        ("https://" + "x" * 100, None),
    ],
)
def test_the_address_on_a_label_is_one_of_a_host(text: str, host: str | None) -> None:
    if host is not None:
        assert host_in(text) == host
        return
    with pytest.raises(BadInput):
        host_in(text)

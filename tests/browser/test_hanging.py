"""A gauge is hung on a job with a phone: scanned or typed, and on a side."""

from __future__ import annotations

import pytest
from playwright.sync_api import expect

from model.equipment import Position, Role
from model.job import JobState
from store import equipment, lists
from store.database import Connection
from tests.api.scene import HOUR, Made, Scene
from tests.api.serving import NOON_US, Serving
from tests.browser.conftest import Open

pytestmark = pytest.mark.browser

# Chromium has no such detector on Linux; the camera is the browser's own test device.
DETECTOR = """window.BarcodeDetector = class {
    async detect(video) {
        return video.videoWidth ? [{ rawValue: "https://vacuum.example.com/i/gw-quay/spare" }] : [];
    }
};"""


@pytest.fixture
def made(scene: Scene) -> Made:
    return scene.job("Quay", "Rack", NOON_US - HOUR, state=JobState.RUNNING)


@pytest.fixture
def spare(conn: Connection, made: Made) -> int:
    gateway = equipment.gateway_named(conn, "gw-quay")
    return equipment.add_instrument(conn, gateway.id, "spare", Role.GAUGE, Position.PUMP).id


def deciding(conn: Connection, made: Made) -> dict[str, bool]:
    return {one["name"]: one["deciding"] for one in lists.serving(conn, made.job.id) if not one["until"]}


def sides(conn: Connection, made: Made, name: str) -> list[tuple[str, bool, bool]]:
    """Side, whether it decides, and whether it still serves, of each span of a gauge."""
    return [
        (one["position"], one["deciding"], one["until"] is None)
        for one in lists.serving(conn, made.job.id)
        if one["name"] == name
    ]


def test_a_scanned_gauge_on_the_circuits_side_decides(
    open_page: Open, conn: Connection, made: Made, spare: int
) -> None:
    page = open_page(f"/jobs/{made.job.id}/site", width=390)
    page.get_by_role("link", name="Assign a gauge").first.click()
    page.context.grant_permissions(["camera"])
    page.add_init_script(DETECTOR)
    page.reload()
    page.get_by_role("button", name="Scan").click()
    expect(page.get_by_label("Name on the gauge's label")).to_have_value(
        "https://vacuum.example.com/i/gw-quay/spare"
    )
    page.get_by_text("Circuit's side").click()
    page.get_by_role("button", name="Assign it").click()
    page.wait_for_url(f"**/jobs/{made.job.id}/site")
    assert deciding(conn, made) == {"g1": False, "v1": False, "spare": True}
    assert sides(conn, made, "spare") == [("circuit", True, True)]
    assert equipment.instrument_named(conn, "gw-quay/spare").position is Position.PUMP, (
        "it is registered as it was"
    )


def test_a_typed_gauge_on_the_pumps_side_serves_and_decides_nothing(
    open_page: Open, conn: Connection, made: Made, spare: int
) -> None:
    page = open_page(f"/jobs/{made.job.id}/site/gauge", width=390, script=False)
    expect(page.get_by_role("button", name="Scan")).to_be_hidden()
    page.get_by_label("Name on the gauge's label").fill("Spare")
    page.get_by_text("Pump's side").click()
    page.get_by_role("button", name="Assign it").click()
    page.wait_for_url(f"**/jobs/{made.job.id}/site")
    assert deciding(conn, made) == {"g1": True, "v1": False, "spare": False}


def test_what_cannot_be_is_said_at_its_field_and_what_was_typed_stays(
    open_page: Open, scene: Scene, made: Made, spare: int, complaints: list[str]
) -> None:
    other = scene.job("Mill", "Rack", NOON_US - HOUR)
    page = open_page(f"/jobs/{made.job.id}/site/gauge", width=390)
    name = page.get_by_label("Name on the gauge's label")

    def send(text: str, side: str) -> None:
        name.fill(text)
        page.get_by_text(side, exact=True).click()
        page.get_by_role("button", name="Assign it").click()

    send("no-such", "Circuit's side")
    expect(page.locator("#problem-instrument")).to_contain_text("There is no instrument")
    expect(name).to_have_value("no-such")
    send("gw-quay/v1", "Circuit's side")
    expect(page.locator("#problem-instrument")).to_contain_text("no vacuum gauge")
    send("gw-mill/g1", "Circuit's side")
    expect(page.locator("#problem-instrument")).to_contain_text(f"serves job {other.job.id}")
    page.get_by_label("Take it over").check()
    page.get_by_role("button", name="Assign it").click()
    page.wait_for_url(f"**/jobs/{made.job.id}/site")
    assert all("422" in one for one in complaints)
    complaints.clear()


def test_a_gauge_that_was_moved_has_a_span_for_each_side(
    open_page: Open, site: Serving, conn: Connection, made: Made
) -> None:
    page = open_page(f"/jobs/{made.job.id}/site/gauge?name=g1", width=390)
    site.clock.advance(60)
    page.get_by_text("Pump's side").click()
    page.get_by_role("button", name="Assign it").click()
    page.wait_for_url(f"**/jobs/{made.job.id}/site")
    assert sides(conn, made, "g1") == [("circuit", True, False), ("pump", False, True)]
    page.goto(f"/jobs/{made.job.id}")
    expect(page.locator(".timeline")).to_contain_text("gw-quay/g1 moved to the pump's side")
    page.goto(f"/jobs/{made.job.id}/setup")
    first = page.locator(".served tbody").first
    first.locator("summary").click()
    expect(first.get_by_label("Side of the valve")).to_have_value("")
    first.get_by_label("Side of the valve").select_option(label="pump side")
    first.get_by_label("its pressure decides").uncheck()
    first.get_by_role("button", name="Save correction").click()
    page.wait_for_url(f"**/jobs/{made.job.id}")
    assert sides(conn, made, "g1") == [("pump", False, False), ("pump", False, True)]


def test_a_label_read_by_the_phones_own_camera_leads_to_its_job(
    open_page: Open, made: Made, spare: int
) -> None:
    page = open_page("/jobs", width=390)
    page.goto("/i/gw-quay/g1")
    page.wait_for_url(f"**/jobs/{made.job.id}/site")
    page.goto("/i/gw-quay/spare")
    page.get_by_role("link", name="Evacuation Rack").click()
    expect(page.get_by_label("Name on the gauge's label")).to_have_value("gw-quay/spare")

"""A hold that is left to the system: made in a few taps at the job's valve, its log read, called off."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import expect

from model.reading import Valve
from tests.api.scene import MINUTE, Scene
from tests.api.valves import presence, report
from tests.browser.conftest import Open
from tests.browser.test_look import AA, AA_LARGE, CONTRASTS

pytestmark = pytest.mark.browser


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("width", [390, 1280])
def test_a_plan_is_made_read_and_called_off(
    open_page: Open, complaints: list[str], scene: Scene, width: int, dark: bool, tmp_path: Path
) -> None:
    made = scene.job("Kestrel Cold Store", "Rack 1", scene.now_us - 60 * MINUTE)
    report(scene, made, Valve.OPEN, scene.now_us - 5 * MINUTE)
    presence(scene.conn, made, online=True)
    page = open_page(f"/jobs/{made.job.id}", width=width, dark=dark)

    def looked_at(name: str) -> None:
        assert page.evaluate("document.documentElement.scrollWidth") <= width, name
        texts = page.evaluate(CONTRASTS)
        assert not [text for text in texts if text["ratio"] < (AA_LARGE if text["large"] else AA)], name
        page.screenshot(path=tmp_path / f"{name}.png", full_page=True)

    page.get_by_role("link", name="Leave the hold to the system").click()
    expect(page.get_by_role("heading", name="Before you leave")).to_be_visible()
    looked_at("new")
    page.get_by_label("When the target has been held").fill("half an hour")
    page.get_by_role("button", name="Make the plan").click()
    expect(page.get_by_role("alert")).to_contain_text("Whole minutes")
    looked_at("refused")
    complaints.clear()  # the browser speaks of the refusal, too
    page.get_by_label("When the target has been held").fill("30")
    page.get_by_label("And not before").fill("18:00")
    page.get_by_label("Tell how it went").fill("06:30")
    page.get_by_label("Dry in rounds").check()
    page.get_by_label("Minutes of pumping").fill("60")
    page.get_by_label("I confirm, by my name").check()
    page.get_by_role("button", name="Make the plan").click()
    page.wait_for_url(f"**/jobs/{made.job.id}/plan/*")
    expect(page.get_by_role("heading", name="Log")).to_be_visible()
    expect(page.get_by_text("dry, at most 2")).to_be_visible()
    looked_at("plan")
    page.get_by_text("Change it", exact=True).click()
    looked_at("changing")
    page.get_by_label("Tell how it went at").fill("07:15")
    page.get_by_label("Tarik Brandt").check()
    page.get_by_role("button", name="Save the change").click()
    expect(page.get_by_role("listitem").filter(has_text="Changed by Mara Vogt: the report")).to_be_visible()
    expect(page.get_by_text("told is Mara Vogt and Tarik Brandt instead of Mara Vogt")).to_be_visible()
    looked_at("changed")
    page.get_by_role("button", name="Call it off").click()
    expect(page.get_by_role("button", name="Call it off")).to_have_count(0)
    looked_at("called-off")

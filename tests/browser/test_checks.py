"""The guided checks at the site, from the first press to the note."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from model.clock import US
from model.job import JobState
from tests.api.scene import HOUR, Made, Scene, micron
from tests.api.serving import NOON_US, Serving
from tests.browser.conftest import Open
from tests.browser.test_look import AA, CONTRASTS
from tests.browser.test_phone import AAA

pytestmark = pytest.mark.browser


@pytest.fixture
def made(scene: Scene) -> Made:
    return scene.job("Quay", "Rack", NOON_US - HOUR, state=JobState.RUNNING)


class Watch:
    """Presses, lets five minutes go by with a rise, and reads."""

    def __init__(self, page: Page, site: Serving, scene: Scene, made: Made) -> None:
        self.page, self.site, self.scene, self.made = page, site, scene, made

    def of(self, button: str, pa_per_s: float) -> None:
        start_us = self.site.clock.now_us()
        self.page.get_by_role("button", name=button).click()
        expect(self.page.get_by_role("heading", level=2)).to_contain_text("Wait: 3 min at least")
        expect(self.page.get_by_role("button", name="Read it now")).to_have_count(0)
        curve = [(start_us + n * US, micron(400) + pa_per_s * n) for n in range(5, 300, 10)]
        self.scene.now_us = curve[-1][0]
        self.scene.readings(self.made, curve)
        self.site.clock.advance(301)
        self.page.reload()
        self.page.get_by_role("button", name="Read it now").click()


def test_a_leak_is_found_by_sections_and_kept_as_a_note(
    open_page: Open, site: Serving, scene: Scene, made: Made
) -> None:
    page = open_page(f"/jobs/{made.job.id}/site/find", width=390)
    page.get_by_label("Sections").fill("Low stage\n\nReceiver\n")
    page.get_by_role("button", name="Go on").click()
    watch = Watch(page, site, scene, made)
    watch.of("The pump is cut off: watch", 0.05)
    expect(page.get_by_role("heading", level=2)).to_have_text("Cut off Low stage")
    watch.of("It is cut off: watch", 0.06)
    expect(page.locator("#watched")).to_contain_text("the rest rises as before: not there")
    expect(page.get_by_role("heading", level=2)).to_have_text("Cut off Receiver")
    watch.of("It is cut off: watch", 0.0)
    expect(page.locator("#result")).to_contain_text("without Receiver: look for the leak there")
    expect(page.locator("#result")).to_contain_text("Not in Low stage")
    page.get_by_role("button", name="Keep it as a note").click()
    expect(page.locator("#notes")).to_contain_text("Isolated by sections.")
    expect(page.locator("#notes")).to_contain_text("look for the leak there")


@pytest.mark.parametrize(
    ("pa_per_s", "said"),
    [(0.0, "The rig stands"), (0.2, "The rig rises by itself")],
    ids=["tight", "leaking"],
)
def test_the_rig_is_tested_alone_without_a_script(
    open_page: Open, site: Serving, scene: Scene, made: Made, pa_per_s: float, said: str
) -> None:
    page = open_page(f"/jobs/{made.job.id}/site/rig", width=390, script=False)
    Watch(page, site, scene, made).of("It is cut off: watch", pa_per_s)
    expect(page.locator("#result")).to_contain_text(said)


def test_without_readings_nothing_is_told(open_page: Open, site: Serving, made: Made) -> None:
    page = open_page(f"/jobs/{made.job.id}/site/rig", width=390)
    page.get_by_role("button", name="It is cut off: watch").click()
    site.clock.advance(400)
    page.reload()
    page.get_by_role("button", name="Read it now").click()
    expect(page.locator("#result")).to_contain_text("too few readings")


def test_it_goes_on_from_another_telephone_and_takes_a_press_back(
    open_page: Open, made: Made, complaints: list[str]
) -> None:
    first = open_page(f"/jobs/{made.job.id}/site/find", width=390)
    first.get_by_label("Sections").fill("Low stage")
    first.get_by_role("button", name="Go on").click()
    expect(first.get_by_role("heading", level=2)).to_have_text("First the whole")
    second = open_page(f"/jobs/{made.job.id}/site", width=390)
    second.get_by_role("link", name="A leak is being looked for by sections").click()
    second.get_by_role("button", name="The pump is cut off: watch").click()
    expect(second.get_by_role("heading", level=2)).to_contain_text("Wait")
    # The first one has not seen that, and must not begin a second time.
    first.get_by_role("button", name="The pump is cut off: watch").click()
    expect(first.locator("#problem")).to_contain_text("Somebody went on with this check meanwhile")
    expect(first.get_by_role("heading", level=2)).to_contain_text("Wait")
    first.get_by_role("button", name="Undo the last press").click()
    expect(first.get_by_role("heading", level=2)).to_have_text("First the whole")
    first.get_by_role("button", name="From the beginning").click()
    expect(first.get_by_label("Sections")).to_be_visible()
    first.get_by_role("button", name="Undo the last press").click()
    expect(first.get_by_role("heading", level=2)).to_have_text("First the whole")
    first.goto(f"/jobs/{made.job.id}")
    for line in ("sections to be cut off: Low stage, by Mara Vogt", "(“watch”) undone", "begun anew"):
        expect(first.locator(".timeline")).to_contain_text(line)
    assert all("409" in one for one in complaints)
    complaints.clear()


def test_a_stretch_left_overnight_counts_for_its_first_four_hours(
    open_page: Open, site: Serving, scene: Scene, made: Made
) -> None:
    page = open_page(f"/jobs/{made.job.id}/site/rig", width=390)
    start_us = site.clock.now_us()
    page.get_by_role("button", name="It is cut off: watch").click()
    expect(page.get_by_role("heading", level=2)).to_contain_text("Wait")
    tight = [(start_us + n * 60 * US, micron(400)) for n in range(1, 241)]
    warm = [(start_us + n * 60 * US, micron(400 + n)) for n in range(241, 600)]
    scene.now_us = warm[-1][0]
    scene.readings(made, [*tight, *warm])
    site.clock.advance(600 * 60)
    page.reload()
    expect(page.locator("main")).to_contain_text("left for more than four hours")
    page.get_by_role("button", name="Read it now").click()
    expect(page.locator("#result")).to_contain_text("The rig stands")


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("width", [390, 1280])
def test_the_pages_of_acts_fit_read_and_carry_their_cautions(
    open_page: Open, made: Made, width: int, dark: bool, tmp_path: Path
) -> None:
    page = open_page("/jobs", width=width, dark=dark)
    for what in ("rig", "find", "gauge", "volume"):
        page.goto(f"/jobs/{made.job.id}/site/{what}")
        assert page.evaluate("document.documentElement.scrollWidth") <= width, what
        weak = [t for t in page.evaluate(CONTRASTS) if t["ratio"] < (AA if t["large"] else AAA)]
        assert not weak, (what, weak)
        page.screenshot(path=tmp_path / f"{what}.png", full_page=True)
        if what != "volume":
            cautions = page.get_by_label("Cautions")
            expect(cautions).to_contain_text("Never open an isolation valve to a stopped pump")
        for box in page.locator("main button:visible, main .press, main input, main .check").all():
            found = box.bounding_box()
            high = box.evaluate("(item) => item.closest('.check') ? 48 : item.getBoundingClientRect().height")
            assert found is None or high >= 48, (what, found)

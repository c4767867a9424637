"""Every page fits, reads and keeps its contrast: 390 and 1280 pixels, light and dark."""

from __future__ import annotations

import pytest
from playwright.sync_api import Page

from tests.api.scene import Made
from tests.browser.conftest import Open

pytestmark = pytest.mark.browser

AA = 4.5
"""Least contrast of text: WCAG 2.2, success criterion 1.4.3, level AA."""
AA_LARGE = 3.0
"""The same for text of 24 px, or bold of 18.66 px."""

# Contrast after WCAG 2.2, "relative luminance" and "contrast ratio". Colours are read back from a canvas, so
# that every notation of the browser counts; backgrounds are laid over each other down to the page's own.
CONTRASTS = """() => {
    const canvas = document.createElement("canvas");
    canvas.width = canvas.height = 1;
    const pen = canvas.getContext("2d", { willReadFrequently: true });
    const layers = (element) => {
        const found = [];
        for (let item = element; item; item = item.parentElement) {
            found.push(getComputedStyle(item).backgroundColor);
        }
        return found.reverse();
    };
    const paint = (colours) => {
        pen.clearRect(0, 0, 1, 1);
        pen.fillStyle = matchMedia("(prefers-color-scheme: dark)").matches ? "#000" : "#fff";
        pen.fillRect(0, 0, 1, 1);
        colours.forEach((colour) => { pen.fillStyle = colour; pen.fillRect(0, 0, 1, 1); });
        return [...pen.getImageData(0, 0, 1, 1).data].slice(0, 3);
    };
    const luminance = (rgb) => {
        const linear = (c) => (c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4);
        const [r, g, b] = rgb.map((v) => linear(v / 255));
        return 0.2126 * r + 0.7152 * g + 0.0722 * b;
    };
    const found = [];
    document.querySelectorAll("body *").forEach((element) => {
        const own = [...element.childNodes].some((node) => node.nodeType === 3 && node.textContent.trim());
        const box = element.getBoundingClientRect();
        if (!own || !box.width || !box.height || element.closest("#plot, .unseen, .skip")) return;
        const style = getComputedStyle(element);
        const under = layers(element);
        const both = [luminance(paint([...under, style.color])), luminance(paint(under))];
        const [light, dark] = both.sort((a, b) => b - a);
        const size = parseFloat(style.fontSize);
        found.push({
            text: element.textContent.trim().slice(0, 40),
            ratio: (light + 0.05) / (dark + 0.05),
            large: size >= 24 || (size >= 18.66 && Number(style.fontWeight) >= 700),
        });
    });
    return found;
}"""


def addresses(jobs: dict[str, Made]) -> list[str]:
    """One of every kind of page."""
    return ["/", "/alerts", f"/jobs/{jobs['leak'].job.id}", f"/jobs/{jobs['walk-up'].job.id}", "/api/v1/docs"]


def settle(page: Page, address: str) -> None:
    """Wait until the page has all it shows."""
    page.goto(address)
    if "/jobs/" in address:
        page.wait_for_selector("#plot[data-drawn]")
    elif address == "/":
        page.wait_for_function("() => document.getElementById('summary').textContent !== ''")


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("width", [390, 1280])
def test_every_page_fits_and_can_be_read(
    open_page: Open, jobs: dict[str, Made], width: int, dark: bool
) -> None:
    page = open_page("/", width=width, dark=dark)
    for address in addresses(jobs):
        settle(page, address)
        assert page.evaluate("document.documentElement.scrollWidth") <= width, address
        texts = page.evaluate(CONTRASTS)
        assert len(texts) > 8, address
        weak = [t for t in texts if t["ratio"] < (AA_LARGE if t["large"] else AA)]
        assert not weak, (address, weak)


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_the_login_and_error_pages_can_be_read(open_page: Open, dark: bool) -> None:
    page = open_page("/", width=390, dark=dark)
    page.goto("/api/v1/docs")
    page.get_by_role("button", name="Log out").click()
    page.wait_for_url("**/login")
    texts = page.evaluate(CONTRASTS)
    assert not [t for t in texts if t["ratio"] < AA]


def test_states_are_told_by_shape_and_word_not_by_colour_alone(
    open_page: Open, jobs: dict[str, Made]
) -> None:
    page = open_page("/")
    settle(page, "/")
    marks = page.evaluate("""() => [...document.querySelectorAll("#rows .c-state .mark")].map((mark) => [
        mark.querySelector("use").getAttribute("href"), mark.querySelector(".word").textContent,
        mark.querySelector("svg").getBoundingClientRect().width])""")
    assert len(marks) == len(jobs)
    shape_of = {word: shape for shape, word, _ in marks}
    assert all(width > 8 and word for _, word, width in marks)
    for one, other in (("Failed", "Inconclusive"), ("Failed", "Finished"), ("Holding", "Pulling down")):
        assert shape_of[one] != shape_of[other]


def test_the_board_is_worked_by_keyboard(open_page: Open, jobs: dict[str, Made]) -> None:
    page = open_page("/")
    settle(page, "/")
    page.locator("#rows tr").first.locator("a.whole").focus()
    assert page.evaluate("getComputedStyle(document.activeElement, '::after').outlineStyle") == "solid"
    page.keyboard.press("Enter")
    page.wait_for_url(f"**/jobs/{jobs['leak'].job.id}")


@pytest.mark.parametrize("width", [390, 1280])
def test_what_is_pressed_is_large_enough(open_page: Open, jobs: dict[str, Made], width: int) -> None:
    # WCAG 2.2, success criterion 2.5.8: 24 by 24 CSS pixels.
    page = open_page("/alerts", width=width)
    for selector in ("button", "input:not([type=hidden])", "summary"):
        for box in page.locator(selector).all():
            found = box.bounding_box()
            assert found is None or (found["width"] >= 24 and found["height"] >= 24), selector

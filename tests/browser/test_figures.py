"""Figures on the pages: the script writes what the server writes, and one act changes all of it."""

from __future__ import annotations

import json
import random
import re
from datetime import UTC, datetime
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from api.conventions import of_tag
from api.figures import Figures
from api.sentences import find, tell
from api.words import LOCALES
from model.alert import Priority
from model.clock import US
from model.event import EventKind
from physics.units import MICRON_PA
from store import preferences
from store.database import Connection
from store.preferences import NONE_CHOSEN, PRESSURE
from tests.api.scene import Made, Scene, micron
from tests.api.serving import LOGIN, NOON_US
from tests.browser.conftest import Open

pytestmark = pytest.mark.browser
PATIENCE_MS = 10_000
CASES = 3000
SENTENCES = (
    "The hold is running: 500 micron (66.7 Pa) now, 1000 micron (133.3 Pa) permitted, 30 min long.",
    "It changed by +12 micron (+1.6 Pa), at -3 °C, by 0.7 K and more than 5 K: 1.48e-01 Pa/s, 2e-3 Pa·m³/s.",
    "It fell below 50 kPa; 500 micron held for 60 s.",
)
WRITE = """
async ([address, readers, cases]) => {
  const { Figures } = await import(address);
  const written = readers.map((how) => new Figures(how));
  return cases.map(([who, value, accuracy, marks, at, zone, text, told]) => {
    const f = written[who];
    return [f.pressure(value, accuracy, marks), f.setting(value), f.about(value), f.exact(value),
      f.pressureRate(value), f.number(value, 3), f.temperature(Math.abs(value)),
      f.temperatureDifference(value), f.when(at, zone), f.when(at, zone, true), f.sentence(text, told)];
  });
}
"""
NUMBERS = """
([tags, values]) => tags.map((tag) => values.map((value) =>
  new Intl.NumberFormat(tag, { numberingSystem: "latn", useGrouping: "always", maximumFractionDigits: 2 })
    .format(value).replace("-", "\\u2212")))
"""
CLOCKS = """
(tags) => tags.map((tag) => {
  const numeric = { dateStyle: "short", timeStyle: "short", timeZone: "UTC" };
  const parts = new Intl.DateTimeFormat(tag, numeric).formatToParts(new Date("2026-11-24T14:05:00Z"));
  const order = parts.map((part) => part.type[0]).filter((one) => "ymd".includes(one)).slice(0, 3).join("");
  return [order, parts.some((part) => part.type === "dayPeriod")];
})
"""


def figures_address(page: Page) -> str:
    """Where the pages find the module."""
    found = page.locator('script[type="module"]').first.get_attribute("src")
    assert found
    return found.rpartition("/")[0] + "/figures.js"


def readers(rng: random.Random) -> list[Figures]:
    """People with every unit in many locales."""
    return [
        Figures(
            NONE_CHOSEN.changed(
                {
                    "pressure_unit": unit,
                    "beside_unit": rng.choice([None, *PRESSURE]),
                    "temperature_unit": rng.choice("CF"),
                    "exact": rng.random() < 0.2,
                }
            ),
            of_tag(tag) or pytest.fail(tag),
            rng.choice([None, "Europe/Berlin", "America/New_York"]),
            2026,
        )
        for unit in PRESSURE
        for tag in LOCALES
    ]


def case(rng: random.Random, people: list[Figures]) -> tuple[list[Any], list[str]]:
    """What the script is given, and what the server writes of it."""
    who = rng.randrange(len(people))
    f = people[who]
    value = rng.choice(
        [
            10 ** rng.uniform(-2, 5.2) * rng.choice([1, 1, -1]),
            rng.randrange(4000) * MICRON_PA,
            rng.randrange(40_000) / 8,  # halves that must be rounded
            rng.randrange(1, 3000) / 100,
        ]
    )
    accuracy = rng.choice([0.0, 0.01, 0.03, 0.1, 0.15, 0.9, None])
    marks = rng.choice([[], [value * rng.uniform(0.98, 1.02)], [value], [micron(500), micron(2500)]])
    at = datetime.fromtimestamp(rng.randrange(1_500_000_000, 1_900_000_000), UTC)
    zone = rng.choice(["Europe/Berlin", "America/St_Johns", "Asia/Kolkata", "UTC", "Pacific/Apia"])
    text = rng.choice(SENTENCES)
    told = find(text, [66.7012], [micron(1000)], accuracy)
    given = [who, value, accuracy, marks, at.isoformat(), zone, text, [one.model_dump() for one in told]]
    return given, [
        f.pressure_text(value, accuracy, marks),
        f.setting_text(value),
        f.about(value),
        f.exact_text(value),
        f.pressure_rate(value),
        f.number(value, 3),
        f.temperature(abs(value)),
        f.temperature_difference(value),
        f.when(at, zone),
        f.when(at, zone, seconds=True),
        tell(text, f, told),
    ]


def test_the_script_writes_what_the_server_writes(open_page: Open, seed: int) -> None:
    rng = random.Random(seed)
    people = readers(rng)
    cases = [case(rng, people) for _ in range(CASES)]
    page = open_page("/")
    hows = [json.loads(json.dumps(one.script())) for one in people]
    written = page.evaluate(WRITE, [figures_address(page), hows, [given for given, _ in cases]])
    wrong = [
        (given, ours, theirs) for (given, ours), theirs in zip(cases, written, strict=True) if ours != theirs
    ]
    assert not wrong, wrong[:3]


def test_numbers_and_dates_are_those_of_the_browsers_own_cldr(open_page: Open) -> None:
    # Unicode CLDR as Chromium carries it; ours comes through Babel. We always group digits.
    tags = [tag for tag in LOCALES if tag != "si"]
    tags += [
        "fi-FI",
        "cs-CZ",
        "da-DK",
        "nb-NO",
        "hu-HU",
        "tr-TR",
        "ko-KR",
        "zh-CN",
        "en-ZA",
        "en-DE",
        "pt-PT",
    ]
    page = open_page("/")
    values = [0.05, 66.7, 1234.5, 101_325.0, 1_234_567.25, -8.5]
    theirs = page.evaluate(NUMBERS, [tags, values])
    clocks = page.evaluate(CLOCKS, tags)
    for tag, numbers, (order, twelve) in zip(tags, theirs, clocks, strict=True):
        conventions = of_tag(tag)
        assert conventions is not None
        figures = Figures(conventions=conventions)
        # Editions of CLDR differ in the shape of Switzerland's apostrophe.
        ours = [figures.exact_number(value).replace("’", "'") for value in values]
        assert ours == [number.replace("’", "'") for number in numbers], tag
        assert (conventions.order, conventions.twelve) == (order, twelve), tag


def test_one_act_changes_board_job_and_alerts(
    open_page: Open, jobs: dict[str, Made], scene: Scene, conn: Connection
) -> None:
    page = open_page("/me/figures")
    page.select_option("#pressure_unit", "hPa")
    page.select_option("#beside_unit", "none")
    page.select_option("#temperature_unit", "°F")
    page.select_option("#locale", "de-DE")
    page.click("main form.fields button")
    page.wait_for_url("**/me/figures")
    expect(page.locator("main")).to_contain_text("0,67\u202fhPa")
    expect(page.locator("main")).to_contain_text("1.013,25\u202fhPa")

    page.goto("/")
    made = jobs["pulling"]
    cell = page.locator(f'tr[data-job="{made.job.id}"] .c-pressure')
    expect(cell).to_contain_text("hPa")
    scene.readings(made, [(NOON_US - US, micron(444))])
    expect(cell.locator("[data-f=first]")).to_have_text("0,59", timeout=PATIENCE_MS)
    exact = f"{micron(444)} Pa".replace(".", ",").replace(" ", "\u202f")
    expect(cell.locator("[data-f=pressure]")).to_have_attribute("title", re.compile(f"hPa; stored: {exact}$"))
    assert "micron" not in page.locator("#board").inner_text()
    told = "Failed: the pressure went over the permitted 1000 micron (133.3 Pa)."
    scene.alert(made, "hold-failed", Priority.URGENT, told, "Look.", NOON_US + US)
    expect(page.locator(f'tr[data-job="{made.job.id}"] .alert-line')).to_contain_text(
        "permitted 1,333\u202fhPa.", timeout=PATIENCE_MS
    )
    expect(page.locator("#notices")).to_contain_text("permitted 1,333\u202fhPa.", timeout=PATIENCE_MS)
    page.goto("/alerts")
    expect(page.locator("#lists")).to_contain_text("permitted 1,333\u202fhPa.")

    page.goto(f"/jobs/{jobs['leak'].job.id}")
    page.wait_for_selector("#plot[data-drawn]")
    assert page.evaluate(AXES) == ["hPa"]
    page.check("#with-temperature")
    page.wait_for_function(f"() => JSON.stringify(({AXES})()) === JSON.stringify(['hPa', '°F'])")
    expect(page.locator("#judgement")).to_contain_text("permitted 1,33\u202fhPa for 60 s")
    expect(page.locator("#judgement")).to_contain_text("fell by 1,26\u202f°F")
    assert " Pa)" not in page.locator("#judgement").inner_text()
    page.locator("#numbers summary").click()
    assert page.locator("#numbers thead th").all_inner_texts() == ["Time", "hPa"]


AXES = "() => Bokeh.documents.at(-1).roots()[0].yaxes.map((axis) => axis.axis_label)"


def test_a_tap_shows_the_stored_value_and_another_the_step(
    open_page: Open, jobs: dict[str, Made], scene: Scene
) -> None:
    page = open_page(f"/jobs/{jobs['leak'].job.id}")
    figure = page.locator("#judgement data.fig").first
    shown = figure.inner_text()
    figure.click()
    expect(figure).to_contain_text("stored: ")
    assert repr(float(figure.get_attribute("value") or "nan")) in figure.inner_text().replace("\u202f", "")
    page.evaluate("document.querySelector('#judgement > *').dataset.old = ''")
    scene.event(jobs["leak"], EventKind.SERIES_BACK, NOON_US, "Readings come again.")
    expect(page.locator("#judgement [data-old]")).to_have_count(0, timeout=PATIENCE_MS)
    expect(figure, "a judgement drawn anew leaves it in full").to_contain_text("stored: ")
    figure.click()
    expect(figure).to_have_text(shown)


def test_exact_figures_are_a_link_away_and_stay_so_while_the_page_is_open(
    open_page: Open, jobs: dict[str, Made], scene: Scene
) -> None:
    made = jobs["holding"]
    page = open_page(f"/jobs/{made.job.id}")
    page.get_by_role("link", name="as stored").click()
    page.wait_for_url("**?exact=true")
    scene.readings(made, [(NOON_US - US, 61.2345)])
    expect(page.locator("#strip [data-f=second]")).to_have_text("61.2345", timeout=PATIENCE_MS)
    page.get_by_role("link", name="in steps").click()
    expect(page.locator("#strip [data-f=second]")).to_have_text("61", timeout=PATIENCE_MS)


def test_the_sites_offset_shows_to_somebody_whose_clock_differs(
    browser: Any, site: Any, jobs: dict[str, Made], conn: Connection
) -> None:
    person = conn.execute("SELECT id FROM person WHERE login = %s", (LOGIN,)).fetchone()
    assert person
    preferences.keep(conn, person["id"], NONE_CHOSEN.changed({"locale": "en-US"}))
    for zone, there in (("Europe/Lisbon", False), ("Asia/Tokyo", True)):
        context = browser.new_context(base_url=site.address, timezone_id=zone)
        with site.client() as client:
            cookies = [
                {"name": name, "value": value, "url": site.address} for name, value in client.cookies.items()
            ]
        context.add_cookies(cookies)
        page = context.new_page()
        page.goto("/")
        page.goto(f"/jobs/{jobs['leak'].job.id}")
        expect(page.locator("#judgement .hold header").first).to_contain_text("Thu, May 28, ")
        assert ("UTC+1" in page.locator("#judgement").inner_text()) == there
        context.close()

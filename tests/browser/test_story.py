"""What a dispatcher sees: the board lives, an alert comes and is taken, a job explains itself."""

from __future__ import annotations

import pytest
from playwright.sync_api import Page, expect

from api.config import ApiConfig
from model.alert import Priority
from model.clock import US, HandClock
from model.event import EventKind
from model.job import JobState
from model.judgement import Verdict
from model.reading import Valve
from store import judgement
from store.database import Connection
from tests.api.scene import MINUTE, Made, Scene, hold_test, micron
from tests.api.serving import NOON_US, Serving, serving
from tests.browser.conftest import Open

pytestmark = pytest.mark.browser

PATIENCE_MS = 20_000


def row(page: Page, made: Made) -> str:
    """Selector of a job's row."""
    return f'tr[data-job="{made.job.id}"]'


def test_the_board_follows_pressure_state_and_order_without_reload(
    open_page: Open, jobs: dict[str, Made], scene: Scene, conn: Connection
) -> None:
    page = open_page("/")
    page.evaluate("window.stillTheSamePage = true")
    made = jobs["pulling"]
    expect(page.locator("#rows tr")).to_have_count(len(jobs))
    scene.readings(made, [(NOON_US - US, micron(444))])
    figure = page.locator(row(page, made)).locator("[data-f=first]")
    expect(figure).to_have_text("445", timeout=PATIENCE_MS)
    scene.alert(made, "hold-failed", Priority.URGENT, "Hold failed: Cold room 1", "Look.", NOON_US + US)
    # Beside the failed hold, whose alert is as urgent.
    second = page.locator("#rows tr").nth(1)
    expect(second).to_contain_text("Cold room 1", timeout=PATIENCE_MS)
    expect(page.locator("#summary")).to_contain_text("3 need somebody")
    conn.execute("UPDATE job SET state = 'closed', closed_at = now() WHERE id = %s", (made.job.id,))
    expect(page.locator(row(page, made))).to_have_count(0, timeout=PATIENCE_MS)
    assert page.evaluate("window.stillTheSamePage")


def test_a_job_that_opens_appears_on_the_empty_board(open_page: Open, scene: Scene) -> None:
    page = open_page("/")
    expect(page.get_by_text("No job is open")).to_be_visible()
    made = scene.job("Harbour", "Rack", NOON_US, state=JobState.RUNNING)
    expect(page.locator(row(page, made))).to_be_visible(timeout=PATIENCE_MS)
    expect(page.get_by_text("No job is open")).to_be_hidden()
    expect(page.locator(row(page, made))).to_contain_text("No readings yet")


def test_a_failed_hold_reaches_the_open_page_and_is_taken_with_a_note(
    open_page: Open, jobs: dict[str, Made], scene: Scene
) -> None:
    page = open_page("/")
    expect(page.locator("#alert-count")).to_have_text("2 open")
    text = "Hold failed: Freeze dryer at Laboratory Birkenweg"
    made = scene.alert(
        jobs["holding"], "hold-failed", Priority.URGENT, text, "Blank the rig off.", NOON_US + US
    )
    notice = page.locator(".notice")
    expect(notice).to_contain_text(text, timeout=PATIENCE_MS)
    expect(page.locator("#alert-count")).to_have_text("3 open")
    notice.get_by_role("link", name="See it").click()
    card = page.locator(f"#alert-{made.alert_id}")
    expect(card).to_contain_text("nobody has taken it yet")
    card.get_by_label("Note").fill("Crew North goes at seven")
    card.get_by_role("button", name="Acknowledge").click()
    expect(card).to_contain_text("Taken by Mara Vogt", timeout=PATIENCE_MS)
    expect(card).to_contain_text("Crew North goes at seven")
    expect(page.locator("#alert-count")).to_have_text("2 open", timeout=PATIENCE_MS)


def test_a_note_being_written_survives_another_alert(
    open_page: Open, jobs: dict[str, Made], scene: Scene
) -> None:
    page = open_page("/alerts")
    writing = page.locator(f"#alert-{jobs['wet'].alert_id}").get_by_label("Note")
    writing.fill("half a sen")
    made = scene.alert(jobs["pulling"], "series-silent", Priority.HIGH, "Silent", "Look.", NOON_US + US)
    expect(page.locator(f"#alert-{made.alert_id}")).to_be_visible(timeout=PATIENCE_MS)
    expect(writing).to_have_value("half a sen")
    expect(writing).to_be_focused()


def test_without_a_script_the_alert_is_taken_by_the_plain_form(
    open_page: Open, jobs: dict[str, Made]
) -> None:
    page = open_page("/alerts", script=False)
    card = page.locator(f"#alert-{jobs['leak'].alert_id}")
    card.get_by_label("Note").fill("by hand")
    card.get_by_role("button", name="Acknowledge").click()
    expect(page.locator(f"#alert-{jobs['leak'].alert_id}")).to_contain_text("Taken by Mara Vogt")


def ink(page: Page) -> int:
    """How many pixels of the plot are drawn in the curve's colour."""
    return int(
        page.evaluate("""() => {
            const canvases = [];
            const walk = (root) => root.querySelectorAll("*").forEach((item) => {
                if (item.tagName === "CANVAS") canvases.push(item);
                if (item.shadowRoot) walk(item.shadowRoot);
            });
            walk(document.getElementById("plot"));
            const style = getComputedStyle(document.documentElement).getPropertyValue("--curve").trim();
            const want = [1, 3, 5].map((at) => parseInt(style.slice(at, at + 2), 16));
            return canvases.reduce((sum, canvas) => {
                if (!canvas.width || !canvas.height) return sum;
                const data = canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height).data;
                for (let i = 0; i < data.length; i += 4) {
                    if (data[i + 3] > 200 && want.every((v, k) => Math.abs(data[i + k] - v) < 12)) sum += 1;
                }
                return sum;
            }, 0);
        }""")
    )


@pytest.mark.parametrize("width", [390, 1280])
def test_the_job_page_draws_the_curve_and_goes_on_drawing(
    open_page: Open, jobs: dict[str, Made], scene: Scene, width: int
) -> None:
    made = jobs["holding"]
    page = open_page(f"/jobs/{made.job.id}", width=width)
    page.wait_for_selector("#plot[data-drawn]")
    page.wait_for_function("() => document.querySelector('#plot').dataset.drawn > 300")
    assert ink(page) > 200
    page.locator("#numbers summary").click()
    table = page.locator("#numbers tbody tr").first
    scene.readings(made, [(NOON_US - US, micron(613))])
    expect(page.locator("#strip [data-f=first]")).to_have_text("610", timeout=PATIENCE_MS)
    expect(table).to_contain_text("610", timeout=PATIENCE_MS)
    assert page.locator("#contact").is_hidden()


def test_a_verdict_appears_on_the_open_job_page(
    open_page: Open, jobs: dict[str, Made], scene: Scene, conn: Connection
) -> None:
    made = jobs["holding"]
    page = open_page(f"/jobs/{made.job.id}")
    expect(page.locator(f"#hold-{made.hold_id}")).to_contain_text("Holding: 11 of 30 min")
    text = "Failed: above the permitted 1000 micron for 60 s."
    failed = hold_test(NOON_US - 11 * MINUTE, Verdict.FAILED, text, "over-limit", decided_us=NOON_US)
    with conn.transaction():
        stored = judgement.holds(conn, [made.job.id])[made.job.id][0]
        judgement.write_holds(
            conn, [judgement.StoredHold(stored.id, made.job.id, 1, False, False, failed)], NOON_US
        )
        scene.event(made, EventKind.HOLD_FAILED, NOON_US, text)
    card = page.locator(f"#hold-{made.hold_id}")
    expect(card).to_contain_text("Failed", timeout=PATIENCE_MS)
    expect(card.locator(".cautions")).to_contain_text("Never open an isolation valve to a stopped pump")
    expect(page.locator(".timeline")).to_contain_text("permitted 1,000\u202fmicron (133\u202fPa) for 60 s.")


def test_a_walk_up_job_is_given_its_name(open_page: Open, jobs: dict[str, Made]) -> None:
    page = open_page(f"/jobs/{jobs['walk-up'].job.id}")
    page.get_by_label("A reading opened this job").fill("Ice machine, back yard")
    page.get_by_role("button", name="Save name").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Ice machine, back yard")


def test_a_page_that_lost_contact_says_so_and_since_when_and_recovers(
    open_page: Open, jobs: dict[str, Made], scene: Scene, site: Serving, complaints: list[str]
) -> None:
    page = open_page("/")
    expect(page.locator("#summary")).to_contain_text("need")
    site.stop.set()
    site.thread.join(timeout=20)
    contact = page.locator("#contact")
    expect(contact).to_contain_text("No contact with Holdfast since Thu, May 28", timeout=PATIENCE_MS)
    expect(page.locator("body")).to_have_class("stale")
    scene.readings(jobs["pulling"], [(NOON_US - US, micron(555))])
    port = int(site.address.rpartition(":")[2])
    with serving(ApiConfig(site.dsn, port=port), HandClock(NOON_US)):
        expect(contact).to_be_hidden(timeout=PATIENCE_MS)
        figure = page.locator(row(page, jobs["pulling"])).locator("[data-f=first]")
        expect(figure).to_have_text("560", timeout=PATIENCE_MS)
        page.close()
    complaints[:] = [text for text in complaints if "net::ERR" not in text]


def test_after_a_break_the_page_goes_on_with_what_it_missed(
    open_page: Open, jobs: dict[str, Made], scene: Scene, site: Serving, conn: Connection
) -> None:
    page = open_page("/")
    expect(page.locator("#rows tr")).to_have_count(len(jobs))
    # What it asks when it opens has been answered: a question under way would end with its connection.
    page.wait_for_selector("#told[data-asked]", state="attached")
    # The process ends this stream as it does with a reader that is too slow; the browser connects again.
    conn.execute(
        "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE application_name LIKE '%serve%'"
    )
    scene.readings(jobs["pulling"], [(NOON_US - US, micron(321))])
    figure = page.locator(row(page, jobs["pulling"])).locator("[data-f=first]")
    expect(figure).to_have_text("320", timeout=PATIENCE_MS)


def test_a_login_that_ended_is_told_on_the_open_page(
    open_page: Open,
    jobs: dict[str, Made],
    conn: Connection,
    monkeypatch: pytest.MonkeyPatch,
    complaints: list[str],
) -> None:
    monkeypatch.setattr("api.routes.stream.RECHECK_S", 0.0)
    page = open_page("/alerts")
    # Until then it asks things of its own, which would be refused, too.
    page.wait_for_selector("#told[data-asked]", state="attached")
    conn.execute("DELETE FROM login_session")
    expect(page.locator("#contact")).to_contain_text("You are logged out", timeout=PATIENCE_MS)
    expect(page.locator("#contact a")).to_have_attribute("href", "/login?next=%2Falerts")
    complaints[:] = [text for text in complaints if "401" not in text]


def test_the_valve_is_shown_by_shape_and_word(open_page: Open, jobs: dict[str, Made], scene: Scene) -> None:
    page = open_page("/")
    made = jobs["pulling"]
    mark = page.locator(row(page, made)).locator("[data-f=valve]")
    expect(mark).to_have_text("open")
    expect(mark.locator("use")).to_have_attribute("href", "#valve-open")
    scene.valve(made, Valve.CLOSED, at_us=NOON_US)
    expect(mark).to_have_text("closed", timeout=PATIENCE_MS)
    expect(mark.locator("use")).to_have_attribute("href", "#valve-closed")

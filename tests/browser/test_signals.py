"""An open page tells and sounds what somebody follows."""

from __future__ import annotations

import pytest
from playwright.sync_api import expect

from model.clock import US
from model.event import EventKind
from store import events
from store.database import Connection
from store.events import NewEvent
from tests.api.scene import Made
from tests.api.serving import NOON_US
from tests.browser.conftest import Open

pytestmark = pytest.mark.browser

SOUNDED = "document.body.dataset.sounded ?? '0'"


def test_following_is_armed_on_the_job_page_and_told_with_a_sound_until_seen(
    open_page: Open, jobs: dict[str, Made], conn: Connection
) -> None:
    made, other = jobs["pulling"], jobs["holding"]
    page = open_page(f"/jobs/{made.job.id}")
    page.get_by_label("when the target is reached").check()
    page.locator("#follow button").click()
    page.wait_for_url("**#follow")
    expect(page.get_by_label("when the target is reached")).to_be_checked()
    expect(page.get_by_label("when a hold goes over")).not_to_be_checked()

    page.goto(f"/jobs/{other.job.id}")
    page.locator("h1").click()
    page.wait_for_function("() => document.getElementById('told')")
    for kind in (EventKind.TARGET_REACHED, EventKind.HOLD_FAILED):
        new = NewEvent(
            kind, NOON_US - 60 * US, "So.", f"target:{NOON_US - 60 * US}", made.job.site_id, made.job.id
        )
        with conn.transaction():
            conn.execute(
                "INSERT INTO fact (job_id, kind, subject_at, happened_at, text, data) "
                "VALUES (%s, %s, to_timestamp(%s), now(), '', '{}') ON CONFLICT DO NOTHING",
                (made.job.id, kind, (NOON_US - 60 * US) / US),
            )
            events.record(conn, [new], NOON_US)
    line = page.locator("#told .notice")
    expect(line).to_have_count(1)
    expect(line).to_contain_text("Target reached")
    expect(line).to_contain_text(made.job.title)
    page.wait_for_function(f"() => {SOUNDED} === '1'")
    line.get_by_role("button", name="Seen").click()
    expect(line).to_have_count(0)
    page.reload()
    page.wait_for_function("() => document.getElementById('told')")
    expect(line).to_have_count(0)


def test_a_sound_can_be_heard_before_it_is_chosen(open_page: Open) -> None:
    page = open_page("/me/signals")
    page.get_by_label("When a target is reached").select_option("knock")
    page.get_by_role("button", name="Hear it").first.click()
    page.wait_for_function(f"() => {SOUNDED} === '1'")
    page.get_by_role("button", name="Save").click()
    expect(page.get_by_label("When a target is reached")).to_have_value("knock")

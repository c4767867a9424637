"""Changing a job in a browser."""

from __future__ import annotations

from playwright.sync_api import expect

from store.database import Connection
from tests.api.scene import Made
from tests.browser.conftest import Open


def test_an_open_job_page_says_that_it_is_judged_anew_until_it_is(
    open_page: Open, jobs: dict[str, Made], conn: Connection
) -> None:
    number = jobs["leak"].job.id
    conn.execute(
        "INSERT INTO track (job_id, settings, seen, because, head_at, goal_at, state_at, state, written_at) "
        "VALUES (%s, '', 'again', 'assignment corrected', now(), now(), now(), '', now())",
        (number,),
    )
    page = open_page(f"/jobs/{number}")
    expect(page.get_by_text("Being judged anew")).to_be_visible()
    # The judgement has caught up and says the same as before: no event tells of it.
    conn.execute("UPDATE track SET seen = 'as before', because = '' WHERE job_id = %s", (number,))
    expect(page.get_by_text("Being judged anew")).to_have_count(0, timeout=20_000)


def test_a_correction_is_made_on_a_telephone_without_a_script(
    open_page: Open, jobs: dict[str, Made], conn: Connection
) -> None:
    made = jobs["holding"]
    page = open_page(f"/jobs/{made.job.id}/setup", width=390, script=False)
    line = page.locator(".served tbody").first
    line.locator("summary").click()
    line.get_by_label("It served another job").wait_for()
    line.get_by_role("button", name="It did not serve this job at all").click()
    page.wait_for_url(f"**/jobs/{made.job.id}")
    left = conn.execute("SELECT instrument_id FROM assignment WHERE job_id = %s", (made.job.id,)).fetchall()
    assert made.gauge.id not in {row["instrument_id"] for row in left}

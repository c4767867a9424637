"""The estimate of a running pull-down on a page that stays open."""

from __future__ import annotations

import re

from playwright.sync_api import expect

from store.database import Connection
from tests.api.scene import MINUTE
from tests.api.serving import Serving
from tests.api.test_pull_downs import falling
from tests.browser.conftest import Open


def test_open_pages_say_that_an_estimate_is_not_kept_up_once_nothing_comes(
    open_page: Open, site: Serving, conn: Connection
) -> None:
    made = falling(conn)
    job, board = open_page(f"/jobs/{made.job.id}"), open_page("/", width=390)
    row = board.locator(f'tr[data-job="{made.job.id}"]')
    expect(row.get_by_text("target in about")).to_be_visible()
    expect(job.locator("#pull-down")).not_to_contain_text("not kept up")
    site.clock.us += 5 * MINUTE
    expect(job.locator("#pull-down")).to_contain_text(re.compile("No readings since .*: this is not kept up"))
    expect(row.get_by_text("not kept up for")).to_be_visible()
    expect(row.get_by_text("target in about")).to_have_count(0)
    assert board.evaluate("document.documentElement.scrollWidth") <= 390

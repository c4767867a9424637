"""Channels, the morning, and mails as a reader of mail shows them: at both widths, light and dark."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from api.letters import Writer
from model.channel import Kind, Tells
from model.clock import HandClock
from store import channels
from store.audit import By
from store.channels import NewChannel
from tests.api.scene import Made, Scene
from tests.browser.conftest import Open
from tests.browser.test_look import AA, AA_LARGE, CONTRASTS

pytestmark = pytest.mark.browser

DAY = "2026-05-29"
"""The scene is of the evening before."""


def looked_at(page: Page, name: str, width: int, folder: Path) -> None:
    assert page.evaluate("document.documentElement.scrollWidth") <= width, name
    texts = page.evaluate(CONTRASTS)
    assert not [text for text in texts if text["ratio"] < (AA_LARGE if text["large"] else AA)], name
    page.screenshot(path=folder / f"{name}.png", full_page=True)


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("width", [390, 1280])
def test_channels_are_entered_and_the_night_is_read(
    open_page: Open, complaints: list[str], jobs: dict[str, Made], width: int, dark: bool, tmp_path: Path
) -> None:
    page = open_page("/me/channels", width=width, dark=dark)
    page.get_by_label("Address").fill("nobody")
    page.get_by_role("button", name="Add").click()
    expect(page.get_by_role("alert").first).to_contain_text("This is no address")
    looked_at(page, "refused", width, tmp_path)
    complaints.clear()  # the browser speaks of the refusal, too
    page.get_by_label("Address").fill("mara@example.org")
    page.get_by_role("group", name="What goes over it").get_by_label("the holds of the night").check()
    page.get_by_role("button", name="Add").click()
    expect(page.get_by_role("heading", name="mara@example.org")).to_be_visible()
    looked_at(page, "own", width, tmp_path)
    page.goto("/setup/telling")
    page.get_by_label("Address").fill("dispatch@example.org")
    page.get_by_role("button", name="Add").click()
    looked_at(page, "company", width, tmp_path)
    page.goto(f"/mornings/{DAY}")
    expect(page.get_by_role("heading", name="What to bring").first).to_be_visible()
    expect(page.get_by_text("never open an isolation valve to a stopped pump").first).to_be_visible()
    looked_at(page, "morning", width, tmp_path)
    page.goto("/mornings/2026-01-01")
    expect(page.get_by_text("No hold ran this night")).to_be_visible()


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("width", [390, 1280])
def test_mails_are_read_on_any_screen(
    browser: Browser, jobs: dict[str, Made], scene: Scene, width: int, dark: bool, tmp_path: Path
) -> None:
    new = NewChannel(Kind.MAIL, "Dispatch", "desk@example.org", (Tells.ALERTS,), address="desk@example.org")
    channel = channels.add(scene.conn, None, new, By(datetime(2026, 5, 28, tzinfo=UTC)))
    write = Writer("https://holdfast.example.org", HandClock(scene.now_us))
    row = scene.conn.execute(
        "SELECT a.*, j.title FROM alert a JOIN job j ON j.id = a.job_id ORDER BY a.id LIMIT 1"
    ).fetchone()
    assert row is not None
    body = {
        "type": "holdfast.alert.raised.v1",
        "data": {
            "key": row["key"],
            "kind": row["kind"],
            "priority": row["priority"],
            "text": row["text"],
            "action": row["action"],
            "site": {"id": row["site_id"], "name": ""},
            "job": {"id": row["job_id"], "title": row["title"]},
            "happened": row["happened_at"].isoformat(),
            "raised": row["raised_at"].isoformat(),
        },
    }
    page = browser.new_page(
        viewport={"width": width, "height": 900}, color_scheme="dark" if dark else "light"
    )
    for name, reason, given in (
        ("alert", "raised", body),
        ("morning", "morning", {"day": DAY}),
        ("nothing", "morning", {"day": "2026-01-01"}),
        ("test", "test", {"by": "Mara Vogt"}),
    ):
        letter = write(scene.conn, channel, reason, given)
        page.set_content(letter.html)
        looked_at(page, f"mail-{name}", width, tmp_path)
        (tmp_path / f"{name}.txt").write_text(f"Subject: {letter.subject}\n\n{letter.text}")
    page.close()

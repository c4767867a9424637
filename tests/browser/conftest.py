"""Debian's chromium, driven by Playwright, on a running API process."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from playwright.sync_api import Browser, ConsoleMessage, Page, sync_playwright

from api.config import ApiConfig
from ingest.replay import replay
from model.clock import HandClock
from store.database import Connection
from tests.api.scene import Made, Scene, evening
from tests.api.serving import LOGIN, NOON_US, PASSWORD, Serving, add_people, serving

CHROMIUM = Path("/usr/bin/chromium")
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--use-fake-device-for-media-stream",
]


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """One browser for each worker."""
    if not CHROMIUM.exists():
        pytest.skip("chromium is not installed")
    with sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=str(CHROMIUM), args=FLAGS)
        yield running
        running.close()


@pytest.fixture
def site(database: str) -> Iterator[Serving]:
    """The process on a fresh database with two people."""
    add_people(database)
    with serving(ApiConfig(database, port=0, replay=replay), HandClock(NOON_US)) as running:
        yield running


@pytest.fixture
def conn(site: Serving) -> Iterator[Connection]:
    """The test's own look at the database."""
    with site.database() as conn:
        yield conn


@pytest.fixture
def scene(conn: Connection) -> Scene:
    """To write jobs with."""
    return Scene(conn, NOON_US)


@pytest.fixture
def jobs(conn: Connection) -> dict[str, Made]:
    """Jobs in every state of the board."""
    return evening(conn, NOON_US)


BLOCKED = "Service Worker registration blocked"
"""What the library says where a test does without the app's worker."""

Open = Callable[..., Page]


@pytest.fixture
def complaints() -> list[str]:
    """What pages said on their consoles; a test that provokes some takes them away."""
    return []


@pytest.fixture
def open_page(browser: Browser, site: Serving, complaints: list[str]) -> Iterator[Open]:
    """``open_page("/alerts", width=390, dark=True)``: a page of somebody who has logged in by the form.

    Fails the test at its end if any page said anything on its console that it should not.
    """

    def listen(message: ConsoleMessage) -> None:
        if message.type in ("error", "warning") and BLOCKED not in message.text:
            complaints.append(f"{message.text} ({message.location})")

    @contextmanager
    def closing() -> Iterator[Open]:
        contexts = []

        def open_one(
            path: str = "/",
            *,
            width: int = 1280,
            dark: bool = False,
            script: bool = True,
            worker: bool = False,
        ) -> Page:
            context = browser.new_context(
                base_url=site.address,
                viewport={"width": width, "height": 900},
                color_scheme="dark" if dark else "light",
                java_script_enabled=script,
                reduced_motion="reduce",
                service_workers="allow" if worker else "block",
            )
            contexts.append(context)
            context.set_default_timeout(20_000)
            page = context.new_page()
            page.on("console", listen)
            page.on("pageerror", lambda error: complaints.append(str(error)))
            page.goto(path)
            page.fill("input[name=login]", LOGIN)
            page.fill("input[name=password]", PASSWORD)
            page.click("main button")
            page.wait_for_url(f"**{path}")
            return page

        yield open_one
        for context in contexts:
            context.close()

    with closing() as opener:
        yield opener
    assert not complaints

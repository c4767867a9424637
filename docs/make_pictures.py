"""Make the pictures of the handbook from a running demo: ``python docs/make_pictures.py``.

Starts ``holdfast demo`` with data in a temporary folder, waits until its clock has met the present, logs in
with Debian's chromium, and writes what the handbook shows to ``docs/pictures``.
"""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from playwright.sync_api import Page, sync_playwright

PICTURES = Path(__file__).parent / "pictures"
ROOT = Path(__file__).parent.parent
CHROMIUM = "/usr/bin/chromium"
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--no-first-run"]
WIDTH, HEIGHT = 1280, 720
SETTLE_MS = 1500
TREND_PATIENCE_MS = 90_000
TRENDS_THERE = "() => [...document.querySelectorAll('#rows .curve')].every((path) => path.getAttribute('d'))"
GREETING = re.compile(r"Pages +(?P<address>\S+).*?Login +(?P<login>\S+).*?Password +(?P<password>\S+)", re.S)
CAUGHT_UP = "goes with the present"


@contextmanager
def demo() -> Iterator[dict[str, str]]:
    """A demo that has caught up with the present: its address and first login."""
    with tempfile.TemporaryDirectory() as folder:
        command = [sys.executable, "-c", "from ops.cli import main; main()", "demo"]
        environment = {**os.environ, "HOLDFAST_DATA_DIR": folder, "PYTHONPATH": str(ROOT)}
        process = subprocess.Popen(command, cwd=ROOT, env=environment, stdout=subprocess.PIPE, text=True)
        assert process.stdout is not None
        try:
            said = ""
            for line in process.stdout:
                said += line
                if CAUGHT_UP in line:
                    break
            found = GREETING.search(said)
            if found is None:
                raise SystemExit(f"The demo did not say how to get in:\n{said}")
            yield found.groupdict()
        finally:
            process.send_signal(signal.SIGINT)
            process.wait(timeout=30)


def log_in(page: Page, access: dict[str, str]) -> None:
    """Log in by the form."""
    page.goto(f"{access['address']}/login")
    page.fill("input[name=login]", access["login"])
    page.fill("input[name=password]", access["password"])
    page.click("main button")
    page.wait_for_function("() => document.getElementById('summary')?.textContent")
    page.wait_for_timeout(SETTLE_MS)


def main() -> None:
    """Write the pictures."""
    PICTURES.mkdir(exist_ok=True)
    with demo() as access, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        page = browser.new_page(viewport={"width": WIDTH, "height": HEIGHT}, color_scheme="light")
        log_in(page, access)
        page.wait_for_function(TRENDS_THERE, timeout=TREND_PATIENCE_MS)
        page.screenshot(path=PICTURES / "board.png")
        page.locator("#rows tr[data-state=failed] a.whole").first.click()
        page.wait_for_selector("#plot[data-drawn]")
        page.wait_for_timeout(SETTLE_MS)
        page.screenshot(path=PICTURES / "job.png")
        page.locator(".to-do").first.scroll_into_view_if_needed()
        page.locator(".to-do").first.screenshot(path=PICTURES / "to-do.png")
        page.goto(f"{access['address']}/setup/procedures")
        page.screenshot(path=PICTURES / "procedures.png")
        browser.close()


if __name__ == "__main__":
    main()

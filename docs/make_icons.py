"""Draw the app's icons from ``api/static/icon.svg`` with Debian's chromium: ``python docs/make_icons.py``."""

from __future__ import annotations

import re
from pathlib import Path

from playwright.sync_api import sync_playwright

STATIC = Path(__file__).parent.parent / "api" / "static"
CHROMIUM = "/usr/bin/chromium"
SAFE = 0.62
"""A mask may cut off all but a circle of 80 % across (W3C manifest, "safe zone"); the valve fits into it."""


def page_of(drawing: str, size: int, share: float) -> str:
    """A page with nothing but the drawing, which takes that share of its width."""
    side = round(size * share)
    style = f"margin:0;background:#0f5c53;display:grid;place-items:center;width:{size}px;height:{size}px"
    svg = f'<svg width="{side}" height="{side}" viewBox="0 0 16 16">{drawing}</svg>'
    return f'<body style="{style}">{svg}'


def main() -> None:
    """Write the icons."""
    drawing = "".join(re.findall(r"<path[^>]*/>", (STATIC / "icon.svg").read_text(encoding="utf-8")))
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        for name, size, share in (("icon-192", 192, 1), ("icon-512", 512, 1), ("icon-round-512", 512, SAFE)):
            page = browser.new_page(viewport={"width": size, "height": size})
            page.set_content(page_of(drawing, size, share))
            page.screenshot(path=STATIC / f"{name}.png")
        browser.close()


if __name__ == "__main__":
    main()

"""What a browser says of itself (``User-Agent``, RFC 9110, section 10.1.5), in words for people."""

from __future__ import annotations

# The first that fits: most browsers also claim to be the ones after them.
_BROWSERS = (
    ("Edg", "Edge"),
    ("OPR/", "Opera"),
    ("Vivaldi/", "Vivaldi"),
    ("SamsungBrowser/", "Samsung Internet"),
    ("FxiOS/", "Firefox"),
    ("Firefox/", "Firefox"),
    ("CriOS/", "Chrome"),
    ("HeadlessChrome/", "Chrome"),
    ("Chrome/", "Chrome"),
    ("Safari/", "Safari"),
)
_SYSTEMS = (
    ("iPhone", "iPhone"),
    ("iPad", "iPad"),
    ("Android", "Android"),
    ("CrOS", "ChromeOS"),
    ("Windows", "Windows"),
    ("Mac OS X", "Mac"),
    ("Linux", "Linux"),
)
LONGEST = 500


def in_words(user_agent: str) -> str:
    """``Firefox on Windows``; what is neither known browser nor system is a program or an unknown browser."""
    said = user_agent[:LONGEST]
    browser = next((name for mark, name in _BROWSERS if mark in said), "")
    system = next((name for mark, name in _SYSTEMS if mark in said), "")
    if browser and system:
        return f"{browser} on {system}"
    if browser or system:
        return browser or f"a browser on {system}"
    program = said.split("/")[0].strip()
    return f"program {program[:30]}" if program.isprintable() and program else "unknown browser"

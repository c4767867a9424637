"""Browsers in words. The strings are those that browsers send, as far as they go in common practice."""

from __future__ import annotations

import pytest

from api.browsers import in_words

MOZILLA = "Mozilla/5.0"
KHTML = "AppleWebKit/537.36 (KHTML, like Gecko)"


@pytest.mark.parametrize(
    ("said", "words"),
    [
        (
            f"{MOZILLA} (Windows NT 10.0; Win64; x64; rv:140.0) Gecko/20100101 Firefox/140.0",
            "Firefox on Windows",
        ),
        (f"{MOZILLA} (X11; Linux x86_64) {KHTML} Chrome/138.0.0.0 Safari/537.36", "Chrome on Linux"),
        (
            f"{MOZILLA} (Linux; Android 10; K) {KHTML} Chrome/138.0.0.0 Mobile Safari/537.36",
            "Chrome on Android",
        ),
        (f"{MOZILLA} (Windows NT 10.0) {KHTML} Chrome/138.0 Safari/537.36 Edg/138.0", "Edge on Windows"),
        (
            f"{MOZILLA} (iPhone; CPU iPhone OS 18_5 like Mac OS X) AppleWebKit/605.1.15 (KHTML, like Gecko) "
            "Version/18.5 Mobile/15E148 Safari/604.1",
            "Safari on iPhone",
        ),
        (
            f"{MOZILLA} (Macintosh; Intel Mac OS X 10_15_7) AppleWebKit/605.1.15 (KHTML, like Gecko) "
            "Version/18.5 Safari/605.1.15",
            "Safari on Mac",
        ),
        ("curl/8.14.1", "program curl"),
        ("", "unknown browser"),
        ("\x00/1", "unknown browser"),
        ("x" * 10_000, "program " + "x" * 30),
    ],
)
def test_a_browser_in_words(said: str, words: str) -> None:
    assert in_words(said) == words

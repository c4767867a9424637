"""Waiting for a condition instead of sleeping."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TypeVar

T = TypeVar("T")

PATIENCE_S = 20.0
"""Generous: it is only ever used up by a test that fails."""


def wait_until(condition: Callable[[], T], timeout_s: float = PATIENCE_S, what: str = "the condition") -> T:
    """Ask until the answer is true, and give it back.

    Raises
    ------
    AssertionError
        When it stayed false, naming ``what`` and the last answer.
    """
    deadline = time.monotonic() + timeout_s
    pause = 0.002
    while True:
        answer = condition()
        if answer:
            return answer
        if time.monotonic() > deadline:
            raise AssertionError(f"waited {timeout_s:g} s in vain for {what}; last: {answer!r}")
        time.sleep(pause)
        pause = min(pause * 1.5, 0.1)

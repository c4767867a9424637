"""What became of an attempt to tell somebody, and when to try again."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of an attempt."""

    delivered: bool = False
    gone: bool = False
    """The receiver wants nothing ever again."""
    hopeless: bool = False
    """This message will never be taken; another one may."""
    error: str = ""
    """In words; it names no address, for that may hold a secret."""
    retry_after_s: float | None = None
    """The receiver wants nothing at all for so long [s]."""


def backoff_s(attempts: int, first_s: float, limit_s: float) -> float:
    """Wait after so many failed attempts, the last one included [s]: doubled each time, up to a limit."""
    return min(first_s * 2.0 ** min(attempts - 1, 60), limit_s)

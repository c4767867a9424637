"""A gateway whose messages are refused, as long as that lasts."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Episode:
    """Refusals of one gateway without a long pause between them.

    Parameters
    ----------
    gateway : str
        Its name; empty: names of no registered gateway, all together.
    gateway_id, site_id : int or None
        None also where it is not registered any more.
    since_us, at_us : int
        Arrival of the first and the last refused message [µs].
    messages, beyond : int
        How many there were, and how many of them beyond a limit: only counted, or laid aside unread.
    reason, sentence : str
        Of the last one.
    told : int
        How many there were when it was told last; 0: it was not told yet.
    told_beyond : bool
        Whether it was told that a limit was passed.
    """

    gateway: str
    gateway_id: int | None
    site_id: int | None
    since_us: int
    at_us: int
    messages: int
    beyond: int
    reason: str
    sentence: str
    told: int = 0
    told_beyond: bool = False

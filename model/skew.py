"""How far a gateway's clock is from ours, in words."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, auto

TOLERANCE_S = 10.0
"""Less than this is not said to be wrong. Our choice, no source: holds are far longer, delays shorter."""
REFUSED_S = 300.0
"""Readings that are farther ahead are refused, by the contract with gateways."""
BEHIND_S = 300.0
"""A clock is told to be behind by more than this only: it may as well be the way that takes so long."""
AGAIN_RIGHT = 0.5
"""What was told is over below so much of its bound, so that a clock on the bound is told once."""


class Off(Enum):
    """How a clock is wrong."""

    NO = auto()
    AHEAD = auto()
    REFUSED = auto()
    """So far ahead that its fresh readings are refused."""
    BEHIND = auto()


@dataclass(frozen=True, slots=True)
class Clock:
    """What is known of a gateway's clock that has seemed wrong.

    Parameters
    ----------
    ahead_s : float or None
        How far it is ahead of ours, at least [s]; negative: behind, at most; None: not known.
    suspected_us : int
        Since when it has seemed wrong [µs].
    told_s : float or None
        What ``ahead_s`` was when it was told last; None: it was not told yet.
    """

    gateway_id: int
    gateway: str
    site_id: int | None
    ahead_s: float | None
    suspected_us: int
    told_s: float | None
    revoked: bool


def how(ahead_s: float | None, was: Off = Off.NO) -> Off:
    """How a clock is wrong enough to be told of, where it ``was`` before."""
    if ahead_s is None:
        return was
    if ahead_s > (REFUSED_S if was is not Off.REFUSED else REFUSED_S * AGAIN_RIGHT):
        return Off.REFUSED
    if ahead_s > (TOLERANCE_S if was is Off.NO else TOLERANCE_S * AGAIN_RIGHT):
        return Off.AHEAD
    if -ahead_s > (BEHIND_S if was is not Off.BEHIND else BEHIND_S * AGAIN_RIGHT):
        return Off.BEHIND
    return Off.NO


def off(ahead_s: float | None) -> bool:
    """Whether a clock is beyond the tolerance."""
    return ahead_s is not None and abs(ahead_s) > TOLERANCE_S


def in_words(ahead_s: float | None, whose: str = "Its clock") -> str:
    """What is known of a gateway's clock and what it means, in one sentence.

    Parameters
    ----------
    ahead_s : float or None
        How far it is ahead of ours, at least [s]; negative: behind, at most; None: not known.
    """
    if ahead_s is None:
        return ""
    much = _text(abs(ahead_s))
    if not off(ahead_s):
        return f"{whose} agrees with ours to {TOLERANCE_S:g} s."
    if ahead_s > 0:
        return (
            f"{whose} is {much} or more ahead of ours: readings are judged by the gateway's own times, so "
            "that durations are right but every moment is given so much too late, and what is more than "
            "5 minutes ahead is refused."
        )
    return (
        f"{whose} is up to {much} behind ours, unless its packs take that long to come: readings are "
        "judged by the gateway's own times, so that durations are right but every moment is given so much "
        "too early."
    )


def _text(seconds: float) -> str:
    for unit, length_s in (("days", 86_400.0), ("h", 3600.0), ("min", 60.0)):
        if seconds >= 3 * length_s:
            return f"{seconds / length_s:.0f} {unit}"
    return f"{seconds:.0f} s"

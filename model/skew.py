"""How far a gateway's clock is from ours, in words."""

from __future__ import annotations

TOLERANCE_S = 10.0
"""Less than this is not said to be wrong. Our choice, no source: holds are far longer, delays shorter."""


def off(ahead_s: float | None) -> bool:
    """Whether a clock is beyond the tolerance."""
    return ahead_s is not None and abs(ahead_s) > TOLERANCE_S


def in_words(ahead_s: float | None) -> str:
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
        return f"Its clock agrees with ours to {TOLERANCE_S:g} s."
    if ahead_s > 0:
        return (
            f"Its clock is {much} or more ahead of ours: readings are judged by the gateway's own times, so "
            "that durations are right but every moment is given so much too late, and what is more than "
            "5 minutes ahead is refused."
        )
    return (
        f"Its clock is up to {much} behind ours, unless its packs take that long to come: readings are "
        "judged by the gateway's own times, so that durations are right but every moment is given so much "
        "too early."
    )


def _text(seconds: float) -> str:
    for unit, length_s in (("days", 86_400.0), ("h", 3600.0), ("min", 60.0)):
        if seconds >= 3 * length_s:
            return f"{seconds / length_s:.0f} {unit}"
    return f"{seconds:.0f} s"

"""When a gateway's trouble is told, and when it is over: refused messages, and a clock that is wrong.

Pure: what is known now, and the clock as a parameter. However many messages come, a look tells at most once.
"""

from __future__ import annotations

from dataclasses import dataclass

from model import skew
from model.clock import US
from model.event import EventKind
from model.refusing import Episode
from model.skew import Clock, Off

QUIET_US = 1800 * US
"""After so long without a refused message it is over. Our choice, no source: longer than the pauses of
gateways that send again, so that one which stumbles again and again is one alert."""
LOOK_US = 60 * US
"""How often a clock that is wrong, or messages that are being refused, are looked at."""
SURE_US = 600 * US
"""So long a clock must seem behind before it is told: after an outage packs come late through nobody's fault,
and a way only adds. That a clock is ahead is proved by one pack."""
MORE = 10
"""Told again when there are so many times as many."""


@dataclass(frozen=True, slots=True)
class Look:
    """What a look came to.

    Parameters
    ----------
    tell : EventKind or None
        What is to be recorded, with the sentence ``text``.
    again_us : int or None
        When to look again [µs]; None: it is over.
    """

    tell: EventKind | None
    text: str
    again_us: int | None


def refused(episode: Episode, now_us: int) -> Look:
    """Look at messages that are being refused."""
    beyond = episode.beyond > 0
    news = not episode.told or (beyond and not episode.told_beyond) or episode.messages >= MORE * episode.told
    if news:
        kind = EventKind.GATEWAY_OVER_LIMIT if beyond else EventKind.GATEWAY_REFUSED
        return Look(kind, _said(episode), now_us + LOOK_US)
    if now_us - episode.at_us >= QUIET_US:
        who = f"of gateway {episode.gateway}" if episode.gateway else "in the name of unregistered gateways"
        text = f"No message {who} has been refused for half an hour; there were {episode.messages:,}."
        return Look(EventKind.GATEWAY_REFUSED_NO_MORE, text, None)
    return Look(None, "", min(now_us + LOOK_US, episode.at_us + QUIET_US))


def _said(episode: Episode) -> str:
    many = f"{episode.messages:,} message{'s' if episode.messages != 1 else ''}"
    last = f"{'The last' if episode.messages > 1 else 'Why'}: {episode.sentence}"
    if not episode.gateway:
        too = ", so many that not all are kept" if episode.beyond else ""
        return f"In the name of gateways that are not registered, {many} came and were refused{too}. {last}"
    if episode.beyond:
        return (
            f"Gateway {episode.gateway} sends too much that is refused: {many}, {episode.beyond:,} of them "
            f"only counted or laid aside unread. {last}"
        )
    return f"Gateway {episode.gateway}: {many} refused. {last}"


def clock(seen: Clock, now_us: int, *, stretched: bool) -> Look:
    """Look at a gateway's clock.

    Parameters
    ----------
    stretched : bool
        Our own clock runs fast (a replay), so that every way seems long: no clock is said to be behind.
    """
    off = Off.NO if seen.revoked else skew.how(seen.ahead_s, was=skew.how(seen.told_s))
    if off is Off.NO:
        if seen.told_s is None:
            return Look(None, "", None)
        why = "is revoked" if seen.revoked else "agrees with ours again"
        what = "The gateway" if seen.revoked else "The clock of gateway"
        return Look(EventKind.CLOCK_RIGHT, f"{what} {seen.gateway} {why}.", None)
    if off is Off.BEHIND and (stretched or now_us - seen.suspected_us < SURE_US):
        return Look(None, "", now_us + LOOK_US)
    if seen.told_s is None or skew.how(seen.told_s) is not off:
        return Look(
            EventKind.CLOCK_WRONG,
            skew.in_words(seen.ahead_s, f"The clock of gateway {seen.gateway}"),
            now_us + LOOK_US,
        )
    return Look(None, "", now_us + LOOK_US)

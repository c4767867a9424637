"""When a gateway is silent as a whole, so that its gauges' silence is one alert and not many."""

from __future__ import annotations

from dataclasses import dataclass

from model.clock import US
from model.event import EventKind

LOOK_US = 60 * US
"""How often a gateway with silent gauges is looked at: its last will may come after their silence."""
SEVERAL = 2
"""So many gauges silent at once, and none that is heard, say it of the gateway, whatever it says itself."""


@dataclass(frozen=True, slots=True)
class Look:
    """What a look came to: what is to be recorded, with its sentence, and when to look again [µs]."""

    tell: EventKind | None
    text: str
    again_us: int | None


def look(name: str, *, away: bool, serving: int, silent: int, waiting: int, told: bool, now_us: int) -> Look:
    """Look at a gateway.

    Parameters
    ----------
    away : bool
        It said, or the broker said for it, that it is off line.
    serving, silent : int
        Gauges that serve a job, and those of them that are silent.
    waiting : int
        Silent gauges that a hold waits for.
    told : bool
        Its own alert is active.
    """
    whole = waiting > 0 and silent >= serving and (away or waiting >= SEVERAL)
    again_us = now_us + LOOK_US if waiting else None
    if whole and not told:
        gauges = "its gauge is" if serving == 1 else f"all {serving} gauges of it are"
        off_line = ", and it is off line" if away else ""
        return Look(
            EventKind.GATEWAY_SILENT,
            f"Nothing comes from gateway {name}: {gauges} silent{off_line}.",
            again_us,
        )
    if told and not waiting:
        return Look(EventKind.GATEWAY_BACK, f"no hold waits for gateway {name} any more.", None)
    if told and silent < serving:
        return Look(EventKind.GATEWAY_BACK, f"readings come from gateway {name} again.", again_us)
    return Look(None, "", again_us)

"""The pump stopped with the valve open: the dangerous one, for air and pump oil go back into the circuit.

Told from an isolation by the reports, where there are any: the valve open, the pump stopped. Where the valve
reports open and no pump reports, by the curve: the pressure rises and goes on rising as no outgassing and no
warmth under a running pump makes it (`analytics.core.recognise`). A valve that reports closed makes a hold of
the same rise. Where nothing reports, a rise is taken for an isolation unless it is steeper than any leak that
the pump had held; that is gas let in, whoever let it.

A slower backflow the curve's shape does not tell from a leak behind a closed valve. Both let in air from the
atmosphere, hundreds of times the pressure inside: choked in an orifice, and in a capillary or an oil film set
by the atmosphere's pressure squared. So the flow does not depend on the pressure inside, and that rises
straight, with the same slope for the same flow. Both may begin small and grow, an oil seal that gives way as
a joint that opens. The volume of hose and pump is a few per cent. Where pump and volume are known the size
may tell (`analytics.core.inflow`); else a report of valve or pump, or closing the valve by hand: a backflow
ends, a leak goes on. Verdict and advice of a hold without reports say so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from model.clock import US
from model.event import EventKind
from model.judgement import Fact

GRACE_US = 30 * US
"""Reports of pump and valve come in any order: who stops the pump and closes within this did no wrong. Our
own choice."""

_MOST = 100


@dataclass(slots=True)
class Stop:
    """A stretch in which the pump stood and the valve was open. Times [µs]."""

    since_us: int
    by_curve: bool
    until_us: int | None = None


def follow(stops: list[Stop], exposed: bool, by_curve: bool, time_us: int) -> None:
    """Begin or end a stretch.

    Parameters
    ----------
    stops : list of Stop
        Those so far; changed.
    exposed : bool
        Whether a vacuum lies open to a pump that stands, as far as is known.
    by_curve : bool
        Whether the curve says so, and no report.
    time_us : int
        When, or since when the curve shows it [µs].
    """
    last = stops[-1] if stops and stops[-1].until_us is None else None
    if exposed and last is None:
        stops.append(Stop(time_us, by_curve))
        del stops[:-_MOST]
    elif last is not None and not exposed:
        last.until_us = time_us


def stands(stops: Sequence[Stop]) -> bool:
    """Whether the circuit lies open to a pump that stands, as far as is known."""
    return bool(stops) and stops[-1].until_us is None


def facts(stops: Sequence[Stop], now_us: int) -> list[Fact]:
    """What is to be told of them at a moment [µs]."""
    told = []
    for stop in stops:
        if _told_us(stop) > (now_us if stop.until_us is None else stop.until_us):
            continue
        data: dict[str, object] = {"by_curve": stop.by_curve, "over": stop.until_us is not None}
        told.append(Fact(EventKind.PUMP_STOPPED, stop.since_us, stop.since_us, _text(stop), data))
        if stop.until_us is not None:
            text = "The circuit no longer lies open to a pump that stands."
            told.append(Fact(EventKind.PUMP_STOP_OVER, stop.since_us, stop.until_us, text))
    return told


def changes_by_time(stops: Sequence[Stop], now_us: int) -> int | None:
    """When one of them will be told because it lasts [µs]."""
    last = stops[-1] if stops else None
    if last is None or last.until_us is not None or _told_us(last) <= now_us:
        return None
    return _told_us(last)


def _told_us(stop: Stop) -> int:
    return stop.since_us if stop.by_curve else stop.since_us + GRACE_US


def _text(stop: Stop) -> str:
    if stop.by_curve:
        return (
            "The pressure rises with the valve open, as if the pump had stopped: air and oil may go back "
            "into the circuit."
        )
    return "The pump has stopped with the valve open: air and oil go back into the circuit."

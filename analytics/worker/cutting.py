"""How the walk-up jobs of a gauge follow each other: a chain that the readings alone fix.

In a stretch of event time that no person gave to a job, a walk-up opens at the first low reading after the
end of the one before, and ends by the closing rule over its own readings; the next low reading opens the
next. So a low reading that comes late and lies before an opening makes that job begin there, and if, judged
so, it ends before what it was known for, the rest is again free.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from store.walkups import FOREVER_US, LOOK_BACK_US, Service

NEW = 0
"""In place of the number of a job that is still to be opened."""


@dataclass(frozen=True, slots=True)
class Link:
    """A walk-up job in its chain. Times [µs].

    Parameters
    ----------
    since_us, until_us : int, int or None
        What its gauge serves it; ``until_us`` None: as long as it lasts.
    opened_us, known_us : int
        The low reading that opens it, and the one that first did.
    end_us : int or None
        Its end by the rule as it was judged last, None while it is not over.
    """

    job_id: int
    opened_us: int
    known_us: int
    since_us: int
    until_us: int | None
    end_us: int | None


@dataclass(frozen=True, slots=True)
class Stretch:
    """Event time that no person gave to a job, and the walk-ups in it. Times [µs]."""

    begin_us: int | None
    end_us: int | None
    links: tuple[Link, ...]
    after_id: int | None = None
    """The job before it, to which a person gave the gauge."""


@dataclass(frozen=True, slots=True)
class Cut:
    """How a stretch is to be cut: links that are new, begin or end elsewhere, and jobs that were none.

    Parameters
    ----------
    gone : tuple of (int, int or None)
        Each with the job that its readings belong to now.
    """

    changed: tuple[Link, ...]
    gone: tuple[tuple[int, int | None], ...]


FirstLow = Callable[[int, int | None], int | None]
"""Time of the first low reading in a span, if there is one."""


def stretches(services: Sequence[Service]) -> list[Stretch]:
    """What a person left free, in order of time.

    Parameters
    ----------
    services : sequence of Service
        All spans of a gauge, in order.
    """
    result: list[Stretch] = []
    begin_us: int | None = None
    after_id: int | None = None
    links: list[Link] = []
    for one in services:
        if one.movable:
            links.append(_link(one))
            continue
        result.append(Stretch(begin_us, one.since_us, tuple(links), after_id))
        links = []
        # What was given for ever leaves nothing free.
        begin_us, after_id = FOREVER_US if one.until_us is None else one.until_us, one.job_id
    end_us = FOREVER_US if begin_us == FOREVER_US else None
    return [*result, Stretch(begin_us, end_us, tuple(links), after_id)]


def _link(one: Service) -> Link:
    assert one.job_id is not None
    assert one.opened_us is not None
    assert one.known_us is not None
    return Link(one.job_id, one.opened_us, one.known_us, one.since_us, one.until_us, one.closed_us)


def cut(
    stretch: Stretch, from_us: int, until_us: int, first_low: FirstLow, *, opens: bool, anew: bool = False
) -> Cut:
    """Cut a stretch anew.

    Parameters
    ----------
    stretch : Stretch
        As it is cut now, with ends as they were judged last.
    from_us, until_us : int
        Nothing has changed before and after this [µs]; what follows from it may reach further.
    anew : bool
        Whether other instruments may be free between these, so that every link there is to be made anew.
    first_low : callable
        Looks for low readings.
    opens : bool
        Whether the gauge may open jobs, or only those that it has be moved.
    """
    changed: list[Link] = []
    gone: list[tuple[int, int | None]] = []
    kept = [link for link in stretch.links if link.opened_us < from_us]
    queue = deque(link for link in stretch.links if link.opened_us >= from_us)
    last = kept[-1] if kept else None
    if last is not None:
        whole = replace(last, until_us=_least(last.end_us, stretch.end_us))
        changed += [whole] if whole != last else []
    begin_us, before_id = stretch.begin_us, stretch.after_id
    search_us = from_us
    while True:
        if last is not None:
            if last.end_us is None:
                break
            begin_us, before_id = last.end_us, last.job_id
        search_us = search_us if begin_us is None else max(begin_us, search_us)
        if stretch.end_us is not None and search_us >= stretch.end_us:
            break
        opened_us = first_low(search_us, stretch.end_us)
        if opened_us is None:
            break
        while queue and queue[0].end_us is not None and queue[0].end_us <= opened_us:
            gone.append((queue.popleft().job_id, before_id))
        if not queue and not opens:
            break
        old = queue.popleft() if queue else Link(NEW, opened_us, opened_us, opened_us, None, None)
        last = _placed(old, opened_us, begin_us, stretch.end_us)
        if last != old or old.job_id == NEW or (anew and opened_us <= until_us):
            changed.append(last)
        elif opened_us > until_us:
            return Cut(tuple(changed), tuple(gone))
        search_us = opened_us
    gone += [(link.job_id, before_id if last is None else last.job_id) for link in queue]
    return Cut(tuple(changed), tuple(gone))


def _placed(link: Link, opened_us: int, begin_us: int | None, end_us: int | None) -> Link:
    since_us = opened_us - LOOK_BACK_US
    return replace(
        link,
        opened_us=opened_us,
        since_us=since_us if begin_us is None else max(since_us, begin_us),
        until_us=_least(link.end_us, end_us),
    )


def _least(one: int | None, other: int | None) -> int | None:
    return min((at for at in (one, other) if at is not None), default=None)

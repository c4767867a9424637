"""Estimates of running pull-downs, made anew when their age makes them due.

Each costs a fit, so that a transaction makes no more than some, the longest due first: the others are still
due with their next readings. While series wait to be judged it makes fewer still. An estimate never changes
what is judged, and nothing waits for it.
"""

from __future__ import annotations

import logging
from collections.abc import Collection, Mapping

from analytics.core.pull_live import due_us
from analytics.core.track import Pulling, View
from model.pull_down import PullEstimate
from store import pull_downs
from store.database import Connection
from store.pull_downs import Last

log = logging.getLogger(__name__)

MOST = 16
"""In one transaction: a third of a second."""

HURRIED = 2
"""In one transaction while others wait: less time than judging its hundred series takes."""


def keep(conn: Connection, views: Mapping[int, View], afresh: Collection[int], most: int) -> None:
    """Estimate what is due and write it; nothing is said of a pull-down whose pump stands.

    Parameters
    ----------
    views : mapping
        By job.
    afresh : collection of int
        Jobs that are judged by other settings than before.
    most : int
        Estimates to be made.
    """
    stopped = [job for job, seen in views.items() if seen.pump_stands]
    if stopped:
        pull_downs.forget(conn, stopped)
    pulls = {job: seen.pulling for job, seen in views.items() if seen.pulling is not None}
    if not pulls:
        return
    made = pull_downs.made(conn, pulls)
    waited = {job: _waited_us(one, None if job in afresh else made.get(job)) for job, one in pulls.items()}
    due = sorted((job for job, since_us in waited.items() if since_us >= 0), key=lambda job: -waited[job])
    found = [(job, _estimate(job, pulls[job])) for job in due[:most]]
    pull_downs.write(conn, [(job, one) for job, one in found if one is not None])


def _estimate(job: int, one: Pulling) -> PullEstimate | None:
    try:
        return one.estimate()
    except Exception:
        # The judgement does not fail for want of an estimate.
        log.exception("the pull-down of job %s could not be estimated", job)
        return None


def _waited_us(one: Pulling, made: Last | None) -> int:
    """How long an estimate has been due [µs]; negative while it is not."""
    if made is None or made.start_us != one.state.start_us or made.rig != one.rig:
        return one.at_us - one.state.start_us
    return one.at_us - due_us(made.start_us, made.at_us)

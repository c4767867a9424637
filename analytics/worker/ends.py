"""Ends of jobs: closing them, and moving or taking back an end that late readings put elsewhere.

The end lies in event time and follows from the readings alone, so those that come late or all at once end the
job where they would have ended it live, and what comes after belongs to another job."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from analytics.core.track import View
from analytics.worker import chain
from analytics.worker.plan import Plan
from model.job import JobState
from store import setups, walkups
from store.database import Connection
from store.events import NewEvent
from store.setups import Setup

STATES = {"running": JobState.RUNNING, "finished": JobState.FINISHED, "unproven": JobState.UNPROVEN}


@dataclass(slots=True)
class Ends:
    """What was found and done.

    Parameters
    ----------
    ahead : dict
        When jobs will be over [µs], if nothing more comes.
    moved : dict
        Set-ups of jobs that were closed, opened again or end elsewhere.
    again : set of int
        Jobs to be judged again, because other readings belong to them now.
    goals : dict
        Jobs whose end is known only after judging further, up to there [µs].
    waiting : set of int
        Jobs that cannot be ended now, because somebody else has a lock.
    """

    events: list[NewEvent] = field(default_factory=list)
    ahead: dict[int, int] = field(default_factory=dict)
    moved: dict[int, Setup] = field(default_factory=dict)
    again: set[int] = field(default_factory=set)
    goals: dict[int, int] = field(default_factory=dict)
    waiting: set[int] = field(default_factory=set)

    @property
    def left(self) -> set[int]:
        """Jobs whose view is not to be written now."""
        return self.again | self.waiting | set(self.goals)


def settle(conn: Connection, judged: Sequence[tuple[Plan, View]], settled_us: int, now_us: int) -> Ends:
    """End the jobs that are over by now, and correct ends.

    Parameters
    ----------
    judged : sequence of (Plan, View)
        Jobs that are judged up to their goals.
    settled_us : int
        All readings up to here should have arrived [µs].
    """
    ends = Ends()
    for plan, view in judged:
        setup, job_id = plan.setup, plan.setup.job.id
        if plan.settings.closing is None or job_id in ends.again:
            continue
        at_us = view.over_us if view.over_us is not None and view.over_us <= settled_us else None
        old_us = setup.job.closed_us
        if at_us is None and view.over_us is not None:
            ends.ahead[job_id] = view.over_us
        if at_us == old_us:
            continue
        last_us = None if old_us is None else _last_reading(conn, setup, view.over_us)
        if last_us is not None and last_us > plan.goal_us:
            ends.goals[job_id] = last_us
            continue
        try:
            done = chain.end(conn, setup, at_us, STATES.get(view.evacuation, JobState.RUNNING), now_us)
        except chain.Busy:
            ends.waiting.add(job_id)
            continue
        ends.events += done.events
        ends.again |= done.again
        ends.moved[job_id] = setup
    ends.moved = setups.load(conn, ends.moved.keys() - ends.again) if ends.moved else {}
    return ends


def _last_reading(conn: Connection, setup: Setup, until_us: int | None) -> int | None:
    """Time of the last reading that may be the job's if it was not over where it is closed [µs]."""
    found = [
        walkups.last_reading(conn, one.instrument_id, one.since_us, least)
        for one in setup.reach
        for least in [min((at for at in (one.until_us, until_us) if at is not None), default=None)]
        if least is None or least > one.since_us
    ]
    return max((at for at in found if at is not None), default=None)

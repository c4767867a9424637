"""Judging jobs from their first reading again, after the rules, a procedure or the equipment changed."""

from __future__ import annotations

from collections.abc import Sequence

from analytics.worker.judge import SILENCE
from model.clock import US, Clock
from store import jobs, standing, timers, tracks, work
from store.database import Connection
from store.timers import Timer
from store.work import Span

AHEAD_US = 300 * US
"""Readings may be this far ahead of the clock (the outside contract)."""


def rejudge(conn: Connection, job_ids: Sequence[int], clock: Clock) -> None:
    """Forget the states of jobs, set parked ones free, and queue all their readings, in the caller's
    transaction.

    Results stay until the new judgement is complete; verdicts that change then are revised with the reason
    "judged again"."""
    tracks.forget(conn, job_ids)
    standing.clear_failures(conn, job_ids)
    end_us = clock.now_us() + AHEAD_US
    spans = [
        Span(one.instrument_id, one.since_us, end_us if one.until_us is None else one.until_us - 1)
        for job_id in job_ids
        for one in jobs.assignments(conn, job_id)
    ]
    work.add(conn, [span for span in spans if span.since_us <= span.until_us])
    timers.put(conn, [Timer(SILENCE, str(job_id), clock.now_us()) for job_id in job_ids])

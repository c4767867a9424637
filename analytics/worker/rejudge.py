"""Judging jobs from their first reading again, after the rules, a procedure or the equipment changed."""

from __future__ import annotations

from collections.abc import Sequence

from analytics.worker.reconcile import AGAIN
from model.clock import Clock
from store import anew, events
from store.database import Connection


def rejudge(conn: Connection, job_ids: Sequence[int], clock: Clock) -> None:
    """Forget the states of jobs, set parked ones free, and queue all their readings, in the caller's
    transaction.

    Results stay until the new judgement is complete; verdicts that change then are revised with the reason
    "judged again"."""
    anew.lock(conn, [], job_ids)
    events.record(conn, anew.ask(conn, job_ids, AGAIN, clock.now_us()), clock.now_us())

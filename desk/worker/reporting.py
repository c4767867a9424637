"""Tells people how a plan went, over channels of their own. A hold that failed is Dispatch's, by its
alert."""

from __future__ import annotations

import uuid

from desk.core.plan import Step
from model.channel import Tells
from model.event import EventKind
from model.hold_plan import HoldPlan, PlanEnd
from store import channels, notifications
from store.database import Connection

REPORT, LATE_VERDICT = "plan-report", "plan-verdict"
"""Reasons: how it went, at the time that was asked for; a verdict that came after that."""
VERDICTS = (PlanEnd.PASSED, PlanEnd.FAILED, PlanEnd.INCONCLUSIVE)


def tell_readers(conn: Connection, found: HoldPlan, done: Step, now_us: int) -> int:
    """Put into the outbox what a step of a plan has for whom it tells; over how many channels.

    In the transaction of the step, once over a channel.
    """
    reported = next((tell.text for tell in done.tells if tell.kind is EventKind.PLAN_REPORTED), None)
    late = found.progress.reported and found.progress.state.live and done.progress.end in VERDICTS
    if not found.tell or (reported is None and not late):
        return 0
    reason = LATE_VERDICT if reported is None else REPORT
    body = {
        "plan": found.id,
        "job": found.job_id,
        "site": found.site_id,
        "hold": done.progress.hold_id,
        "came_to": done.progress.end,
        "text": " ".join(done.lines) if reported is None else reported,
    }
    numbers = [
        notifications.enqueue(
            conn,
            channel.id,
            reason,
            {"id": str(uuid.uuid4()), **body},
            now_us,
            key=f"{reason}:{found.id}",
        )
        for person_id, _ in found.tell
        for channel in channels.telling(conn, Tells.PLANS, person_id)
        if channel.kind.for_people and channel.stopped_at is None
    ]
    return sum(number is not None for number in numbers)

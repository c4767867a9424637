"""A hold plan as a pure state machine: what is seen now, and the next state with what is to be done.

It looks at states, not at news: whatever came twice, late or while nobody worked, the next look sees where
things stand. It opens a valve in drying rounds only (`desk.core.drying`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from desk.core import drying
from desk.core.interlocks import age_s
from desk.core.plan_look import AGAIN_S as AGAIN_S
from desk.core.plan_look import HoldSeen as HoldSeen
from desk.core.plan_look import Seen as Seen
from desk.core.plan_look import Step as Step
from desk.core.plan_look import Tell as Tell
from desk.core.plan_look import blocked, moved
from model.clock import US
from model.event import EventKind
from model.hold_plan import HoldPlan, PlanEnd, PlanState, Progress
from model.instants import instant
from model.judgement import Verdict
from model.order import OrderState
from model.reading import Valve
from model.valve_facts import REPORT_FRESH_S

LOOK_S = 10.0
"""So often a plan looks."""
BEYOND_PATIENCE_S = 3600.0
"""After the procedure's patience a verdict comes within minutes; after this none comes."""


def held_s(samples: Sequence[tuple[int, float]], target_pa: float, interval_s: float, now_us: int) -> float:
    """For how long a circuit has been at or below its target, up to now [s]; 0: it is not, or nobody knows.

    Parameters
    ----------
    samples : sequence of (µs, Pa)
        Of the gauge that decides, oldest first. A gap of a minute and of five intervals ends the stretch.
    """
    gap_us = round(max(60.0, 5 * interval_s) * US)
    since_us = later_us = None
    for at_us, pressure_pa in reversed(samples):
        if not pressure_pa <= target_pa or abs((later_us or now_us) - at_us) > gap_us:
            break
        since_us = later_us = at_us
    return 0.0 if since_us is None else (samples[-1][0] - since_us) / US


def next_look_us(plan: HoldPlan, now_us: int) -> int | None:
    """When to look again [µs]; None: never."""
    progress = plan.progress
    if progress.state.live:
        return now_us + round(LOOK_S * US)
    return plan.report_us if progress.state is PlanState.ENDED and not progress.reported else None


def step(plan: HoldPlan, seen: Seen, now_us: int) -> Step:
    """One look at a plan."""
    done = _advance(plan, seen, now_us)
    if now_us < plan.report_us or done.progress.state is PlanState.CALLED_OFF:
        return done
    if done.progress.state is PlanState.WAITING:
        # By day people work at the site: what was planned for the night closes nothing then.
        ended = replace(done.progress, state=PlanState.ENDED, end=PlanEnd.NOT_BEGUN)
        line = "No hold has begun until the time of the report: the plan ends."
        done = replace(done, progress=ended, lines=(*done.lines, line), ask_close=False)
    if done.progress.reported:
        return done
    text = report_text(replace(plan, progress=done.progress), seen.hold_s, seen.hold)
    return replace(
        done,
        progress=replace(done.progress, reported=True),
        lines=(*done.lines, f"Told how it went: {text}"),
        tells=(*done.tells, Tell(EventKind.PLAN_REPORTED, text)),
    )


def asked(progress: Progress, order_id: int, now_us: int) -> Step:
    """The close that a step wanted was asked for."""
    return Step(
        replace(
            progress,
            state=PlanState.CLOSING,
            order_id=order_id,
            asked_us=now_us,
            attempts=progress.attempts + 1,
        ),
        (f"The valve is ordered closed (order {order_id}).",),
    )


def hindered(plan: HoldPlan, reasons: Sequence[str], now_us: int) -> Step:
    """The close that a step wanted is hindered."""
    return blocked(plan.progress, tuple(reasons), now_us, "after drying" if plan.progress.rounds else "")


def call_off(plan: HoldPlan, who: str) -> Step:
    """A person calls the plan off. No order follows; one that is under way is not called back: a close may
    come late. A valve that is open for drying is closed first."""
    progress = plan.progress
    if _dries(progress):
        return drying.call_off(plan, who)
    under_way = {
        PlanState.CLOSING: " The order to close that is under way may still be carried out.",
        PlanState.HOLDING: " The valve is left as it is; the hold is judged all the same.",
        PlanState.WEIGHING: " The valve is left closed.",
    }.get(progress.state, "")
    return Step(replace(progress, state=PlanState.CALLED_OFF), (f"Called off by {who}.{under_way}",))


def _dries(progress: Progress) -> bool:
    """Whether the valve is open for drying, or may be."""
    if progress.state in (PlanState.OPENING, PlanState.DRYING):
        return True
    return progress.state is PlanState.CLOSING and progress.rounds > 0


def report_text(plan: HoldPlan, hold_s: float, hold: HoldSeen | None) -> str:
    """How it went, in sentences."""
    progress = plan.progress
    if progress.end is PlanEnd.NOT_BEGUN:
        why = " ".join(progress.blocked) or "The target was not held for the time that was asked for."
        return f"Plan {plan.id}: no hold has begun, and none will by this plan. {why}"
    said = drying.said(plan)
    dried = f" {said}" if said else ""
    if _dries(progress):
        stands = (
            "is being closed"
            if progress.stop or progress.state is PlanState.CLOSING
            else "is open to the pump"
        )
        if progress.state is PlanState.OPENING:
            stands = "is ordered open"
        return f"Plan {plan.id}: the circuit is being dried; the valve {stands}.{dried}"
    if progress.state is PlanState.WEIGHING and hold is not None:
        waits = " ".join(progress.blocked)
        return f"Plan {plan.id}: {hold.text} Whether it may be dried is looked at. {waits}".rstrip() + dried
    if hold is not None and hold.verdict.final:
        return f"Plan {plan.id}: {hold.text}{dried}"
    if progress.state is PlanState.CLOSING:
        return f"Plan {plan.id}: the valve was ordered closed and has not reported closed."
    if progress.closed_us is None or progress.end is not None:
        return f"Plan {plan.id} ended without a verdict: {_ended(progress)}."
    closed = instant(progress.closed_us)
    if progress.out_of_reach_us is not None:
        since = instant(progress.out_of_reach_us)
        return (
            f"Plan {plan.id}: awaiting readings. The gateway is out of reach since {since}; the valve is "
            f"believed closed since {closed}. Readings that it has stored count when they come."
        )
    ends = instant(progress.closed_us + round(hold_s * US))
    return f"Plan {plan.id}: " + (
        "the time of the hold is over; its verdict awaits readings."
        if progress.over
        else f"the hold goes on since {closed}, until {ends}."
    )


def _ended(progress: Progress) -> str:
    return "see its log" if progress.end is None else _END_WORDS.get(progress.end, "see its log")


_END_WORDS = {
    PlanEnd.VALVE_MOVED: "the valve reported open during the hold",
    PlanEnd.JOB_OVER: "the valve serves the job no more",
    PlanEnd.NO_VERDICT: "no verdict came",
}
_OF_VERDICT = {
    Verdict.PASSED: PlanEnd.PASSED,
    Verdict.FAILED: PlanEnd.FAILED,
    Verdict.INCONCLUSIVE: PlanEnd.INCONCLUSIVE,
}


def _advance(plan: HoldPlan, seen: Seen, now_us: int) -> Step:
    progress = plan.progress
    if not progress.state.live:
        return Step(progress)
    if seen.hold is not None and seen.hold.verdict.final and progress.state is PlanState.HOLDING:
        return _verdict(plan, seen.hold)
    if _dries(progress):
        return _drying(plan, seen, now_us)
    if not seen.job_open:
        ended = replace(progress, state=PlanState.ENDED, end=PlanEnd.JOB_OVER)
        # Who closes a job has seen it, and nothing asks to act on it any more.
        return Step(replace(ended, reported=True), ("The job is closed: the plan ends.",))
    if not seen.serves:
        ended = replace(progress, state=PlanState.ENDED, end=PlanEnd.JOB_OVER)
        text = f"Plan {plan.id}: the valve {plan.valve} serves the job no more. The plan ends."
        return Step(ended, (text,), (Tell(EventKind.PLAN_BLOCKED, text),))
    if progress.state is PlanState.HOLDING:
        return _holding(plan, seen, now_us)
    if progress.state is PlanState.WEIGHING:
        return _weighing(plan, seen, now_us)
    if progress.state is PlanState.CLOSING:
        return _closing(plan, seen, now_us)
    return _waiting(plan, seen, now_us)


def _drying(plan: HoldPlan, seen: Seen, now_us: int) -> Step:
    """The valve is open for drying, or may be: until it is closed there is no way out but that one."""
    progress = plan.progress
    if seen.taken:
        ended = replace(progress, state=PlanState.ENDED, end=PlanEnd.JOB_OVER)
        text = (
            f"Plan {plan.id}: the valve {plan.valve} serves another job, and may be open. "
            "The plan ends and moves nothing."
        )
        return Step(ended, (text,), (Tell(EventKind.PLAN_BLOCKED, text),))
    if not progress.stop and progress.state is not PlanState.OPENING and not (seen.job_open and seen.serves):
        return _job_over(plan, seen)
    if progress.state is PlanState.OPENING:
        return drying.opening(plan, seen, now_us)
    if progress.state is PlanState.DRYING:
        return drying.pumping(plan, seen, now_us)
    return _closing(plan, seen, now_us)


def _job_over(plan: HoldPlan, seen: Seen) -> Step:
    # Who closes a job has seen it, and nothing wakes anybody about it any more.
    done = drying.stop(
        plan, ("The valve serves the job no more." if seen.job_open else "The job is closed.",)
    )
    progress = replace(done.progress, state=plan.progress.state)
    return replace(done, progress=progress, tells=done.tells if seen.job_open else ())


def _weighing(plan: HoldPlan, seen: Seen, now_us: int) -> Step:
    if _left_its_seat(plan, seen):
        return _holding(plan, seen, now_us)
    if seen.hold is not None and seen.hold.verdict in (Verdict.PASSED, Verdict.INCONCLUSIVE):
        return _verdict(plan, seen.hold)
    return drying.weigh(plan, seen, now_us)


def _left_its_seat(plan: HoldPlan, seen: Seen) -> bool:
    return moved(seen, plan.progress.closed_us or 0) is not None


def _waiting(plan: HoldPlan, seen: Seen, now_us: int) -> Step:
    progress = plan.progress
    early = plan.not_before_us is not None and now_us < plan.not_before_us
    if early or now_us >= plan.report_us:
        return Step(progress)
    if _closed_by_order(progress, seen):
        return _begin(plan, seen)
    if seen.held_s < plan.held_s:
        return _unblocked(progress)
    report = seen.report
    closed = report is not None and report.position is Valve.CLOSED
    if closed and report is not None and age_s(now_us, report.at_us, report.arrived_us) <= REPORT_FRESH_S:
        begun = _begin(plan, seen)
        return replace(begun, lines=("The valve is closed already, without this plan.", *begun.lines))
    if now_us < progress.not_again_before_us:
        return Step(progress)
    return Step(progress, ask_close=True)


def _closing(plan: HoldPlan, seen: Seen, now_us: int) -> Step:
    progress, order = plan.progress, seen.order
    if _closed_by_order(progress, seen):
        return drying.finish(plan, seen) if progress.stop else _begin(plan, seen)
    if order is not None and order.state.open:
        return Step(progress)
    text = seen.order_text or "The order to close is gone."
    if order is not None and order.state is OrderState.DONE and order.outcome is not None:
        if now_us - order.outcome.arrived_us < REPORT_FRESH_S * US:
            return Step(progress)
        text += " But the valve does not report closed."
    if progress.rounds:
        return drying.not_closed(progress, text, now_us)
    back = replace(progress, state=PlanState.WAITING, not_again_before_us=now_us + round(AGAIN_S * US))
    return blocked(back, (text,), now_us)


def _closed_by_order(progress: Progress, seen: Seen) -> bool:
    """Whether the valve has reported closed since it was ordered to be; also long after the order expired."""
    report, asked_us = seen.report, progress.asked_us
    if report is None or asked_us is None or report.position is not Valve.CLOSED:
        return False
    return report.arrived_us >= asked_us


def _begin(plan: HoldPlan, seen: Seen) -> Step:
    assert seen.report is not None
    closed_us = seen.report.since_us
    went_on = (
        () if not plan.progress.blocked_told else (_went_on("The valve reports closed: the plan goes on."),)
    )
    begun = replace(
        plan.progress,
        state=PlanState.HOLDING,
        closed_us=closed_us,
        blocked=(),
        blocked_since_us=None,
        blocked_told=False,
        over=False,
        hold_id=None,
    )
    ends = instant(closed_us + round(seen.hold_s * US))
    line = f"The valve reports closed since {instant(closed_us)}: the hold runs until {ends}."
    return Step(begun, (line,), went_on)


def _holding(plan: HoldPlan, seen: Seen, now_us: int) -> Step:
    progress = plan.progress
    closed_us = progress.closed_us or 0
    report = moved(seen, closed_us)
    if report is not None:
        when = instant(report.since_us)
        text = (
            f"Plan {plan.id}: the valve {plan.valve} reports {report.position.name.lower()} since {when}, "
            "during the hold. The plan ends and moves nothing."
        )
        ended = replace(progress, state=PlanState.ENDED, end=PlanEnd.VALVE_MOVED)
        return Step(ended, (text,), (Tell(EventKind.PLAN_BLOCKED, text),))
    lines: list[str] = []
    if seen.hold is not None and seen.hold.id != progress.hold_id:
        progress = replace(progress, hold_id=seen.hold.id)
    progress = _reach(plan, progress, seen, now_us, lines)
    end_us = closed_us + round(seen.hold_s * US)
    if now_us >= end_us and not progress.over:
        progress = replace(progress, over=True)
        lines.append("The time of the hold is over; the verdict is awaited.")
    if now_us >= end_us + round((seen.patience_s + BEYOND_PATIENCE_S) * US):
        progress = replace(progress, state=PlanState.ENDED, end=PlanEnd.NO_VERDICT)
        text = f"Plan {plan.id}: no verdict came of the hold. The valve is left as it is."
        return Step(progress, (*lines, text), (Tell(EventKind.PLAN_BLOCKED, text),))
    return Step(progress, tuple(lines))


def _reach(plan: HoldPlan, progress: Progress, seen: Seen, now_us: int, lines: list[str]) -> Progress:
    """Note when a gateway goes out of reach and comes back."""
    if not seen.online and progress.out_of_reach_us is None:
        since_us = seen.presence_us or now_us
        lines.append(
            f"The gateway {plan.gateway} is out of reach since {instant(since_us)}. The valve is "
            f"believed closed since {instant(progress.closed_us or now_us)}; "
            "stored readings count when they come."
        )
        return replace(progress, out_of_reach_us=since_us)
    if seen.online and progress.out_of_reach_us is not None:
        lines.append(f"The gateway {plan.gateway} is in reach again.")
        return replace(progress, out_of_reach_us=None)
    return progress


def _verdict(plan: HoldPlan, hold: HoldSeen) -> Step:
    progress = replace(plan.progress, hold_id=hold.id, over=True)
    left = "" if hold.verdict is Verdict.PASSED else " The valve is left closed."
    line = f"Verdict: {hold.text}{left}"
    if hold.verdict is Verdict.FAILED and plan.drying is not None:
        if progress.rounds < plan.drying.rounds:
            weighing = replace(progress, state=PlanState.WEIGHING, not_again_before_us=0)
            return Step(weighing, (line, "Whether the circuit may be dried is looked at."))
        used_up = drying.used_up(plan.drying)
        return Step(
            replace(progress, state=PlanState.ENDED, end=PlanEnd.FAILED, stop=(used_up,)), (line, used_up)
        )
    return Step(replace(progress, state=PlanState.ENDED, end=_OF_VERDICT[hold.verdict]), (line,))


def _unblocked(progress: Progress) -> Step:
    """The target is not held any more: what hindered the close is no matter now."""
    if progress.blocked_since_us is None:
        return Step(progress)
    cleared = replace(progress, blocked=(), blocked_since_us=None, blocked_told=False)
    text = "The target is not held any more: the plan waits for it again."
    return Step(cleared, (text,), (_went_on(text),) if progress.blocked_told else ())


def _went_on(text: str) -> Tell:
    return Tell(EventKind.PLAN_WENT_ON, text)

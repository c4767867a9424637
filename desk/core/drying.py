"""Drying rounds of a hold plan: open to the running pump, pump for a set time, close, hold again.

Off unless somebody chose it. One table has what must be so, with the reason in words for what is not; besides
it each opening passes every interlock of an opening (`desk.core.interlocks`) when it is ordered. Every way
out of a round leads over a closed valve. The limits are our own choice, no source, unless one is named.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from desk.core.plan_look import AGAIN_S, BLOCKED_S, HoldSeen, Seen, Step, Tell, blocked, same
from model.clock import US
from model.event import EventKind
from model.fluid import Fluid
from model.hold_plan import Drying, HoldPlan, PlanEnd, PlanState, Progress
from model.order import OrderAction, OrderState, Report, Watch
from model.reading import Valve
from model.valve_facts import REPORT_FRESH_S

FREEZES_K = 273.15
LEAK_POSSIBLE = 0.2
"""From this probability on a leak is reckoned with, as in the advice about a hold."""
COLD_SPOT_K = 5.0
"""The coldest wet spot is colder than the sensor says by about this much [trade page]."""
UNANSWERED_S = 600.0
"""An order to open that nobody answered may be carried out for so long after its end, as its watch has it."""
TEMPERATURE_FRESH_S = 900.0
"""A temperature that is older says nothing of now."""
CAUSE_COMES_S = 900.0
"""The cause of a fail is estimated for the last time at the planned end of its hold; it is here by then."""


@dataclass(frozen=True, slots=True)
class Condition:
    """What must be so for drying.

    Parameters
    ----------
    title : str
        What must be so, in words.
    hinders : callable
        Why it is not so, in a sentence; empty if it is.
    patience_s : float or None
        For so long it may come to be so, while the hold is over [s]; None: until the hold's planned end.
    while_open : bool
        It must go on to be so while the valve is open.
    """

    id: str
    title: str
    hinders: Callable[[HoldPlan, Drying, Seen, int], str]
    patience_s: float | None = BLOCKED_S
    while_open: bool = False


# What hinders -----------------------------------------------------------------------------------------


def _moisture(plan: HoldPlan, drying: Drying, seen: Seen, now_us: int) -> str:
    moisture = 0.0 if seen.hold is None else seen.hold.moisture
    if moisture >= drying.probability:
        return ""
    return (
        f"The estimated cause is not moisture with {drying.probability:.0%} or more (so far {moisture:.0%})."
    )


def _leak(plan: HoldPlan, drying: Drying, seen: Seen, now_us: int) -> str:
    earlier = 0.0 if seen.ground is None else seen.ground.leak
    leak = max(earlier, 0.0 if seen.hold is None else seen.hold.leak)
    if leak < LEAK_POSSIBLE:
        return ""
    return f"A leak is suspected ({leak:.0%}): pumping on would hide it and draw damp air in."


def _rounds(plan: HoldPlan, drying: Drying, seen: Seen, now_us: int) -> str:
    return "" if plan.progress.rounds < drying.rounds else used_up(drying)


def _in_time(plan: HoldPlan, drying: Drying, seen: Seen, now_us: int) -> str:
    if now_us + round(drying.pump_s * US) <= plan.report_us:
        return ""
    return "A round would not be over by the time of the report, when people may be at work there."


def _refrigerant(plan: HoldPlan, drying: Drying, seen: Seen, now_us: int) -> str:
    return exhaust(drying, Fluid.of(None) if seen.ground is None else seen.ground.fluid)


def _pump_ran(plan: HoldPlan, drying: Drying, seen: Seen, now_us: int) -> str:
    if seen.ground is not None and seen.ground.pump_ran:
        return ""
    return "The pump has not been reported running all along since the valve closed."


def _pump_now(plan: HoldPlan, drying: Drying, seen: Seen, now_us: int) -> str:
    return "Nothing is known of the pump." if seen.ground is None else seen.ground.pump_now


def _cold(plan: HoldPlan, drying: Drying, seen: Seen, now_us: int) -> str:
    return cold_spot(None if seen.ground is None else seen.ground.coldest_k)


def used_up(drying: Drying) -> str:
    """That no round is left."""
    return (
        f"All {drying.rounds} drying rounds are used up."
        if drying.rounds > 1
        else "Its one round is used up."
    )


def exhaust(drying: Drying, fluid: Fluid) -> str:
    """Why a refrigerant may not be pumped on with nobody there; empty if it may."""
    if not fluid.flammable:
        return ""
    if drying.confirmed is not None and drying.confirmed.refrigerant == fluid.written:
        return ""
    if fluid.written is None:
        what = "The circuit's refrigerant is not known"
    elif fluid.safety_group is None:
        what = f"{fluid.written} is not in our table and is taken for flammable"
    else:
        what = f"{fluid.written} is flammable ({fluid.safety_group})"
    return f"{what}, and nobody has confirmed exhaust, ventilation and ignition control for this job."


def cold_spot(coldest_k: float | None) -> str:
    """Why ice may be in the circuit, of which pumping takes little; empty where it is not likely."""
    if coldest_k is None:
        return "The circuit's temperature is not known, so that a spot may be below 0 °C."
    spot_k = coldest_k - COLD_SPOT_K
    if spot_k > FREEZES_K:
        return ""
    return f"A spot may be at {spot_k - FREEZES_K:.0f} °C: ice gives off little vapour, warm it first."


CONDITIONS: Sequence[Condition] = (
    Condition("rounds", "a round is left", _rounds, patience_s=0.0),
    Condition("in-time", "a round would be over by the time of the report", _in_time, patience_s=0.0),
    Condition("moisture", "the hold failed by moisture", _moisture, patience_s=None),
    Condition("leak", "no leak is suspected", _leak, patience_s=None, while_open=True),
    Condition("exhaust", "the refrigerant is not flammable, or the exhaust confirmed", _refrigerant,
              while_open=True),
    Condition("pump-ran", "the pump was reported running all along", _pump_ran),
    Condition("pump-now", "the pump is known to run now", _pump_now, while_open=True),
    Condition("cold-spot", "no spot is likely below 0 °C", _cold, while_open=True),
)  # fmt: skip


def hindering(plan: HoldPlan, seen: Seen, now_us: int, *, is_open: bool = False) -> dict[str, str]:
    """What of the table is not so, in sentences by its id."""
    drying = plan.drying
    if drying is None:
        return {"off": "No drying was chosen."}
    rows = [row for row in CONDITIONS if row.while_open or not is_open]
    found = {row.id: text for row in rows for text in [row.hinders(plan, drying, seen, now_us)] if text}
    if seen.ground is None and "moisture" in found:
        # The rest was not looked at, and is neither so nor not.
        return {
            name: text for name, text in found.items() if name in ("rounds", "in-time", "moisture", "leak")
        }
    return found


def by_moisture(plan: HoldPlan, hold: HoldSeen) -> bool:
    """Whether a hold failed by moisture, surely enough for what was chosen."""
    return plan.drying is not None and hold.moisture >= plan.drying.probability


# States -----------------------------------------------------------------------------------------------


def weigh(plan: HoldPlan, seen: Seen, now_us: int) -> Step:
    """After a hold that failed: open when all is so, wait for what may come, or leave it."""
    progress = plan.progress
    if seen.hold is None or not seen.hold.verdict.final:
        line = "The verdict is withdrawn: the hold is judged again."
        return Step(_clear(replace(progress, state=PlanState.HOLDING)), (line,))
    found = hindering(plan, seen, now_us)
    if found:
        return _not_now(plan, seen, found, now_us)
    if now_us < progress.not_again_before_us:
        return Step(progress)
    return Step(progress, ask_open=True)


def asked(plan: HoldPlan, order_id: int, now_us: int) -> Step:
    """The opening that a step wanted was asked for."""
    progress, rounds = plan.progress, 0 if plan.drying is None else plan.drying.rounds
    opening = replace(
        _clear(progress),
        state=PlanState.OPENING,
        order_id=order_id,
        asked_us=now_us,
        attempts=progress.attempts + 1,
        rounds=progress.rounds + 1,
        opened_us=None,
    )
    line = f"Drying round {opening.rounds} of {rounds} at most: the valve is ordered open (order {order_id})."
    return Step(opening, (line,))


def hindered(plan: HoldPlan, seen: Seen, reasons: dict[str, str], now_us: int) -> Step:
    """The opening that a step wanted is hindered by interlocks."""
    return _not_now(plan, seen, reasons, now_us)


def opening(plan: HoldPlan, seen: Seen, now_us: int) -> Step:
    """An opening is under way."""
    progress, order = plan.progress, seen.order
    if _opened(progress, seen.report) and seen.report is not None:
        return _pump(plan, seen.report, now_us)
    if order is not None and order.state.open:
        return Step(progress)
    text = seen.order_text or "The order to open is gone."
    ended_us = None if order is None or order.outcome is None else order.outcome.arrived_us
    if order is not None and ended_us is not None and order.state in (OrderState.DONE, OrderState.REFUSED):
        # A gateway with a new session may refuse what it has done: the valve's own word counts.
        closed = _says_closed(seen.report, ended_us)
        if order.state is OrderState.REFUSED and closed:
            return _refused(plan, seen, text, now_us)
        if now_us - ended_us < REPORT_FRESH_S * US:
            return Step(progress)
        text += f" But the valve does not report {'closed' if order.state is OrderState.REFUSED else 'open'}."
    # It may have moved all the same, or may yet.
    if progress.stop:
        return Step(replace(progress, state=PlanState.DRYING), (text,))
    return stop(plan, (text,))


def pumping(plan: HoldPlan, seen: Seen, now_us: int) -> Step:
    """The valve is open, or may be: for the time of the round, or until it can be closed."""
    progress = plan.progress
    if _shut(progress, seen):
        return finish(plan, seen) if progress.stop else _closed_early(plan, seen)
    if not progress.stop:
        reasons = list(hindering(plan, seen, now_us, is_open=True).values())
        if seen.order is not None and seen.order.watch in (Watch.UNSAFE, Watch.SHUT):
            reasons.insert(0, "After the opening the pressure did not fall as it should.")
        if reasons:
            return stop(plan, tuple(reasons))
    closed = _says_closed(seen.report, progress.asked_us or 0)
    due = bool(progress.stop) or now_us >= progress.pump_until_us
    return Step(progress, ask_close=due and not closed and now_us >= progress.not_again_before_us)


def _closed_early(plan: HoldPlan, seen: Seen) -> Step:
    """The gateway closes by itself without its pump, or somebody did by hand."""
    stopped = stop(plan, ("The valve has closed by itself, or by hand, before its time.",))
    done = finish(replace(plan, progress=stopped.progress), seen)
    return replace(done, lines=(*stopped.lines, *done.lines), tells=stopped.tells)


def not_closed(progress: Progress, text: str, now_us: int) -> Step:
    """A close after drying came to nothing: again after a minute."""
    back = replace(progress, state=PlanState.DRYING, not_again_before_us=now_us + round(AGAIN_S * US))
    return blocked(back, (text,), now_us, "after drying")


def stop(plan: HoldPlan, reasons: tuple[str, ...]) -> Step:
    """Dry no more: the valve is to be closed for good, and somebody told."""
    progress = replace(_clear(plan.progress), state=PlanState.DRYING, stop=reasons, not_again_before_us=0)
    line = f"Drying stops, and the valve is to be closed: {' '.join(reasons)}"
    return Step(progress, (line,), (_no_more(plan, reasons, "is being closed"),))


def call_off(plan: HoldPlan, who: str) -> Step:
    """A person calls the plan off while the valve is open, or may be: it is closed first."""
    text = f"Called off by {who}."
    progress = replace(_clear(plan.progress), stop=(text,), called_off=True, not_again_before_us=0)
    return Step(progress, (f"{text} The valve is to be closed.",))


def finish(plan: HoldPlan, seen: Seen) -> Step:
    """Stopped, and the valve reports closed."""
    progress = _clear(plan.progress)
    line = "The valve reports closed, and is left so."
    if progress.called_off:
        return Step(replace(progress, state=PlanState.CALLED_OFF), (line,))
    if not (seen.job_open and seen.serves):
        over = replace(progress, state=PlanState.ENDED, end=PlanEnd.JOB_OVER, reported=not seen.job_open)
        return Step(over, (line,))
    return Step(replace(progress, state=PlanState.ENDED, end=PlanEnd.FAILED), (line,))


def leave(plan: HoldPlan, reasons: tuple[str, ...]) -> Step:
    """Not dried, or not again: the valve is closed and stays so."""
    progress = replace(_clear(plan.progress), state=PlanState.ENDED, end=PlanEnd.FAILED, stop=reasons)
    line = f"Not dried, and the valve is left closed: {' '.join(reasons)}"
    return Step(progress, (line,), (_no_more(plan, reasons, "is left closed"),))


def said(plan: HoldPlan) -> str:
    """How far drying has come, in a sentence; empty if there was none."""
    progress, drying = plan.progress, plan.drying
    if drying is None or not (progress.rounds or progress.stop):
        return ""
    done = f"Drying rounds: {progress.rounds} of {drying.rounds} at most."
    return f"{done} Stopped: {' '.join(progress.stop)}" if progress.stop else done


def _no_more(plan: HoldPlan, reasons: Sequence[str], valve: str) -> Tell:
    text = f"Plan {plan.id} does not dry the circuit any more, and the valve {valve}. {' '.join(reasons)}"
    return Tell(EventKind.PLAN_DRIES_NO_MORE, text, plan.progress.hold_id)


def _not_now(plan: HoldPlan, seen: Seen, found: dict[str, str], now_us: int) -> Step:
    progress, reasons = plan.progress, tuple(found.values())
    patience = {row.id: row.patience_s for row in CONDITIONS}
    if any(patience.get(one, BLOCKED_S) == 0 for one in found):
        return leave(plan, reasons)
    # As long as the cause may still become certain, nothing else is final.
    for_cause = any(patience.get(one, BLOCKED_S) is None for one in found)
    if for_cause:
        since_us = None
        over = now_us >= (progress.closed_us or 0) + round((seen.hold_s + CAUSE_COMES_S) * US)
    else:
        since_us = progress.blocked_since_us if progress.blocked_since_us is not None else now_us
        over = now_us - since_us >= BLOCKED_S * US
    if over:
        return leave(plan, reasons)
    lines = () if same(reasons, progress.blocked) else (f"Not opened for drying yet: {' '.join(reasons)}",)
    return Step(replace(progress, blocked=reasons, blocked_since_us=since_us), lines)


def _refused(plan: HoldPlan, seen: Seen, text: str, now_us: int) -> Step:
    """The gateway has not moved it: the round is not counted, and it may be asked again for a while."""
    progress = plan.progress
    if progress.called_off:
        return finish(plan, seen)
    back = replace(
        progress,
        state=PlanState.WEIGHING,
        rounds=progress.rounds - 1,
        not_again_before_us=now_us + round(AGAIN_S * US),
    )
    return Step(back, (text,))


def _opened(progress: Progress, report: Report | None) -> bool:
    """Whether the valve has reported open since it was ordered to be."""
    if report is None or progress.asked_us is None or report.position is not Valve.OPEN:
        return False
    return report.arrived_us >= progress.asked_us


def _pump(plan: HoldPlan, report: Report, now_us: int) -> Step:
    progress, drying = plan.progress, plan.drying
    pump_s = 0.0 if drying is None else drying.pump_s
    # By the gateway's clock, which may be wrong, and never from before it was asked for.
    since_us = min(now_us, max(report.since_us, progress.asked_us or now_us))
    begun = replace(
        progress,
        state=PlanState.DRYING,
        opened_us=report.at_us,
        pump_until_us=since_us + round(pump_s * US),
        not_again_before_us=0,
    )
    if progress.stop:
        return Step(begun, ("The valve reports open, and is to be closed.",))
    minutes = f"{pump_s / 60:.0f} min"
    told = (
        f"Plan {plan.id} has opened the valve {plan.valve} for {minutes} of drying, "
        f"round {progress.rounds}. Who goes there calls the plan off first, or turns the site to local hands."
    )
    line = f"The valve reports open: the pump dries the circuit for {minutes}."
    return Step(begun, (line,), (Tell(EventKind.PLAN_DRIES, told, progress.hold_id),))


def _says_closed(report: Report | None, since_us: int) -> bool:
    """Whether the valve has reported closed since a moment of our clock."""
    return report is not None and report.position is Valve.CLOSED and report.arrived_us >= since_us


def _shut(progress: Progress, seen: Seen) -> bool:
    """Whether the valve has reported closed after it was open, at a time at which no order can open it any
    more: by hand it may have been opened and closed before its order came."""
    report, order = seen.report, seen.order
    if report is None or report.position is not Valve.CLOSED:
        return False
    if progress.opened_us is not None and report.at_us <= progress.opened_us:
        return False
    if order is None or order.action is OrderAction.CLOSE:
        return True
    outcome = order.outcome
    ended_us = order.expires_us + round(UNANSWERED_S * US) if outcome is None else outcome.arrived_us
    return report.arrived_us >= ended_us


def _clear(progress: Progress) -> Progress:
    return replace(progress, blocked=(), blocked_since_us=None, blocked_told=False)

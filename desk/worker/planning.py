"""Runs hold plans: by timers alone, each look one transaction that takes the timer and sets the next one.

A desk that is killed or away leaves a row and a timer; whoever comes next goes on with them. Two desks take
turns at a plan by its row's lock.
"""

from __future__ import annotations

from dataclasses import replace

from desk.core import battery, drying, interlocks, plan
from desk.core.interlocks import Deed
from desk.core.plan_look import Ground, HoldSeen, Seen, Step
from desk.worker import ordering, reporting
from model.clock import US, Clock
from model.errors import BadInput, Hindered, NotFound
from model.hold_plan import HoldPlan, PlanState
from model.job import JobState
from model.order import OrderAction
from store import drying as drying_store
from store import orders, plans, timers, valve_facts, watches
from store.database import Connection
from store.timers import Timer

KINDS = (plans.LOOK,)
AT_ONCE = 50
BECAUSE = "Hold plan {}: the target was held"
BECAUSE_DRIED = "Hold plan {}: dried, to be held again"
BECAUSE_STOPPED = "Hold plan {}: drying stops"
BECAUSE_WET = "Hold plan {}: drying round {} of {}"
LONGER_S = 600.0
"""Readings are read for so much longer than the target must have been held: the last is a little old."""


def work_off(conn: Connection, clock: Clock) -> int:
    """Take timers that have gone off, one transaction for each; how many there were."""
    now_us = clock.now_us()
    with conn.transaction():
        gone_off = timers.due(conn, KINDS, now_us, AT_ONCE)
    for timer in gone_off:
        with conn.transaction():
            _look(conn, timer, now_us)
    return len(gone_off)


def _look(conn: Connection, timer: Timer, now_us: int) -> None:
    # The plan first, then its timer, as with orders: two that meet here wait, and never for each other.
    try:
        found = plans.lock(conn, int(timer.subject))
    except NotFound:
        timers.drop(conn, timer.kind, [timer.subject])
        return
    if not timers.take(conn, timer.kind, [timer.subject], now_us):
        return
    seen = observe(conn, found, now_us)
    done = plan.step(found, seen, now_us)
    if done.ask_close:
        done = _ask_close(conn, found, seen, now_us)
    elif done.ask_open:
        done = _ask_open(conn, found, seen, now_us)
    _write(conn, found, done, now_us)


def _ask_close(conn: Connection, found: HoldPlan, seen: Seen, now_us: int) -> Step:
    progress = found.progress
    because, hold_until_us, weakest = BECAUSE_STOPPED if progress.stop else BECAUSE_DRIED, None, None
    # After drying the valve is closed whatever the circuit has come to: an open one may do it harm.
    if not progress.rounds:
        because, hold_until_us = BECAUSE, now_us + round(seen.hold_s * US)
        weakest = battery.weakest(plans.charges(conn, found.job_id))
    try:
        with conn.transaction():
            order = ordering.ask(
                conn,
                found.instrument_id,
                OrderAction.CLOSE,
                now_us,
                because=because.format(found.id),
                person_id=found.made_by,
                hold_until_us=hold_until_us,
                battery=weakest,
                accepted=frozenset(found.accepted),
            )
    except Hindered as error:
        return plan.hindered(found, list(error.reasons.values()), now_us)
    except BadInput as error:
        # The valve was taken away, or is none any more.
        return plan.hindered(found, [str(error)], now_us)
    return plan.asked(found.progress, order.id, now_us)


def _ask_open(conn: Connection, found: HoldPlan, seen: Seen, now_us: int) -> Step:
    rounds = 0 if found.drying is None else found.drying.rounds
    try:
        with conn.transaction():
            order = ordering.ask(
                conn,
                found.instrument_id,
                OrderAction.OPEN,
                now_us,
                because=BECAUSE_WET.format(found.id, found.progress.rounds + 1, rounds),
                person_id=found.made_by,
            )
    except Hindered as error:
        return drying.hindered(found, seen, dict(error.reasons), now_us)
    except BadInput as error:
        return drying.hindered(found, seen, {"order": str(error)}, now_us)
    return drying.asked(found, order.id, now_us)


def _write(conn: Connection, found: HoldPlan, done: Step, now_us: int) -> None:
    if done.progress != found.progress:
        plans.write(conn, found.id, done.progress)
    plans.note(conn, found.id, done.lines, now_us)
    next_us = plan.next_look_us(replace(found, progress=done.progress), now_us)
    if next_us is not None:
        timers.put(conn, [Timer(plans.LOOK, str(found.id), next_us)])
    told = reporting.tell_readers(conn, found, done, now_us)
    tells = [(tell.kind, tell.text, tell.hold_id) for tell in done.tells]
    plans.record(conn, found, tells, now_us, told=told)


def observe(conn: Connection, found: HoldPlan, now_us: int) -> Seen:
    """What a look at a plan sees."""
    progress = found.progress
    ground = plans.ground(conn, found.job_id)
    valve = orders.known(conn, found.instrument_id)
    order = None if progress.order_id is None else orders.by_id(conn, progress.order_id)
    held_s = 0.0
    if progress.state is PlanState.WAITING:
        since_us = now_us - round((found.held_s + LONGER_S) * US)
        samples = watches.samples(conn, found.job_id, since_us)
        held_s = plan.held_s(samples, ground.target_pa, ground.interval_s, now_us)
    hold = None if progress.closed_us is None else plans.hold(conn, found.job_id, progress.closed_us)
    hold_seen = None if hold is None else HoldSeen(*hold)
    return Seen(
        job_open=ground.state is not JobState.CLOSED,
        serves=valve.job_id == found.job_id,
        hold_s=ground.hold_s,
        patience_s=ground.patience_s,
        held_s=held_s,
        report=valve.report,
        online=bool(valve.online) and not valve.revoked,
        presence_us=valve.presence_us,
        order=order,
        order_text="" if order is None else orders.sentence(order),
        hold=hold_seen,
        taken=valve.job_id is not None and valve.job_id != found.job_id,
        ground=_drying_ground(conn, found, hold_seen, now_us),
    )


def _drying_ground(conn: Connection, found: HoldPlan, hold: HoldSeen | None, now_us: int) -> Ground | None:
    """What drying depends on, where the cause of the fail alone does not forbid it already."""
    progress = found.progress
    weighing = progress.state is PlanState.WEIGHING and hold is not None and drying.by_moisture(found, hold)
    if not (weighing or progress.state is PlanState.DRYING) or progress.closed_us is None:
        return None
    facts = valve_facts.gather(conn, found.instrument_id, now_us, person_id=found.made_by, automatic=True)
    not_running = [one.text for one in interlocks.hindrances(Deed.OPEN, facts) if one.id == "pump"]
    cold = drying_store.coldest(conn, found.job_id, progress.closed_us)
    known = cold is not None and now_us - cold.heard_us <= drying.TEMPERATURE_FRESH_S * US
    return Ground(
        fluid=drying_store.fluid(conn, found.job_id),
        pump_ran=weighing and drying_store.pump_ran(conn, found.job_id, progress.closed_us),
        pump_now=" ".join(not_running),
        coldest_k=cold.kelvin if cold is not None and known else None,
        leak=drying_store.leak(conn, found.job_id),
    )

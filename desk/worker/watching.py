"""Looks at what an act did to the pressure: after each opening, and after each close that is done.

By timers alone: a desk that is killed or away goes on where it was. Each look is one transaction that takes
the timer and sets the next one.
"""

from __future__ import annotations

from desk.core import after_act, order_life
from desk.core.after_act import Seen
from model.clock import US, Clock
from model.equipment import Position
from model.errors import Conflict
from model.event import EventKind
from model.order import Order, OrderAction, Watch
from model.reading import Valve
from store import orders, timers, watches
from store.database import Connection
from store.orders import CLOSING_WATCH, OPENING_WATCH, WATCH_S, Wish
from store.timers import Timer
from store.watches import Opened

KINDS = (OPENING_WATCH, CLOSING_WATCH)
AT_ONCE = 50
UNANSWERED_S = 600.0
"""An order to open that nobody answered may have been carried out all the same. It was not if the valve says
closed so long after the order's end; a valve that says nothing is waited for."""
NEWEST_S = 900.0
"""Of a valve that stays open the readings of so long are looked at for a rise."""
ASK_AGAIN_S = 60.0
"""A close that came to nothing is asked for again after so long."""


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
    # The order first, then its timer, as everywhere: two that meet here wait, and never for each other.
    order = orders.lock(conn, int(timer.subject))
    if not timers.take(conn, timer.kind, [timer.subject], now_us) or order is None:
        return
    goes_on = _opening(conn, order, now_us) if timer.kind == OPENING_WATCH else _closing(conn, order, now_us)
    if goes_on:
        timers.put(conn, [Timer(timer.kind, timer.subject, now_us + round(WATCH_S * US))])


def _opening(conn: Connection, order: Order, now_us: int) -> bool:
    """One look after an order to open; whether there is more to look at."""
    opened = watches.opened(conn, order)
    if opened is None:
        return order.state.open or not _moved_nothing(conn, order)
    if watches.has_closed(orders.report(conn, order.instrument_id), opened):
        if order.watch is Watch.UNSAFE:
            watches.note(conn, order.id, Watch.SHUT)
        return False
    if order.watch is Watch.UNSAFE:
        _close(conn, order, now_us)
        return True
    if order.watch is not None:
        return _stays_open(conn, order, opened, now_us)
    return _judge_opening(conn, order, opened, now_us)


def _moved_nothing(conn: Connection, order: Order) -> bool:
    """Whether an order to open that is over is known to have moved nothing: by the valve's own word.

    Its gateway's word is not enough: one that did not hear of its own act, or has a new session since, may
    refuse what it has done.
    """
    end = order.outcome
    since_us = order.expires_us + round(UNANSWERED_S * US) if end is None else end.arrived_us
    return watches.has_said_closed(conn, order, since_us) or orders.is_revoked(conn, order.instrument_id)


def _judge_opening(conn: Connection, order: Order, opened: Opened, now_us: int) -> bool:
    since_us = opened.at_us - round(after_act.BEFORE_S * US)
    seen = watches.samples(conn, order.job_id, since_us, acted=(opened.at_us, order.asked_us))
    reach_pa = _reach(conn, order, opened, since_us)
    look = after_act.opening(seen, opened.at_us, now_us, opened.heard_us, reach_pa)
    if look.seen is Seen.WAIT:
        return True
    if look.seen is Seen.BAD:
        return _unsafe(conn, order, look.why, now_us)
    watch, kind, what = _AS_IT_SHOULD[look.seen]
    watches.note(conn, order.id, watch)
    watches.record(conn, [(kind, order, f"Valve {order.valve} was opened, and {what}.")], now_us)
    return True


_AS_IT_SHOULD = {
    Seen.GOOD: (Watch.FALLS, EventKind.OPENING_FALLS, "the pressure falls"),
    Seen.LEVEL: (
        Watch.LEVEL,
        EventKind.OPENING_LEVEL,
        "the pressure stands so low that no fall can be asked for, and has not risen",
    ),
}


def _reach(conn: Connection, order: Order, opened: Opened, since_us: int) -> float:
    circuit = watches.shows(conn, order.job_id, Position.CIRCUIT)
    pump_side = watches.shows(conn, order.job_id, Position.PUMP)
    told = watches.samples(conn, order.job_id, since_us, until_us=opened.at_us, position=Position.PUMP)
    return after_act.reach(
        told,
        0.0 if pump_side is None else pump_side.accuracy,
        opened.at_us,
        None if circuit is None else circuit.lowest_pa,
    )


def _unsafe(conn: Connection, order: Order, why: str, now_us: int) -> bool:
    """Have the valve closed and somebody woken; there is more to look at, until it has closed."""
    watches.note(conn, order.id, Watch.UNSAFE)
    _close(conn, order, now_us)
    text = f"Valve {order.valve} was opened, and {why}: it is to be closed."
    watches.record(conn, [(EventKind.OPENING_UNSAFE, order, text)], now_us)
    return True


def _stays_open(conn: Connection, order: Order, opened: Opened, now_us: int) -> bool:
    """A look at a valve that did what it should: for as long as it stands open by this order.

    A hose may come off, or a pump fail that goes on turning, hours later.
    """
    valve = orders.known(conn, order.instrument_id)
    if valve.job_id != order.job_id or (valve.latest is not None and valve.latest.id != order.id):
        return False
    begin_us = opened.at_us - round(after_act.BEFORE_S * US)
    acted = (opened.at_us, order.asked_us)
    before = watches.samples(conn, order.job_id, begin_us, until_us=opened.at_us + US * 60, acted=acted)
    newest_us = max(opened.at_us, now_us - round(NEWEST_S * US))
    newest = watches.samples(conn, order.job_id, newest_us, acted=acted)
    if after_act.rises(before, newest, opened.at_us):
        return _unsafe(conn, order, after_act.ROSE, now_us)
    return True


def _close(conn: Connection, order: Order, now_us: int) -> None:
    """Have the valve closed, unless that is being done; no interlock is asked, because a close does no harm.

    While its gateway is away nothing is asked for: under its next session it would refuse. Without its pump's
    report it closes by itself.
    """
    valve = orders.known(conn, order.instrument_id)
    if not valve.online or valve.revoked:
        return
    latest = valve.latest
    if latest is not None and latest.action is OrderAction.CLOSE:
        is_open = latest.state.open and now_us < latest.expires_us
        # What was for an earlier session is refused, and need not be waited for.
        is_recent = now_us - latest.asked_us < ASK_AGAIN_S * US and latest.session == valve.session
        if is_open or is_recent:
            return
    reason = f"After the opening by order {order.id} the pressure did not fall, or rose"
    wish = Wish(OrderAction.CLOSE, reason, order_life.USUAL_TTL_S, None, None)
    try:
        with conn.transaction():
            orders.ask(conn, valve, wish, now_us)
    except Conflict:
        # Somebody was faster; the next look sees what came of it.
        return


def _closing(conn: Connection, order: Order, now_us: int) -> bool:
    """One look after a close that is done; whether there is more to look at."""
    answer = orders.answer(conn, order)
    outcome = order.outcome
    if outcome is None:
        return False
    if answer is None or answer.position is not Valve.CLOSED:
        return now_us - outcome.arrived_us < UNANSWERED_S * US
    report = orders.report(conn, order.instrument_id)
    if report is not None and report.position is not Valve.CLOSED and report.at_us > answer.at_us:
        # Moved again meanwhile: there is nothing more to be seen of this close.
        return False
    look = after_act.closing(watches.samples(conn, order.job_id, answer.at_us), answer.at_us, now_us)
    if look.seen is Seen.WAIT:
        return True
    if look.seen is Seen.GOOD:
        watches.note_holds(conn, order.id, True)
        text = f"Valve {order.valve} reports closed, and the pressure agrees."
        watches.record(conn, [(EventKind.VALVE_HOLDS, order, text)], now_us)
    elif look.seen is Seen.BAD:
        watches.note_holds(conn, order.id, False)
        text = f"Valve {order.valve} reports closed, and yet {look.why}."
        watches.record(conn, [(EventKind.VALVE_NOT_HOLDING, order, text)], now_us)
    return False

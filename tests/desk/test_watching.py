"""The watches after an act on the real store: by timers, through kills at every step and hours away."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import pytest

from desk.worker import alerting, expiry, watching
from desk.worker.passing import Outlets
from model.clock import US, HandClock, to_datetime
from model.equipment import Instrument, Position, Role
from model.event import EventKind
from model.order import (
    Order,
    OrderAction,
    OrderResult,
    OrderState,
    Outcome,
    Require,
    Watch,
)
from model.reading import Quantity, Valve
from store import equipment, events, jobs, orders, timers
from store.database import Connection
from store.orders import Wish
from tests.desk.facts import NIGHT_US, all_alerts

HOURS_US = 3 * 3600 * US


@dataclass(frozen=True, slots=True)
class Bench:
    """A valve with a gauge, its orders, and what they report."""

    conn: Connection
    job_id: int
    valve: Instrument
    gauge: Instrument

    def tell(
        self,
        instrument: Instrument,
        quantity: Quantity,
        at_us: int,
        value: float,
        *,
        arrived_us: int | None = None,
        latest: bool = True,
    ) -> None:
        arrived = to_datetime(at_us + US if arrived_us is None else arrived_us)
        row = (instrument.id, int(quantity), to_datetime(at_us), value, arrived)
        self.conn.execute(
            "INSERT INTO reading (instrument_id, quantity, time, value, arrived) VALUES (%s, %s, %s, %s, %s)",
            row,
        )
        if not latest:
            return
        self.conn.execute(
            "INSERT INTO latest (instrument_id, quantity, time, value, arrived) VALUES (%s, %s, %s, %s, %s) "
            "ON CONFLICT (instrument_id, quantity, place_id) DO UPDATE SET time = excluded.time, "
            "value = excluded.value, arrived = excluded.arrived",
            row,
        )

    def presence(self, *, online: bool) -> None:
        self.conn.execute(
            "INSERT INTO gateway_presence (gateway_id, online, session, boot, arrived_at) "
            "VALUES (%s, %s, 's1', 'b1', now()) "
            "ON CONFLICT (gateway_id) DO UPDATE SET online = excluded.online",
            (self.valve.gateway_id, online),
        )

    def pressures(
        self,
        begin_us: int,
        end_us: int,
        value: Callable[[float], float],
        arrived_us: int | None = None,
        *,
        anew: bool = False,
    ) -> None:
        """Every ten seconds, by the seconds since NIGHT_US; anew: in place of all that was told."""
        if anew:
            self.conn.execute("DELETE FROM reading WHERE instrument_id = %s", (self.gauge.id,))
        for at_us in range(begin_us, end_us + 1, 10 * US):
            pressure_pa = value((at_us - NIGHT_US) / US)
            self.tell(self.gauge, Quantity.PRESSURE, at_us, pressure_pa, arrived_us=arrived_us)

    def ask(self, action: OrderAction) -> Order:
        require = Require(120.0, 600.0, Valve.CLOSED) if action is OrderAction.OPEN else Require()
        wish = Wish(action, "", 30.0, None, None, require)
        with self.conn.transaction():
            return orders.ask(self.conn, orders.known(self.conn, self.valve.id), wish, NIGHT_US)

    def settle(self, order: Order, result: OrderResult, at_us: int) -> None:
        with self.conn.transaction():
            orders.settle(self.conn, [(order.id, Outcome(result, "", at_us, at_us + US))])

    def look(self, at_us: int) -> None:
        """Whatever the desk has to do then."""
        expiry.work_off(self.conn, HandClock(at_us))
        watching.work_off(self.conn, HandClock(at_us))

    def told(self) -> list[EventKind]:
        return [event.kind for event in events.after(self.conn, 0)]

    def pending(self) -> int | None:
        return timers.next_due_us(self.conn, watching.KINDS)

    def closes(self) -> list[Order]:
        rows = self.conn.execute(orders.SELECT + "WHERE o.action = 'close' ORDER BY o.id").fetchall()
        return [orders.from_row(row) for row in rows]

    def watch(self, order: Order) -> Watch | None:
        return orders.by_id(self.conn, order.id).watch


@pytest.fixture
def bench(conn: Connection, job_id: int) -> Bench:
    site = jobs.by_id(conn, job_id).site_id
    gateway, _ = equipment.add_gateway(conn, "gw1", site, to_datetime(NIGHT_US))
    valve = equipment.add_instrument(conn, gateway.id, "v1", Role.VALVE, Position.PUMP)
    gauge = equipment.add_instrument(conn, gateway.id, "g1", Role.GAUGE, interval_s=10)
    for one, deciding in ((valve, False), (gauge, True)):
        jobs.assign(conn, job_id, one.id, NIGHT_US - 3600 * US, deciding=deciding)
    made = Bench(conn, job_id, valve, gauge)
    made.presence(online=True)
    made.tell(valve, Quantity.VALVE, NIGHT_US - 5 * US, Valve.CLOSED)
    made.pressures(NIGHT_US - 60 * US, NIGHT_US, lambda _: 300.0)
    return made


def after(seconds: float) -> int:
    return NIGHT_US + round(seconds * US)


def opened(bench: Bench) -> Order:
    """Opened ten seconds after it was asked for."""
    order = bench.ask(OrderAction.OPEN)
    bench.tell(bench.valve, Quantity.VALVE, after(5), Valve.MOVING)
    bench.tell(bench.valve, Quantity.VALVE, after(10), Valve.OPEN)
    bench.settle(order, OrderResult.DONE, after(10))
    return order


def fallen(bench: Bench) -> Order:
    order = opened(bench)
    bench.pressures(after(10), after(80), lambda s: 300.0 * math.exp(-s / 100))
    bench.look(after(81))
    return order


def test_after_an_opening_the_pressure_falls_and_it_is_watched_until_the_valve_closes(bench: Bench) -> None:
    order = fallen(bench)
    assert bench.watch(order) is Watch.FALLS
    assert bench.told()[-1] is EventKind.OPENING_FALLS
    bench.pressures(after(90), after(900), lambda _: 100.0)
    bench.look(after(901))
    assert bench.told().count(EventKind.OPENING_FALLS) == 1
    assert bench.pending() is not None
    bench.tell(bench.valve, Quantity.VALVE, after(910), Valve.CLOSED)
    bench.look(after(912))
    assert (bench.watch(order), bench.pending(), bench.closes()) == (Watch.FALLS, None, [])


def test_a_rise_hours_after_an_opening_that_did_what_it_should_closes_the_valve(bench: Bench) -> None:
    """A hose comes off, the pump goes on turning."""
    order = fallen(bench)
    bench.pressures(after(90), after(7200), lambda s: 100.0 if s < 7100 else 400.0)
    bench.look(after(7201))
    assert (bench.watch(order), len(bench.closes())) == (Watch.UNSAFE, 1)
    assert bench.told().count(EventKind.OPENING_UNSAFE) == 1


def test_another_order_ends_the_watch_of_a_valve_that_did_what_it_should(bench: Bench) -> None:
    fallen(bench)
    bench.ask(OrderAction.CLOSE)
    bench.look(after(95))
    assert bench.pending() is None


def test_an_opening_at_what_the_pump_reaches_wakes_nobody_and_is_watched_on(bench: Bench) -> None:
    bench.pressures(after(-60), after(0), lambda _: 7.0, anew=True)
    order = opened(bench)
    bench.pressures(after(10), after(80), lambda _: 7.0)
    bench.look(after(81))
    assert (bench.watch(order), bench.told()[-1]) == (Watch.LEVEL, EventKind.OPENING_LEVEL)
    assert (bench.closes(), bench.pending() is None) == ([], False)
    bench.pressures(after(90), after(120), lambda _: 14.0)
    bench.look(after(121))
    assert (bench.watch(order), len(bench.closes())) == (Watch.UNSAFE, 1)


def test_where_the_pump_side_is_measured_far_lower_a_level_pressure_is_no_good(bench: Bench) -> None:
    """A hose that is blocked, or another valve that is closed."""
    bench.pressures(after(-60), after(0), lambda _: 7.0, anew=True)
    gateway_id = bench.valve.gateway_id
    pump_side = equipment.add_instrument(bench.conn, gateway_id, "g2", Role.GAUGE, Position.PUMP)
    jobs.assign(bench.conn, bench.job_id, pump_side.id, NIGHT_US - 3600 * US)
    for seconds in range(-60, 1, 10):
        bench.tell(pump_side, Quantity.PRESSURE, after(seconds), 0.7)
    order = opened(bench)
    bench.pressures(after(10), after(80), lambda _: 7.0)
    bench.look(after(81))
    assert (bench.watch(order), len(bench.closes())) == (Watch.UNSAFE, 1)


@pytest.mark.parametrize("late_us", [0, HOURS_US])
def test_an_opening_that_does_no_good_is_closed_and_somebody_is_woken(bench: Bench, late_us: int) -> None:
    """Also by a desk that comes back three hours later."""
    order = opened(bench)
    bench.pressures(after(10), after(80), lambda _: 300.0)
    now_us = after(81) + late_us
    bench.look(now_us)
    (close,) = bench.closes()
    assert (close.state, close.asked_by, close.session) == (OrderState.ASKED, None, "s1")
    assert bench.watch(order) is Watch.UNSAFE
    # Again and again it is asked for no second time while that one is open.
    for again in range(1, 4):
        bench.look(now_us + again * 10 * US)
    assert len(bench.closes()) == 1
    alerting.work_off(bench.conn, HandClock(now_us), Outlets((), "urn:test"))
    (alert,) = [alert for alert in all_alerts(bench.conn) if alert.kind == "opening-unsafe"]
    assert alert.priority == "urgent"
    assert alert.text == "Valve v1 was opened, and the pressure did not fall within 60 s: it is to be closed."
    bench.tell(bench.valve, Quantity.VALVE, now_us + 40 * US, Valve.CLOSED)
    bench.settle(close, OrderResult.DONE, now_us + 40 * US)
    bench.look(now_us + 41 * US)
    assert bench.watch(order) is Watch.SHUT
    assert bench.told().count(EventKind.OPENING_UNSAFE) == 1


def test_a_rise_does_not_wait_for_the_minute(bench: Bench) -> None:
    order = opened(bench)
    bench.pressures(after(20), after(30), lambda _: 400.0)
    bench.look(after(31))
    assert (bench.watch(order), len(bench.closes())) == (Watch.UNSAFE, 1)


def test_a_close_that_came_to_nothing_is_asked_for_again(bench: Bench) -> None:
    opened(bench)
    bench.pressures(after(10), after(80), lambda _: 300.0)
    bench.look(after(81))
    (first,) = bench.closes()
    bench.settle(first, OrderResult.FAILED, after(90))
    bench.look(after(92))
    assert len(bench.closes()) == 1
    bench.look(after(145))
    assert len(bench.closes()) == 2


def test_while_the_gateway_is_away_nothing_is_asked_for_and_then_it_is(bench: Bench) -> None:
    order = opened(bench)
    bench.presence(online=False)
    bench.look(after(200))
    assert (bench.watch(order), bench.closes()) == (Watch.UNSAFE, [])
    bench.look(after(7200))
    assert bench.closes() == []
    bench.presence(online=True)
    bench.look(after(7220))
    assert len(bench.closes()) == 1
    assert bench.told().count(EventKind.OPENING_UNSAFE) == 1


def test_an_order_to_open_without_an_answer_is_watched_all_the_same(bench: Bench) -> None:
    """Its outcome was lost; the valve's report shows that it was carried out."""
    order = bench.ask(OrderAction.OPEN)
    bench.look(after(31))
    assert orders.by_id(bench.conn, order.id).state is OrderState.EXPIRED
    assert bench.pending() is not None
    bench.tell(bench.valve, Quantity.VALVE, after(35), Valve.OPEN)
    bench.pressures(after(40), after(110), lambda _: 300.0)
    bench.look(after(111))
    assert (bench.watch(order), len(bench.closes())) == (Watch.UNSAFE, 1)


def test_an_order_that_moved_nothing_is_watched_no_longer(bench: Bench) -> None:
    order = bench.ask(OrderAction.OPEN)
    bench.look(after(31))
    bench.look(after(631))
    assert bench.pending() is not None
    bench.tell(bench.valve, Quantity.VALVE, after(640), Valve.CLOSED)
    bench.look(after(642))
    assert (bench.pending(), bench.watch(order), bench.closes()) == (None, None, [])


def test_a_refused_order_is_watched_until_the_valve_says_closed(bench: Bench) -> None:
    order = bench.ask(OrderAction.OPEN)
    bench.settle(order, OrderResult.REFUSED, after(1))
    bench.look(after(20))
    assert bench.pending() is not None
    bench.tell(bench.valve, Quantity.VALVE, after(25), Valve.CLOSED)
    bench.look(after(31))
    assert (bench.pending(), bench.watch(order)) == (None, None)


def test_an_order_that_was_carried_out_and_refused_after_all_is_watched(bench: Bench) -> None:
    """Its line broke before its outcome; of the next session its gateway knows the order no more."""
    order = bench.ask(OrderAction.OPEN)
    bench.settle(order, OrderResult.REFUSED, after(20))
    bench.look(after(21))
    bench.tell(bench.valve, Quantity.VALVE, after(22), Valve.OPEN)
    bench.pressures(after(30), after(90), lambda _: 300.0)
    bench.look(after(91))
    assert (bench.watch(order), len(bench.closes())) == (Watch.UNSAFE, 1)


def test_an_opening_whose_gateway_went_away_before_it_said_so_is_watched_when_it_comes_back(
    bench: Bench,
) -> None:
    """Hours later: until the valve has spoken nobody knows that it did not open."""
    order = bench.ask(OrderAction.OPEN)
    bench.presence(online=False)
    bench.look(after(31))
    bench.look(after(5000))
    assert (orders.by_id(bench.conn, order.id).state, bench.pending() is None) == (OrderState.EXPIRED, False)
    back_us = NIGHT_US + HOURS_US
    bench.presence(online=True)
    bench.tell(bench.valve, Quantity.VALVE, after(5), Valve.OPEN, arrived_us=back_us)
    bench.settle(order, OrderResult.DONE, back_us)
    for seconds in range(0, 60, 10):
        at_us = after(10 + seconds)
        bench.tell(bench.gauge, Quantity.PRESSURE, at_us, 300.0, arrived_us=back_us)
    bench.tell(bench.gauge, Quantity.PRESSURE, after(70), 300.0, arrived_us=back_us)
    bench.look(back_us + US)
    assert (bench.watch(order), len(bench.closes())) == (Watch.UNSAFE, 1)


def test_a_clock_that_was_ahead_hides_no_opening(bench: Bench) -> None:
    """Set right after the valve said "closed" at a time that is still to come: its newest report is old."""
    bench.tell(bench.valve, Quantity.VALVE, after(240), Valve.CLOSED, arrived_us=NIGHT_US - US)
    bench.pressures(after(10), after(200), lambda _: 250.0, arrived_us=NIGHT_US - US)
    order = bench.ask(OrderAction.OPEN)
    bench.tell(bench.valve, Quantity.VALVE, after(5), Valve.OPEN, latest=False)
    bench.settle(order, OrderResult.DONE, after(6))
    bench.look(after(20))
    assert (bench.watch(order), bench.pending() is None) == (None, False)
    for seconds in range(15, 75, 10):
        bench.tell(bench.gauge, Quantity.PRESSURE, after(seconds), 300.0)
    bench.look(after(76))
    assert (bench.watch(order), len(bench.closes())) == (Watch.UNSAFE, 1)


def test_a_close_for_an_earlier_session_is_asked_for_again_at_once(bench: Bench) -> None:
    opened(bench)
    bench.pressures(after(10), after(80), lambda _: 300.0)
    bench.look(after(81))
    (first,) = bench.closes()
    bench.conn.execute("UPDATE gateway_presence SET session = 's2'")
    bench.settle(first, OrderResult.REFUSED, after(90))
    bench.look(after(92))
    assert [close.session for close in bench.closes()] == ["s1", "s2"]


def test_nothing_is_asked_of_a_revoked_gateway(bench: Bench) -> None:
    order = opened(bench)
    bench.pressures(after(10), after(80), lambda _: 300.0)
    bench.conn.execute("UPDATE gateway SET revoked_at = now()")
    bench.look(after(81))
    assert (bench.watch(order), bench.closes()) == (Watch.UNSAFE, [])


def test_a_valve_that_closed_by_itself_ends_the_watch(bench: Bench) -> None:
    order = opened(bench)
    bench.tell(bench.valve, Quantity.VALVE, after(30), Valve.CLOSED)
    bench.look(after(200))
    assert (bench.watch(order), bench.closes(), bench.pending()) == (None, [], None)


class Killed(Exception):
    """The process died here."""


STEPS = ("store.watches.note", "store.orders.ask", "store.events.record", "store.timers.put")


@pytest.mark.parametrize("step", STEPS)
def test_a_desk_that_is_killed_at_any_step_leaves_it_to_the_next_one(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    order = opened(bench)
    bench.pressures(after(10), after(80), lambda _: 300.0)
    before = len(bench.told())

    def die(*_: object, **__: object) -> None:
        raise Killed

    with monkeypatch.context() as patch:
        patch.setattr(step, die)
        with pytest.raises(Killed):
            bench.look(after(81))
    assert (bench.watch(order), bench.closes(), len(bench.told())) == (None, [], before)
    bench.look(after(81) + HOURS_US)
    assert (bench.watch(order), len(bench.closes())) == (Watch.UNSAFE, 1)
    assert bench.told().count(EventKind.OPENING_UNSAFE) == 1


def closed(bench: Bench) -> Order:
    order = bench.ask(OrderAction.CLOSE)
    bench.tell(bench.valve, Quantity.VALVE, after(10), Valve.CLOSED)
    bench.settle(order, OrderResult.DONE, after(10))
    return order


@pytest.mark.parametrize(
    ("tau_s", "holds", "kind"),
    [(1e9, True, EventKind.VALVE_HOLDS), (900.0, False, EventKind.VALVE_NOT_HOLDING)],
)
def test_a_close_is_shown_to_hold_or_not_by_the_pressure(
    bench: Bench, tau_s: float, holds: bool, kind: EventKind
) -> None:
    order = closed(bench)
    bench.pressures(after(10), after(620), lambda s: 300.0 * math.exp(-s / tau_s))
    bench.look(after(621))
    assert orders.by_id(bench.conn, order.id).holds is holds
    assert bench.told()[-1] is kind
    assert bench.pending() is None
    alerting.work_off(bench.conn, HandClock(after(622)), Outlets((), "urn:test"))
    raised = [alert.kind for alert in all_alerts(bench.conn)]
    assert raised == ([] if holds else ["valve-not-holding"])


FALLS_ON = 900.0
"""Time constant of a circuit behind a valve that does not hold [s]."""


def falling(s: float) -> float:
    return 300.0 * math.exp(-s / FALLS_ON)


# Of the watch after a close: when a desk looks and is killed, and what it would have done then.
STATES = {
    "before the valve has said so": (None, 25.0, "store.timers.put"),
    "waiting for five minutes": (20.0, 200.0, "store.timers.put"),
    "after the first of two looks": (20.0, 400.0, "store.timers.put"),
    "while it notes what it saw": (20.0, 650.0, "store.watches.note_holds"),
    "while it tells what it saw": (20.0, 650.0, "store.watches.record"),
    "at the last step": (20.0, 650.0, "store.events.record"),
}


@pytest.mark.parametrize("state", list(STATES))
def test_a_desk_that_is_killed_while_a_close_is_watched_leaves_it_to_the_next_one_hours_later(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, state: str
) -> None:
    """The valve says closed, and the pressure goes on falling: it is told of once, however late."""
    said_s, looked_s, step = STATES[state]
    order = bench.ask(OrderAction.CLOSE)
    bench.settle(order, OrderResult.DONE, after(10))
    if said_s is not None:
        bench.tell(bench.valve, Quantity.VALVE, after(10), Valve.CLOSED)
    bench.pressures(after(10), after(looked_s), falling)

    def die(*_: object, **__: object) -> None:
        raise Killed

    before = (bench.told(), bench.pending())
    with monkeypatch.context() as patch:
        patch.setattr(step, die)
        with pytest.raises(Killed):
            bench.look(after(looked_s) + US)
    assert (bench.told(), bench.pending()) == before
    assert orders.by_id(bench.conn, order.id).holds is None
    # What came meanwhile was stored all the same.
    bench.tell(bench.valve, Quantity.VALVE, after(12), Valve.CLOSED)
    bench.pressures(after(looked_s + 10), after(1200), falling)
    for late_us in (HOURS_US, HOURS_US + 20 * US):
        bench.look(after(looked_s) + late_us)
    assert orders.by_id(bench.conn, order.id).holds is False
    assert bench.told().count(EventKind.VALVE_NOT_HOLDING) == 1
    assert bench.pending() is None


def test_a_watch_of_a_close_goes_on_from_look_to_look_through_a_kill_at_each(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    order = closed(bench)
    for seconds in range(20, 700, 20):
        bench.pressures(after(seconds - 10), after(seconds), falling)
        if orders.by_id(bench.conn, order.id).holds is not None:
            break
        with monkeypatch.context() as patch:
            patch.setattr("store.timers.take", dies := Dies())
            with pytest.raises(Killed):
                bench.look(after(seconds) + US)
        assert dies.asked
        bench.look(after(seconds) + US)
    assert (orders.by_id(bench.conn, order.id).holds, seconds > 600) == (False, True)
    assert bench.told().count(EventKind.VALVE_NOT_HOLDING) == 1


class Dies:
    """A step at which the process dies."""

    def __init__(self) -> None:
        self.asked = False

    def __call__(self, *_: object, **__: object) -> None:
        self.asked = True
        raise Killed


def test_a_close_without_readings_is_said_nothing_of(bench: Bench) -> None:
    order = closed(bench)
    bench.look(after(21))
    assert bench.pending() is not None
    bench.look(after(1000))
    assert (orders.by_id(bench.conn, order.id).holds, bench.pending()) == (None, None)

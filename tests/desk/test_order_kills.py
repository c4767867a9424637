"""An order through kills: whoever dies at whatever step, the next one finds it, three hours later too."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from desk.worker import expiry, watching
from model.clock import US, HandClock, to_datetime
from model.equipment import Position, Role
from model.event import EventKind
from model.order import Order, OrderAction, OrderResult, OrderState, Outcome, Require
from model.reading import Valve
from store import equipment, events, jobs, orders, timers
from store.database import Connection, connect
from store.orders import Wish
from tests.desk.facts import NIGHT_US

HOURS_US = 3 * 3600 * US
REQUIRE = Require(120.0, 600.0, Valve.CLOSED)
TTL_S = 30.0


class Killed(Exception):
    """The process died here."""


@pytest.fixture
def valve_id(conn: Connection, job_id: int) -> int:
    site = jobs.by_id(conn, job_id).site_id
    gateway, _ = equipment.add_gateway(conn, "gw1", site, to_datetime(NIGHT_US))
    valve = equipment.add_instrument(conn, gateway.id, "v1", Role.VALVE, Position.PUMP)
    jobs.assign(conn, job_id, valve.id, NIGHT_US - US)
    conn.execute("UPDATE site SET opening_from_afar = true")
    return valve.id


def ask(conn: Connection, valve_id: int) -> Order:
    wish = Wish(OrderAction.OPEN, "Second pull", TTL_S, None, None, REQUIRE)
    with conn.transaction():
        return orders.ask(conn, orders.known(conn, valve_id), wish, NIGHT_US)


def send(conn: Connection, order: Order) -> None:
    orders.sent(conn, [order.id], NIGHT_US + US)


def settle(conn: Connection, order: Order) -> None:
    with conn.transaction():
        outcome = Outcome(OrderResult.REFUSED, "pump is not running", NIGHT_US + 2 * US, NIGHT_US + 3 * US)
        orders.settle(conn, [(order.id, outcome)])


def expire(conn: Connection, order: Order) -> None:
    expiry.work_off(conn, HandClock(order.expires_us))


def told(conn: Connection) -> list[EventKind]:
    return [event.kind for event in events.after(conn, 0)]


def state(conn: Connection, order: Order) -> OrderState:
    return orders.by_id(conn, order.id).state


def dies_in(
    database: str, monkeypatch: pytest.MonkeyPatch, step: str, act: Callable[[Connection], object]
) -> None:
    """A process that does something and is killed at a step of it: what it had not committed is gone."""

    def die(*_: object, **__: object) -> None:
        raise Killed

    with monkeypatch.context() as patch, connect(database, application="killed", autocommit=True) as own:
        patch.setattr(step, die)
        with pytest.raises(Killed):
            act(own)


# The last steps of each transition: with them everything is done, without them nothing.
STEPS = ("store.events.record", "store.orders._record")


@pytest.mark.parametrize("step", [*STEPS, "store.timers.put", "store.audit.record"])
def test_who_dies_while_an_order_is_written_down_has_asked_for_nothing(
    database: str, conn: Connection, valve_id: int, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    dies_in(database, monkeypatch, step, lambda own: ask(own, valve_id))
    assert conn.execute("SELECT FROM valve_order").fetchall() == []
    assert timers.next_due_us(conn, (*expiry.KINDS, *watching.KINDS)) is None
    assert told(conn) == []
    # And nothing of it is in the way of who asks again.
    assert state(conn, ask(conn, valve_id)) is OrderState.ASKED


@pytest.mark.parametrize("step", STEPS)
def test_who_dies_between_sending_and_noting_it_is_followed_by_another(
    database: str, conn: Connection, valve_id: int, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    order = ask(conn, valve_id)
    dies_in(database, monkeypatch, step, lambda own: send(own, order))
    assert state(conn, order) is OrderState.ASKED
    conn.execute("UPDATE valve_order SET send_at = clock_timestamp()")
    (again,) = orders.claim(conn, NIGHT_US + 10 * US, 10, 5.0, 60.0)
    assert (again.id, again.token, again.require) == (order.id, order.token, REQUIRE)
    send(conn, order)
    assert told(conn).count(EventKind.ORDER_SENT) == 1


@pytest.mark.parametrize("step", STEPS)
def test_who_dies_noting_an_outcome_notes_it_when_it_comes_again_also_after_three_hours(
    database: str, conn: Connection, valve_id: int, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    order = ask(conn, valve_id)
    send(conn, order)
    dies_in(database, monkeypatch, step, lambda own: settle(own, order))
    assert state(conn, order) is OrderState.SENT
    expiry.work_off(conn, HandClock(NIGHT_US + HOURS_US))
    assert state(conn, order) is OrderState.EXPIRED
    settle(conn, order)
    settle(conn, order)
    assert state(conn, order) is OrderState.REFUSED
    assert told(conn).count(EventKind.ORDER_REFUSED) == 1


@pytest.mark.parametrize("step", STEPS)
def test_who_dies_while_an_order_expires_leaves_it_to_the_next_desk(
    database: str, conn: Connection, valve_id: int, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    order = ask(conn, valve_id)
    dies_in(database, monkeypatch, step, lambda own: expire(own, order))
    assert state(conn, order) is OrderState.ASKED
    assert timers.next_due_us(conn, expiry.KINDS) == order.expires_us
    expiry.work_off(conn, HandClock(NIGHT_US + HOURS_US))
    assert state(conn, order) is OrderState.EXPIRED
    assert told(conn).count(EventKind.ORDER_EXPIRED) == 1


def test_an_open_of_three_hours_ago_is_not_sent_any_more(conn: Connection, valve_id: int) -> None:
    """Though nobody was there to let it expire."""
    ask(conn, valve_id)
    conn.execute("UPDATE valve_order SET send_at = clock_timestamp()")
    assert orders.claim(conn, NIGHT_US + HOURS_US, 10, 5.0, 60.0) == []
    assert len(orders.claim(conn, NIGHT_US + 10 * US, 10, 5.0, 60.0)) == 1

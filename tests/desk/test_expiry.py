"""Orders expire by a timer, exactly once, whatever else happens to them meanwhile."""

from __future__ import annotations

import threading

import pytest

from desk.config import DeskConfig
from desk.worker import alerting, expiry
from desk.worker.passing import Outlets
from model.clock import US, HandClock, to_datetime
from model.equipment import Role
from model.event import EventKind
from model.order import Order, OrderAction, OrderResult, OrderState, Outcome
from store import equipment, events, jobs, orders, timers
from store.database import Connection, connect
from store.orders import Wish
from tests.desk.conftest import Running
from tests.desk.facts import NIGHT_US, all_alerts, record
from tests.waiting import wait_until


@pytest.fixture
def order(conn: Connection, job_id: int) -> Order:
    """An order for a valve that serves the job."""
    site = jobs.by_id(conn, job_id).site_id
    gateway, _ = equipment.add_gateway(conn, "gw1", site, to_datetime(NIGHT_US))
    valve = equipment.add_instrument(conn, gateway.id, "v1", Role.VALVE)
    jobs.assign(conn, job_id, valve.id, NIGHT_US - US)
    with conn.transaction():
        wish = Wish(OrderAction.CLOSE, "", 30.0, None, None)
        return orders.ask(conn, orders.known(conn, valve.id), wish, NIGHT_US)


def kinds(conn: Connection) -> list[EventKind]:
    return [event.kind for event in events.after(conn, 0)]


def test_an_order_expires_at_its_time_and_the_job_is_told(
    conn: Connection, order: Order, job_id: int
) -> None:
    assert expiry.work_off(conn, HandClock(order.expires_us - 1)) == 0
    assert orders.by_id(conn, order.id).state is OrderState.ASKED
    assert expiry.work_off(conn, HandClock(order.expires_us + US)) == 1
    found = orders.by_id(conn, order.id)
    assert (found.state, found.expired_us) == (OrderState.EXPIRED, order.expires_us + US)
    assert expiry.work_off(conn, HandClock(order.expires_us + 2 * US)) == 0
    assert [(event.kind, event.job_id, event.subject) for event in events.after(conn, 0)] == [
        (EventKind.ORDER_ASKED, job_id, f"order:{order.id}"),
        (EventKind.ORDER_EXPIRED, job_id, f"order:{order.id}"),
    ]


def test_a_timer_that_went_off_early_is_set_anew(conn: Connection, order: Order) -> None:
    conn.execute("UPDATE timer SET due = %s", (to_datetime(NIGHT_US),))
    assert expiry.work_off(conn, HandClock(NIGHT_US + US)) == 0
    assert timers.next_due_us(conn, expiry.KINDS) == order.expires_us


def test_an_order_with_an_outcome_has_no_timer_and_never_expires(conn: Connection, order: Order) -> None:
    outcome = Outcome(OrderResult.DONE, "", NIGHT_US + US, NIGHT_US + US)
    with conn.transaction():
        orders.settle(conn, [(order.id, outcome)])
    assert timers.next_due_us(conn, expiry.KINDS) is None
    # A timer that is there all the same, as after a restore, ends nothing.
    timers.put(conn, [timers.Timer(orders.EXPIRY, str(order.id), NIGHT_US)])
    assert expiry.work_off(conn, HandClock(order.expires_us + US)) == 0
    assert orders.by_id(conn, order.id).state is OrderState.DONE


def test_outcome_and_expiry_at_once_end_in_one_of_two_ways(
    database: str, conn: Connection, order: Order
) -> None:
    together = threading.Barrier(2)

    def settle() -> None:
        with connect(database, application="test", autocommit=True) as own:
            together.wait(20)
            with own.transaction():
                outcome = Outcome(OrderResult.DONE, "", NIGHT_US + US, NIGHT_US + US)
                orders.settle(own, [(order.id, outcome)])

    thread = threading.Thread(target=settle)
    thread.start()
    together.wait(20)
    expired = expiry.work_off(conn, HandClock(order.expires_us))
    thread.join(20)
    found = orders.by_id(conn, order.id)
    assert (found.state, found.late) == (OrderState.DONE, bool(expired))
    assert kinds(conn).count(EventKind.ORDER_DONE) == 1
    assert timers.next_due_us(conn, expiry.KINDS) is None


def test_a_desk_that_was_away_expires_it_when_it_comes(
    database: str, conn: Connection, order: Order, running: Running
) -> None:
    # Its clock stands a minute after the order was asked for.
    with running(DeskConfig(database)):
        wait_until(lambda: orders.by_id(conn, order.id).state is OrderState.EXPIRED, what="the expiry")


def test_an_order_that_expires_raises_one_alert(conn: Connection, order: Order) -> None:
    expiry.work_off(conn, HandClock(order.expires_us))
    assert alerting.work_off(conn, HandClock(NIGHT_US), Outlets((), "urn:test")) == 2
    (alert,) = all_alerts(conn)
    assert (alert.kind, alert.job_id) == ("order-not-done", order.job_id)
    assert alert.text == "Order to close valve v1 expired without an answer; it is not sent any more."


def test_kinds_of_events_that_are_not_known_stop_nothing(
    conn: Connection, job_id: int, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(alerting, "BATCH", 3)
    outlets, clock = Outlets((), "urn:test"), HandClock(NIGHT_US)
    for _ in range(5):
        conn.execute(
            "INSERT INTO event (kind, happened_at, recorded_at, job_id, subject, text) "
            "VALUES ('of-a-newer-program', now(), now(), %s, '', '')",
            (job_id,),
        )
    assert alerting.work_off(conn, clock, outlets) == 0
    record(conn, job_id, EventKind.HOLD_FAILED)
    assert alerting.work_off(conn, clock, outlets) == 1
    assert [alert.kind for alert in all_alerts(conn)] == ["hold-failed"]
    assert [event.kind for event in events.of_job(conn, job_id)] == [EventKind.HOLD_FAILED]
    assert caplog.text.count("'of-a-newer-program' are passed over") == 1

"""Orders that the system gives by itself: under every interlock, in the transaction of what asks for them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from psycopg import errors

from api.routes.orders import NewOrder, give
from desk.core.interlocks import Deed
from desk.worker import ordering
from model.clock import US, to_datetime
from model.errors import Hindered
from model.order import OrderAction, OrderState, Require
from model.reading import Quantity, Valve
from model.valve_facts import Battery
from store import openings, orders, people
from store.audit import By
from store.database import Connection, connect
from tests.api.rigs import Rig, rig
from tests.api.scene import Scene
from tests.api.serving import LOGIN, TECHNICIAN, add_people
from tests.api.valves import report
from tests.desk.facts import NIGHT_US

NIGHT_LONG_US = 8 * 3600 * US


@pytest.fixture
def ready(database: str, conn: Connection) -> Rig:
    add_people(database)
    return rig(Scene(conn, NIGHT_US))


def mara(conn: Connection) -> int:
    return people.by_login(conn, LOGIN).id


def hindered(ready: Rig, action: OrderAction, *, who: str = LOGIN, **more: object) -> list[str]:
    """The interlocks that keep the system from giving an order; nothing is written down then."""
    conn = ready.scene.conn
    person_id = people.by_login(conn, who).id
    with pytest.raises(Hindered) as caught, conn.transaction():
        ordering.ask(
            conn, ready.valve.id, action, NIGHT_US, because="The plan says so", person_id=person_id,
            **more,  # type: ignore[arg-type]
        )  # fmt: skip
    assert conn.execute("SELECT FROM valve_order").fetchall() == []
    return list(caught.value.reasons)


def test_an_opening_by_the_system_carries_what_it_requires_and_no_name(conn: Connection, ready: Rig) -> None:
    found = ordering.hindrances(conn, ready.valve.id, Deed.OPEN, NIGHT_US, person_id=mara(conn))
    assert found == ()
    with conn.transaction():
        made = ordering.ask(
            conn, ready.valve.id, OrderAction.OPEN, NIGHT_US, because="Second round", person_id=mara(conn)
        )
    stored = orders.by_id(conn, made.id)
    assert (stored.state, stored.asked_by, stored.reason) == (OrderState.ASKED, None, "Second round")
    assert stored.require == Require(120.0, 583.0, Valve.CLOSED)
    assert stored.ttl_s == 30.0


def test_the_system_opens_for_nobody_who_may_not_open_there(ready: Rig) -> None:
    assert hindered(ready, OrderAction.OPEN, who=TECHNICIAN) == ["not-named"]


def test_no_plan_opens_without_a_gauge_on_the_pump_side_whatever_was_accepted(ready: Rig) -> None:
    ready.scene.conn.execute("DELETE FROM assignment WHERE instrument_id = %s", (ready.pump_side.id,))
    accepted = frozenset({"pump-side-unknown"})
    assert hindered(ready, OrderAction.OPEN, accepted=accepted) == ["pump-side-unknown"]


def test_no_plan_opens_to_a_pump_that_stands_or_where_it_was_turned_off(conn: Connection, ready: Rig) -> None:
    ready.tell(ready.pump, Quantity.PUMP, NIGHT_US, 0.0)
    by = By(to_datetime(NIGHT_US), mara(conn))
    with conn.transaction():
        openings.change(conn, ready.made.job.site_id, by, allowed=False, openers=[mara(conn)])
    assert hindered(ready, OrderAction.OPEN) == ["opening-off", "pump"]


def test_a_close_that_begins_a_hold_asks_for_what_a_hold_needs(conn: Connection, ready: Rig) -> None:
    report(ready.scene, ready.made, Valve.OPEN, NIGHT_US)
    hold: dict[str, Any] = {"hold_until_us": NIGHT_US + NIGHT_LONG_US, "battery": Battery("g1", None)}
    assert hindered(ready, OrderAction.CLOSE, **hold) == ["above-target", "battery"]
    assert hindered(ready, OrderAction.CLOSE, **hold, accepted=frozenset({"battery"})) == ["above-target"]
    # What nobody may override is not to be accepted either.
    ready.tell(ready.made.gauge, Quantity.FAULT, NIGHT_US, 1.0)
    accepted = frozenset({"battery", "above-target", "gauge-unfit"})
    assert hindered(ready, OrderAction.CLOSE, **hold, accepted=accepted) == ["gauge-unfit"]
    # A close for which no hold is asked does no harm.
    with conn.transaction():
        made = ordering.ask(
            conn, ready.valve.id, OrderAction.CLOSE, NIGHT_US, because="Called off", person_id=None
        )
    assert replace(made, id=0).require == Require()


def by_a_person(conn: Connection, ready: Rig) -> object:
    new = NewOrder.model_validate({"instrument_id": ready.valve.id, "action": "close"})
    return give(conn, people.by_login(conn, LOGIN), new, NIGHT_US)


def by_a_plan(conn: Connection, ready: Rig) -> object:
    return ordering.ask(conn, ready.valve.id, OrderAction.OPEN, NIGHT_US, because="Dry", person_id=mara(conn))


@pytest.mark.parametrize("ask", [by_a_person, by_a_plan])
def test_an_order_waits_for_who_is_taking_a_right_away(
    database: str, conn: Connection, ready: Rig, ask: Callable[[Connection, Rig], object]
) -> None:
    with connect(database, application="administrator") as administrator:
        administrator.execute("UPDATE site SET opening_from_afar = false")
        conn.execute("SET lock_timeout = '200ms'")
        with pytest.raises(errors.LockNotAvailable), conn.transaction():
            ask(conn, ready)


def test_an_order_of_a_plan_that_fails_in_the_same_transaction_was_never_given(
    conn: Connection, ready: Rig
) -> None:
    def plan() -> None:
        with conn.transaction():
            because = "Second round"
            ordering.ask(
                conn, ready.valve.id, OrderAction.OPEN, NIGHT_US, because=because, person_id=mara(conn)
            )
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        plan()
    assert conn.execute("SELECT FROM valve_order").fetchall() == []
    assert conn.execute("SELECT FROM timer").fetchall() == []

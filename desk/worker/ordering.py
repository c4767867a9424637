"""Orders that the system gives by itself, under the same interlocks as everybody's.

For a plan::

    with conn.transaction():
        ordering.ask(conn, valve_id, OrderAction.CLOSE, now_us, because="The target was held.", person_id=7)

Everything happens in the caller's transaction, so that a plan's own state changes with the order or not at
all. Events are recorded: call this last. What became of an order is `store.orders.by_id(conn, id)`; its ends
are events of kind ``order-…`` with ``data["order"]``, and ``opening-unsafe`` after one that was no good.
"""

from __future__ import annotations

from desk.core import interlocks, order_life
from desk.core.interlocks import Deed, Hindrance
from model.errors import Hindered
from model.order import Order, OrderAction, Require
from model.valve_facts import Battery, ValveFacts
from store import orders, valve_facts
from store.database import Connection
from store.orders import Wish


def hindrances(
    conn: Connection,
    instrument_id: int,
    deed: Deed,
    now_us: int,
    *,
    person_id: int | None,
    hold_until_us: int | None = None,
    battery: Battery | None = None,
) -> tuple[Hindrance, ...]:
    """What would hinder the system now; for a pre-flight, and for plans that look before they ask."""
    facts = valve_facts.gather(
        conn,
        instrument_id,
        now_us,
        person_id=person_id,
        automatic=True,
        hold_until_us=hold_until_us,
        battery=battery,
    )
    return interlocks.hindrances(deed, facts)


def ask(
    conn: Connection,
    instrument_id: int,
    action: OrderAction,
    now_us: int,
    *,
    because: str,
    person_id: int | None,
    ttl_s: float | None = None,
    hold_until_us: int | None = None,
    battery: Battery | None = None,
    accepted: frozenset[str] = frozenset(),
) -> Order:
    """Ask for a valve to be moved, for a plan or another part of the desk.

    Parameters
    ----------
    because : str
        The order's reason, one line.
    person_id : int or None
        Who made the plan: an opening needs somebody who is named for the site. The order itself is the
        system's, without a person.
    hold_until_us : int or None
        A close that begins a hold until then: the interlocks of a hold are looked at as well.
    battery : Battery or None
        Forecast of the weakest battery that the hold depends on; None: there is none to run down.
    accepted : frozenset of str
        Interlocks of a hold that a person has overridden when making the plan, with a reason that the plan
        keeps. Only those marked for a person count, and none of an opening.

    Raises
    ------
    Hindered
        If something hinders, with all that does. Nothing is written then.
    """
    valve_facts.hold_still(conn, instrument_id)
    facts = valve_facts.gather(
        conn,
        instrument_id,
        now_us,
        person_id=person_id,
        automatic=True,
        hold_until_us=hold_until_us,
        battery=battery,
    )
    ttl_s = order_life.usual_ttl_s(action) if ttl_s is None else ttl_s
    order_life.check(action, because, ttl_s, facts)
    if action is OrderAction.CLOSE and hold_until_us is not None:
        _check_hold(facts, accepted)
    require = interlocks.requirements(facts) if action is OrderAction.OPEN else Require()
    return orders.ask(conn, facts.valve, Wish(action, because, ttl_s, None, None, require), now_us)


def _check_hold(facts: ValveFacts, accepted: frozenset[str]) -> None:
    remaining = [
        one
        for one in interlocks.hindrances(Deed.HOLD, facts)
        if not (one.id in accepted and one.overridden_by is interlocks.Who.PERSON)
    ]
    if remaining:
        raise Hindered({one.id: one.text for one in remaining})

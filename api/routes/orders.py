"""Orders to valves."""

from __future__ import annotations

from fastapi import APIRouter
from pydantic import Field

from api.asked import Asked
from api.context import Ctx
from api.orders import OrderView, Reports, order_view
from api.paging import Page, Paged
from api.permissions import LOOK, MayOrder
from api.problems import errors_of
from desk.core import order_life
from desk.core.order_life import LONGEST_REASON, LONGEST_TTL_S, SHORTEST_TTL_S, USUAL_TTL_S
from model.order import Order, OrderAction, OrderState
from store import orders
from store.database import Connection
from store.orders import ORDERS, Wish
from store.people import Person

router = APIRouter(tags=["orders"])


class NewOrder(Asked):
    """An order to give."""

    instrument_id: int = Field(description="The valve.")
    action: OrderAction = Field(description="`close`. Opening from afar is not offered.")
    reason: str = Field("", description=f"Why: one line, at most {LONGEST_REASON} characters.")
    ttl_s: float = Field(
        USUAL_TTL_S,
        description="For so long it is sent, until the gateway says what became of it: "
        f"{SHORTEST_TTL_S:.0f} to {LONGEST_TTL_S:.0f} s.",
    )


@router.get("/orders", dependencies=[LOOK], responses=errors_of(401, 403, 422, 503))
def list_orders(
    ctx: Ctx,
    paging: Paged,
    job: int | None = None,
    instrument: int | None = None,
    state: OrderState | None = None,
) -> Page[OrderView]:
    """Orders, the newest first."""
    filters: dict[str, object] = {"job": job, "instrument": instrument, "state": state}
    with ctx.database() as conn:
        reports = Reports(conn)

        def make(row: dict[str, object]) -> OrderView:
            order = orders.from_row(row)
            return order_view(order, reports.of(order.instrument_id), orders.answer(conn, order))

        return paging.page(conn, ORDERS, filters, make)


@router.get("/orders/{order_id}", dependencies=[LOOK], responses=errors_of(401, 403, 404, 422, 503))
def order(ctx: Ctx, order_id: int) -> OrderView:
    """One order."""
    with ctx.database() as conn:
        return _read(conn, order_id)


@router.post("/orders", status_code=201, responses=errors_of(401, 403, 404, 409, 422, 503))
def give_order(ctx: Ctx, person: MayOrder, new: NewOrder) -> OrderView:
    """Ask for a valve to be closed.

    The order is written down, then sent to the valve's gateway, and again until the gateway says what became
    of it or the order expires. **Done is the gateway's word; where the valve stands is what the valve
    reports.** Refused with 409 while another order for the valve is open, when the gateway is out of reach,
    and when the valve reports closed already.
    """
    with ctx.database() as conn:
        made = give(conn, person, new, ctx.clock.now_us())
        return _read(conn, made.id)


def give(conn: Connection, person: Person, new: NewOrder, now_us: int) -> Order:
    """Check an order and write it down; raises `BadInput`, `NotFound` or `Conflict`."""
    reason = new.reason.strip()
    valve = orders.known(conn, new.instrument_id)
    order_life.check(new.action, reason, new.ttl_s, valve, now_us)
    return orders.ask(conn, valve, Wish(new.action, reason, new.ttl_s, person.id, person.name), now_us)


def _read(conn: Connection, order_id: int) -> OrderView:
    order = orders.by_id(conn, order_id)
    return order_view(order, orders.report(conn, order.instrument_id), orders.answer(conn, order))

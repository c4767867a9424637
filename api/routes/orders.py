"""Orders to valves."""

from __future__ import annotations

from fastapi import APIRouter
from pydantic import BaseModel, Field

from api.asked import Asked
from api.context import Ctx
from api.orders import OrderView, Reports, order_view
from api.paging import Page as PageOf
from api.paging import Paged
from api.permissions import LOOK, MayLook, MayOrder
from api.problems import errors_of
from api.routes.places import Number
from desk.core import interlocks, order_life
from desk.core.interlocks import Deed, Override, Who
from desk.core.order_life import (
    LONGEST_OPEN_TTL_S,
    LONGEST_REASON,
    LONGEST_TTL_S,
    SHORTEST_TTL_S,
    USUAL_OPEN_TTL_S,
    USUAL_TTL_S,
)
from model.errors import BadInput
from model.order import Order, OrderAction, OrderState, Require
from model.valve_facts import Page
from store import orders, valve_facts
from store.database import Connection
from store.orders import ORDERS, Wish
from store.people import Person

router = APIRouter(tags=["orders"])


class NewOrder(Asked):
    """An order to give."""

    instrument_id: int = Field(description="The valve.")
    action: OrderAction = Field(description="`close`, or `open` where that is turned on for the site.")
    reason: str = Field("", description=f"Why: one line, at most {LONGEST_REASON} characters.")
    ttl_s: float | None = Field(
        None,
        description="For so long it is sent, until the gateway says what became of it: "
        f"{SHORTEST_TTL_S:.0f} to {LONGEST_TTL_S:.0f} s ({USUAL_TTL_S:.0f} unless given); an order to open "
        f"{LONGEST_OPEN_TTL_S:.0f} s at most ({USUAL_OPEN_TTL_S:.0f}).",
    )
    decided_on: str = Field(
        "",
        description="`decided_on` of `GET /valves/{instrument_id}/hindrances`: what was known when it was "
        "decided. An `open` needs it; if something has changed since, or it is older than two minutes, the "
        "order is not given.",
    )
    override: list[str] = Field([], description="Interlocks to override, by id; only those that may be.")
    override_reason: str = Field("", description="Why, in words; it is written down.")
    on_site: bool = Field(
        False, description="Who asks says that they stand at the site; some interlocks need that."
    )


class HindranceView(BaseModel):
    """What hinders an order now."""

    id: str
    text: str = Field(description="Why, in a sentence.")
    overridden_by: Who = Field(
        description="`nobody`; `person`: who may order, with a reason; `on-site`: the same, at the site."
    )


class HindrancesView(BaseModel):
    """What hinders each of the two orders to a valve now."""

    decided_on: str = Field(description="To be sent with an order that is decided on this answer.")
    open: list[HindranceView]
    close: list[HindranceView]
    hold: list[HindranceView] = Field(description="What speaks against a hold that began now.")


@router.get("/orders", dependencies=[LOOK], responses=errors_of(401, 403, 422, 503))
def list_orders(
    ctx: Ctx,
    paging: Paged,
    job: int | None = None,
    instrument: int | None = None,
    state: OrderState | None = None,
) -> PageOf[OrderView]:
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
    """Ask for a valve to be closed or opened.

    The order is written down, then sent to the valve's gateway, and again until the gateway says what became
    of it or the order expires. **Done is the gateway's word; where the valve stands is what the valve
    reports.** Refused with 409 while an interlock hinders it; the answer's `hindrances` name each with its
    sentence. An order to open carries what the gateway must find confirmed by its own inputs at the moment of
    acting, and the gateway refuses otherwise.
    """
    with ctx.database() as conn:
        made = give(conn, person, new, ctx.clock.now_us())
        return _read(conn, made.id)


@router.get(
    "/valves/{instrument_id}/hindrances",
    responses=errors_of(401, 403, 404, 422, 503),
)
def read_hindrances(ctx: Ctx, person: MayLook, instrument_id: Number) -> HindrancesView:
    """What hinders an order to a valve now, and what an order is then decided on."""
    with ctx.database() as conn:
        facts = valve_facts.gather(conn, instrument_id, ctx.clock.now_us(), person_id=person.id)

    def views(deed: Deed) -> list[HindranceView]:
        return [
            HindranceView(id=one.id, text=one.text, overridden_by=one.overridden_by)
            for one in interlocks.hindrances(deed, facts)
        ]

    return HindrancesView(
        decided_on=Page(facts.now_us, facts.version).ticket,
        open=views(Deed.OPEN),
        close=views(Deed.CLOSE),
        hold=views(Deed.HOLD),
    )


def give(conn: Connection, person: Person, new: NewOrder, now_us: int) -> Order:
    """Check an order and write it down; raises `BadInput`, `NotFound` or `Hindered`."""
    reason = new.reason.strip()
    page = _decided_on(new)
    valve_facts.hold_still(conn, new.instrument_id)
    facts = valve_facts.gather(conn, new.instrument_id, now_us, person_id=person.id, page=page)
    override = Override(frozenset(new.override), new.override_reason.strip(), new.on_site)
    ttl_s = order_life.usual_ttl_s(new.action) if new.ttl_s is None else new.ttl_s
    overridden = order_life.check(new.action, reason, ttl_s, facts, override)
    require = interlocks.requirements(facts) if new.action is OrderAction.OPEN else Require()
    wish = Wish(new.action, reason, ttl_s, person.id, person.name, require, overridden, override.reason)
    return orders.ask(conn, facts.valve, wish, now_us)


def _decided_on(new: NewOrder) -> Page | None:
    page = Page.parse(new.decided_on)
    if page is None and (new.decided_on or new.action is OrderAction.OPEN):
        raise BadInput(
            "An order to open says what it was decided on: look first, then order.", field="decided_on"
        )
    return page


def _read(conn: Connection, order_id: int) -> OrderView:
    order = orders.by_id(conn, order_id)
    return order_view(order, orders.report(conn, order.instrument_id), orders.answer(conn, order))

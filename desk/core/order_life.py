"""The life of an order to a valve, as pure functions: may it be given, is it over, was it confirmed?

Only closing is offered. A close may come late and requires nothing: with the pump running, a closed valve
does no harm to the circuit, and a close that is refused for its scruples leaves the circuit open.
"""

from __future__ import annotations

from datetime import datetime
from enum import StrEnum
from zoneinfo import ZoneInfo

from model.clock import US, to_datetime
from model.equipment import Role
from model.errors import BadInput, Conflict
from model.order import KnownValve, Order, OrderAction, OrderState, Report
from model.reading import Valve

USUAL_TTL_S = 300.0
SHORTEST_TTL_S, LONGEST_TTL_S = 10.0, 3600.0
LONGEST_REASON = 500

NOT_OFFERED = "Opening a valve from afar is not offered: open it at the site, with the pump running."


class Standing(StrEnum):
    """How what the valve reports compares with what its gateway says was done."""

    CONFIRMED = "confirmed"
    CONTRADICTED = "contradicted"
    UNREPORTED = "unreported"
    """The valve has said nothing since."""


def check(action: OrderAction, reason: str, ttl_s: float, valve: KnownValve, now_us: int) -> None:
    """Pass an order that may be given.

    Raises
    ------
    BadInput
        If such an order is never given.
    Conflict
        If it cannot be given now.
    """
    if action is not OrderAction.CLOSE:
        raise BadInput(NOT_OFFERED, field="action")
    if valve.role is not Role.VALVE:
        raise BadInput(
            f"{valve.gateway}/{valve.name} is no valve; only a valve can be closed.", field="instrument_id"
        )
    if not SHORTEST_TTL_S <= ttl_s <= LONGEST_TTL_S:
        raise BadInput(
            f"An order lives for {SHORTEST_TTL_S:.0f} to {LONGEST_TTL_S:.0f} seconds.", field="ttl_s"
        )
    if len(reason) > LONGEST_REASON or not reason.isprintable():
        raise BadInput(
            f"A reason is one line of at most {LONGEST_REASON} characters that can be printed.",
            field="reason",
        )
    hindrance = why_not_close(valve, now_us)
    if hindrance:
        raise Conflict(hindrance)


def why_not_close(valve: KnownValve, now_us: int) -> str:
    """Why a valve cannot be closed from afar now, in a sentence; empty if it can."""
    latest = valve.latest
    if latest is not None and latest.state.open and not is_due(latest, now_us):
        return (
            f"Order {latest.id} for this valve is still open: {latest.state.value} "
            f"{_local(_state_since_us(latest), valve.time_zone)}."
        )
    if valve.revoked:
        return f"The gateway {valve.gateway} is revoked: nothing reaches its valve. Close it at the site."
    if valve.online is None or valve.presence_us is None:
        return f"The gateway {valve.gateway} has never reported itself: close the valve at the site."
    if not valve.online:
        since = _local(valve.presence_us, valve.time_zone)
        return f"The gateway {valve.gateway} is out of reach since {since}: close the valve at the site."
    if _closed_for_certain(valve, now_us) and valve.report is not None:
        since = _local(valve.report.since_us, valve.time_zone)
        return f"The valve {valve.name} reports closed already, since {since}."
    return ""


def is_due(order: Order, now_us: int) -> bool:
    """Whether an order has waited for its outcome long enough: it expires, and is not sent any more."""
    return order.state.open and now_us >= order.expires_us


def standing(order: Order, answer: Report | None) -> Standing | None:
    """How the valve's own answer stands to an order that its gateway says is done; None for any other.

    Parameters
    ----------
    answer : Report or None
        What the valve reported of the act (`store.orders.answer`).
    """
    if order.state is not OrderState.DONE:
        return None
    if answer is None:
        return Standing.UNREPORTED
    told = Valve.CLOSED if order.action is OrderAction.CLOSE else Valve.OPEN
    return Standing.CONFIRMED if answer.position is told else Standing.CONTRADICTED


def _closed_for_certain(valve: KnownValve, now_us: int) -> bool:
    """An old report is no reason to refuse a close, which does no harm."""
    if valve.report is None or valve.report.position is not Valve.CLOSED:
        return False
    return now_us - valve.report.at_us <= max(5 * valve.interval_s, 60.0) * US


def _state_since_us(order: Order) -> int:
    return order.asked_us if order.sent_us is None else order.sent_us


def _local(us: int, time_zone: str) -> str:
    local: datetime = to_datetime(us).astimezone(ZoneInfo(time_zone))
    return f"{local:%a} {local.day} {local:%b}, {local:%H:%M}"

"""The life of an order to a valve, as pure functions: may it be given, is it over, was it confirmed?

A close may come late and requires nothing: with the pump running, a closed valve does no harm to the circuit,
and a close that is refused for its scruples leaves the circuit open. An open never comes late: it lives for
two minutes at most, and carries what the gateway must find confirmed (`interlocks.requirements`).
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum

from desk.core import interlocks
from desk.core.interlocks import Deed, Override
from model.equipment import Role
from model.errors import BadInput
from model.order import Order, OrderAction, OrderState, Report, Watch
from model.reading import Valve
from model.valve_facts import ValveFacts

USUAL_TTL_S = 300.0
SHORTEST_TTL_S, LONGEST_TTL_S = 10.0, 3600.0
USUAL_OPEN_TTL_S, LONGEST_OPEN_TTL_S = 30.0, 120.0
"""What is known of pump and pressure is soon no longer true: an order to open that is not carried out in that
time is asked for again, by somebody who looks again. Our own choice."""
LONGEST_REASON = 500

DEEDS: Mapping[OrderAction, Deed] = {OrderAction.OPEN: Deed.OPEN, OrderAction.CLOSE: Deed.CLOSE}


class Standing(StrEnum):
    """How what the valve reports compares with what its gateway says was done."""

    CONFIRMED = "confirmed"
    """By the valve's report and, of a close, by the circuit's pressure."""
    REPORTED = "reported"
    """A close by the valve's report; of the pressure nothing is known, or not yet."""
    NOT_HOLDING = "not-holding"
    """The valve reports closed while the pressure goes on falling."""
    NOT_FOLLOWED = "not-followed"
    """The valve was opened, and the pressure did not fall, or rose."""
    CONTRADICTED = "contradicted"
    UNREPORTED = "unreported"
    """The valve has said nothing since."""


def check(
    action: OrderAction, reason: str, ttl_s: float, facts: ValveFacts, override: Override | None = None
) -> frozenset[str]:
    """Pass an order that may be given.

    Returns
    -------
    frozenset of str
        The interlocks that were overridden, by id.

    Raises
    ------
    BadInput
        If such an order is never given, or something is overridden without a reason.
    Hindered
        If it cannot be given now.
    """
    valve = facts.valve
    if valve.role is not Role.VALVE:
        raise BadInput(
            f"{valve.gateway}/{valve.name} is no valve; only a valve can be moved.", field="instrument_id"
        )
    longest = LONGEST_OPEN_TTL_S if action is OrderAction.OPEN else LONGEST_TTL_S
    if not SHORTEST_TTL_S <= ttl_s <= longest:
        raise BadInput(
            f"An order to {action.value} lives for {SHORTEST_TTL_S:.0f} to {longest:.0f} seconds.",
            field="ttl_s",
        )
    if len(reason) > LONGEST_REASON or not reason.isprintable():
        raise BadInput(
            f"A reason is one line of at most {LONGEST_REASON} characters that can be printed.",
            field="reason",
        )
    return interlocks.check(DEEDS[action], facts, override)


def usual_ttl_s(action: OrderAction) -> float:
    """For how long an order lives if nobody says otherwise [s]."""
    return USUAL_OPEN_TTL_S if action is OrderAction.OPEN else USUAL_TTL_S


AS_TOLD = frozenset({Standing.CONFIRMED, Standing.REPORTED, Standing.NOT_HOLDING, Standing.NOT_FOLLOWED})
"""The valve has reported the ordered position."""


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
    if answer.position is not told:
        return Standing.CONTRADICTED
    if order.action is OrderAction.OPEN:
        return Standing.NOT_FOLLOWED if order.watch in (Watch.UNSAFE, Watch.SHUT) else Standing.CONFIRMED
    return {True: Standing.CONFIRMED, False: Standing.NOT_HOLDING, None: Standing.REPORTED}[order.holds]

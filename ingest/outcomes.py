"""Outcomes: what gateways say became of orders."""

from __future__ import annotations

import logging
import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Literal

import msgspec

from ingest.pack import RecordRefused
from ingest.senml import ABSOLUTE_S
from model.clock import US
from model.errors import Refused
from model.order import Order, OrderResult, Outcome
from store import orders
from store.database import Connection

if TYPE_CHECKING:
    from ingest.interpret import Item

log = logging.getLogger(__name__)

MAX_BYTES = 4096
MAX_TEXT = 500
REPEATED = "repeated id"
"""With this reason a gateway refuses what it has had before and does not do twice; it is no outcome."""


class Told(msgspec.Struct, frozen=True):
    """The payload of an outcome message."""

    id: str
    result: Literal["done", "refused", "failed"]
    reason: str = ""
    at: float | None = None


_decoder = msgspec.json.Decoder(Told)


def read(payload: bytes) -> Told:
    """Decode an outcome message.

    Raises
    ------
    Refused
        ``"outcome"`` or ``"text"``.
    """
    if len(payload) > MAX_BYTES:
        raise Refused("outcome", f"The outcome message has more than {MAX_BYTES} bytes.")
    try:
        told = _decoder.decode(payload)
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError) as error:
        raise Refused("outcome", f"The outcome message cannot be used: {str(error)[:120]}.") from None
    for text in (told.id, told.reason):
        if len(text) > MAX_TEXT or "\0" in text:
            raise Refused("text", "A text in the outcome message is too long or holds the character U+0000.")
    if told.at is not None and not (math.isfinite(told.at) and ABSOLUTE_S <= told.at < 1e11):
        raise Refused("outcome", "The time of the outcome message is no absolute time.")
    return told


def find_orders(conn: Connection, items: Sequence[Item]) -> None:
    """Find the order of each outcome; refuse what is the outcome of none, or contradicts an earlier one.

    An order is committed before it is sent, so that of every true outcome the order is here.
    """
    told = [item for item in items if item.told is not None]
    if not told:
        return
    with conn.transaction():
        found = orders.with_tokens(conn, [item.told.id for item in told if item.told is not None])
    for item in told:
        assert item.told is not None
        try:
            item.order_id = _order_of(item, item.told, found.get(item.told.id))
        except Refused as error:
            item.told = None
            item.refused.append(RecordRefused(None, error.code, str(error)))


def _order_of(item: Item, told: Told, order: Order | None) -> int | None:
    """Number of the order that this is news of; None if it is none."""
    if order is None or item.instrument is None or order.instrument_id != item.instrument.id:
        raise Refused("unknown-order", "There is no order that this could be the outcome of.")
    if told.result == "refused" and told.reason == REPEATED:
        log.info("order %d is %s, and its gateway has had it before", order.id, order.state.value)
        return None
    if order.outcome is not None and order.outcome.result != told.result:
        raise Refused("second-outcome", f"Order {order.id} has an outcome: {order.outcome.result.value}.")
    return order.id


def settle(conn: Connection, items: Sequence[Item]) -> None:
    """Note outcomes in the caller's transaction; the last thing in it, because it records events."""
    news = [
        (item.order_id, _outcome(item.told, item.message.arrived_us))
        for item in items
        if item.told is not None and item.order_id is not None
    ]
    if news:
        orders.settle(conn, news)


def _outcome(told: Told, arrived_us: int) -> Outcome:
    # A gateway whose clock is ahead did not act after we heard of it.
    at_us = arrived_us if told.at is None else min(round(told.at * US), arrived_us)
    return Outcome(OrderResult(told.result), told.reason, at_us, arrived_us)

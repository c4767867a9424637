"""How an order to a valve reads in the API and on pages: the gateway's word and the valve's report apart."""

from __future__ import annotations

from datetime import datetime

from pydantic import BaseModel, Field

from api.quantities import moment
from api.words import ORDERS, Mark
from desk.core import order_life
from desk.core.order_life import Standing
from model.clock import to_datetime
from model.order import Order, OrderAction, OrderResult, OrderState, Report
from store import orders
from store.database import Connection


class ReportView(BaseModel):
    """What a valve last reported, by event time."""

    position: str = Field(description="`closed`, `open`, `moving` or `unknown`.")
    at: datetime
    since: datetime = Field(description="The first report of this position after another one.")


class OutcomeView(BaseModel):
    """What the gateway says became of an order."""

    result: OrderResult
    reason: str
    at: datetime = Field(description="By the gateway's clock.")
    arrived_at: datetime


class OrderView(BaseModel):
    """An order to a valve."""

    id: int
    action: OrderAction
    state: OrderState
    instrument_id: int
    gateway: str
    valve: str = Field(description="Name of the instrument.")
    site_id: int
    time_zone: str = Field(description="Of the site.")
    job_id: int | None = Field(description="The job that the valve served when it was asked for.")
    reason: str = Field(description="Why, in the words of who asked.")
    asked_by: str | None
    asked_at: datetime
    ttl_s: float
    expires_at: datetime = Field(description="It is not sent after this.")
    sent_at: datetime | None = Field(description="When the broker had it first.")
    sends: int = Field(description="How many times it was given to the broker.")
    outcome: OutcomeView | None
    expired_at: datetime | None
    late: bool = Field(description="The outcome came after it had expired.")
    reported: ReportView | None = Field(description="Where the valve stands, by its own report.")
    confirmed: bool | None = Field(
        description="Of an order that is done: whether the valve reported so, at the act or within ten "
        "minutes of it. Null: not done, or the valve has reported nothing since. Where it stands now is "
        "in `reported`."
    )
    text: str = Field(description="What has become of it, in a sentence.")


def order_view(order: Order, report: Report | None, answer: Report | None) -> OrderView:
    """An order beside what its valve reports now, and what it reported of the act."""
    outcome, standing = order.outcome, order_life.standing(order, answer)
    return OrderView(
        id=order.id,
        action=order.action,
        state=order.state,
        instrument_id=order.instrument_id,
        gateway=order.gateway,
        valve=order.valve,
        site_id=order.site_id,
        time_zone=order.time_zone,
        job_id=order.job_id,
        reason=order.reason,
        asked_by=order.asked_by,
        asked_at=to_datetime(order.asked_us),
        ttl_s=order.ttl_s,
        expires_at=to_datetime(order.expires_us),
        sent_at=moment(order.sent_us),
        sends=order.sends,
        outcome=None
        if outcome is None
        else OutcomeView(
            result=outcome.result,
            reason=outcome.reason,
            at=to_datetime(outcome.at_us),
            arrived_at=to_datetime(outcome.arrived_us),
        ),
        expired_at=moment(order.expired_us),
        late=order.late,
        reported=report_view(report),
        confirmed={Standing.CONFIRMED: True, Standing.CONTRADICTED: False}.get(standing)
        if standing
        else None,
        text=text_of(order, answer),
    )


def report_view(report: Report | None) -> ReportView | None:
    """What a valve reports."""
    if report is None:
        return None
    return ReportView(
        position=report.position.name.lower(),
        at=to_datetime(report.at_us),
        since=to_datetime(report.since_us),
    )


def text_of(order: Order, answer: Report | None) -> str:
    """What has become of an order, with what the valve says to it."""
    told = orders.sentence(order)
    standing = order_life.standing(order, answer)
    if standing is Standing.CONFIRMED:
        return f"{told} The valve reported closed."
    if standing is Standing.UNREPORTED:
        return f"{told} The valve has not reported since."
    if standing is Standing.CONTRADICTED and answer is not None:
        return f"{told} The valve reported {answer.position.name.lower()}."
    return told


def mark_of(order: Order, answer: Report | None) -> Mark:
    """State of an order as it is shown. Done is green only if the valve says so."""
    standing = order_life.standing(order, answer)
    return ORDERS[standing or order.state]


class Reports:
    """Reports of valves, read once each."""

    def __init__(self, conn: Connection) -> None:
        self._conn = conn
        self._read: dict[int, Report | None] = {}

    def of(self, instrument_id: int) -> Report | None:
        """What a valve reports."""
        if instrument_id not in self._read:
            self._read[instrument_id] = orders.report(self._conn, instrument_id)
        return self._read[instrument_id]

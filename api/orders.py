"""How an order to a valve reads in the API and on pages: the gateway's word and the valve's report apart."""

from __future__ import annotations

from datetime import datetime

from pydantic import BaseModel, Field

from api.quantities import moment
from api.words import ORDERS, Mark
from desk.core import order_life
from desk.core.order_life import Standing
from model.clock import to_datetime
from model.order import Order, OrderAction, OrderResult, OrderState, Report, Watch
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


class RequireView(BaseModel):
    """What an order requires; null: nothing of the kind."""

    pump_running_s: float | None
    max_circuit_pa: float | None
    position: str | None


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
    holds: bool | None = Field(
        description="Of a close that is done: whether the circuit's pressure agrees that it is closed. "
        "Null: not known, or not yet."
    )
    watch: Watch | None = Field(
        description="Of an open: `falls`, the pressure fell after it as it should; `level`, it stands so low "
        "that no fall can be asked for; `unsafe`, it did not fall, or rose, and the valve is being closed; "
        "`shut`, it has reported closed since. Null: not known yet."
    )
    require: RequireView = Field(description="What the gateway had to find confirmed by its own inputs.")
    overridden: list[str] = Field(description="Interlocks that hindered it and were overridden, by id.")
    override_reason: str
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
        confirmed=True
        if standing in order_life.AS_TOLD
        else False
        if standing is Standing.CONTRADICTED
        else None,
        holds=order.holds,
        watch=order.watch,
        require=RequireView(
            pump_running_s=order.require.pump_running_s,
            max_circuit_pa=order.require.max_circuit_pa,
            position=None if order.require.position is None else order.require.position.name.lower(),
        ),
        overridden=list(order.overridden),
        override_reason=order.override_reason,
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
    if standing in order_life.AS_TOLD:
        return f"{told} The valve reported {order.action.result}.{_of_pressure(order)}"
    if standing is Standing.UNREPORTED:
        return f"{told} The valve has not reported since."
    if standing is Standing.CONTRADICTED and answer is not None:
        return f"{told} The valve reported {answer.position.name.lower()}."
    return told


def _of_pressure(order: Order) -> str:
    """What the circuit's pressure says to an order that the valve has confirmed."""
    if order.holds is False:
        return " But the pressure goes on falling: it is not shown that the valve holds."
    if order.holds:
        return " The pressure agrees."
    return {
        Watch.FALLS: " The pressure fell.",
        Watch.LEVEL: " The pressure stands so low that no fall can be asked for, and has not risen.",
        Watch.UNSAFE: " The pressure did not fall, or rose: the valve is being closed.",
        Watch.SHUT: " The pressure did not fall, or rose: the valve was closed again.",
        None: "",
    }[order.watch]


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

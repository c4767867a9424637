"""Orders to valves: what they may be, and the ways between their states.

What the gateway answers (the outcome) and what the valve reports are two things: an order never says where
the valve stands.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from model.equipment import Role
from model.reading import Valve


class OrderAction(StrEnum):
    """What a valve is told to do."""

    OPEN = "open"
    CLOSE = "close"

    @property
    def result(self) -> str:
        """What the valve reports when it is done."""
        return "open" if self is OrderAction.OPEN else "closed"


class OrderState(StrEnum):
    """How far an order has come; the ways between them are `TRANSITIONS`."""

    ASKED = "asked"
    """Written down, and not yet known to be with the broker."""
    SENT = "sent"
    """The broker has it; the gateway has not answered."""
    DONE = "done"
    REFUSED = "refused"
    """By the gateway, with its reason."""
    FAILED = "failed"
    EXPIRED = "expired"
    """Nobody answered in time; it is not sent any more."""

    @property
    def open(self) -> bool:
        """Whether it is still sent, and an outcome waited for."""
        return self in (OrderState.ASKED, OrderState.SENT)


class OrderResult(StrEnum):
    """What a gateway says became of an order."""

    DONE = "done"
    REFUSED = "refused"
    FAILED = "failed"

    @property
    def state(self) -> OrderState:
        """The state of an order with this outcome."""
        return OrderState(self.value)


_ENDS = frozenset({OrderState.DONE, OrderState.REFUSED, OrderState.FAILED})

TRANSITIONS: Mapping[OrderState, frozenset[OrderState]] = {
    # Its outcome may be here before we have noted that the broker has it.
    OrderState.ASKED: _ENDS | {OrderState.SENT, OrderState.EXPIRED},
    OrderState.SENT: _ENDS | {OrderState.EXPIRED},
    # An outcome that comes late is noted all the same.
    OrderState.EXPIRED: _ENDS,
    OrderState.DONE: frozenset(),
    OrderState.REFUSED: frozenset(),
    OrderState.FAILED: frozenset(),
}
"""Where each state may lead. The first outcome stands."""


@dataclass(frozen=True, slots=True)
class Require:
    """What the gateway's own inputs must confirm at the moment of acting; a close requires nothing.

    Parameters
    ----------
    pump_running_s : float or None
        The pump has run for so long [s].
    max_circuit_pa : float or None
        The circuit is at most at this pressure [Pa].
    position : Valve or None
        The valve stands so.
    """

    pump_running_s: float | None = None
    max_circuit_pa: float | None = None
    position: Valve | None = None


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a gateway said became of an order; times [µs].

    Parameters
    ----------
    at_us : int
        When that was, by the gateway's clock, and never after it arrived.
    """

    result: OrderResult
    reason: str
    at_us: int
    arrived_us: int


class Watch(StrEnum):
    """What became of an opening, by the circuit's pressure."""

    FALLS = "falls"
    """It fell, as it should."""
    LEVEL = "level"
    """It stands where a pump brings it visibly no lower, and has not risen."""
    UNSAFE = "unsafe"
    """It did not fall, or rose, or nobody knows: the valve is being closed."""
    SHUT = "shut"
    """The same, and the valve has reported closed since."""


@dataclass(frozen=True, slots=True)
class Order:
    """An order to a valve; times [µs].

    Parameters
    ----------
    token : str
        Its id towards the gateway, unique everywhere, so that no other installation's order is taken for it.
    instrument_id, valve, gateway : int, str, str
        Which valve.
    job_id : int or None
        The job that the valve served when it was asked for.
    reason : str
        Why, in the words of who asked.
    session, boot : str, str or None
        The gateway's presence for which it was made; under another one the gateway refuses it.
    ttl_s : float
        For so long it is sent [s].
    sends : int
        How many times it was given to the broker.
    outcome : Outcome or None
        What the gateway said; None: nothing yet.
    expired_us : int or None
        When it expired without an outcome.
    overridden : tuple of str
        Interlocks that hindered it and were overridden, by id.
    override_reason : str
        Why, in the person's own words.
    holds : bool or None
        Of a close that is done: whether the pressure agrees; None: not known, or not yet.
    watch : Watch or None
        Of an open: what its watch has seen of the pressure; None: nothing, or not yet.
    """

    id: int
    token: str
    instrument_id: int
    valve: str
    gateway: str
    site_id: int
    time_zone: str
    job_id: int | None
    action: OrderAction
    state: OrderState
    reason: str
    asked_by: str | None
    asked_us: int
    session: str
    boot: str | None
    ttl_s: float
    expires_us: int
    sent_us: int | None = None
    sends: int = 0
    outcome: Outcome | None = None
    expired_us: int | None = None
    require: Require = field(default_factory=Require)
    overridden: tuple[str, ...] = ()
    override_reason: str = ""
    holds: bool | None = None
    watch: Watch | None = None

    @property
    def late(self) -> bool:
        """Whether its outcome came after it had expired."""
        return self.outcome is not None and self.expired_us is not None


@dataclass(frozen=True, slots=True)
class Report:
    """What a valve last reported, by event time [µs].

    Parameters
    ----------
    since_us : int
        The first report of this position after another one.
    arrived_us : int
        When it came here, by our clock.
    """

    position: Valve
    at_us: int
    since_us: int
    arrived_us: int


@dataclass(frozen=True, slots=True)
class KnownValve:
    """All that is known of a valve when somebody wants to give it an order; times [µs].

    Parameters
    ----------
    job_id : int or None
        The job that it serves now.
    online : bool or None
        What its gateway's presence says; None: it never said anything.
    session, boot : str, str or None
        Of that presence.
    presence_us : int or None
        When it came.
    latest : Order or None
        The latest order to it.
    answer : Report or None
        What the valve reported of it.
    """

    instrument_id: int
    name: str
    role: Role
    interval_s: float
    gateway: str
    revoked: bool
    site_id: int
    time_zone: str
    job_id: int | None
    online: bool | None
    session: str
    boot: str | None
    presence_us: int | None
    report: Report | None
    latest: Order | None
    answer: Report | None = None

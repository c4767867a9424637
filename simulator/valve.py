"""A motorised isolation valve: its orders, its interlocks and what it reports.

The actuator decides for itself. It refuses what is not meant for it now, and it never opens towards a
pump that does not run, whoever asks; if the pump stops while it is open, its spring closes it.

States: closed → moving → open and back; a movement that loses its permission turns round.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import msgspec

Action = Literal["open", "close"]
Position = Literal["open", "closed", "moving"]
Result = Literal["done", "refused", "failed"]


class Require(msgspec.Struct, frozen=True):
    """What an order asks the gateway's own inputs to confirm."""

    pump_running_s: float | None = None
    max_circuit_pa: float | None = None
    position: str | None = None


class Order(msgspec.Struct, frozen=True):
    """An order as it comes from the broker."""

    id: str
    action: Action
    session: str
    ttl_s: float
    boot: str | None = None
    require: Require = Require()


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of an order; ``at_s`` is the gateway's uptime then [s]."""

    id: str
    result: Result
    reason: str = ""
    at_s: float = field(default=0.0, compare=False)


@dataclass(frozen=True, slots=True)
class Inputs:
    """What the gateway knows by itself, at a moment.

    Parameters
    ----------
    uptime_s : float
        The gateway's own uptime [s].
    session, boot : str
        Its presence session and its boot.
    pump_running_s : float or None
        How long the pump has run [s]; None when it does not run or that is not known.
    circuit_pa : float or None
        A fresh reading of the circuit [Pa]; None when there is none, or over-range.
    hands : bool
        The site is switched to local hands.
    """

    uptime_s: float
    session: str
    boot: str
    pump_running_s: float | None
    circuit_pa: float | None
    hands: bool = False


class Valve:
    """The actuator.

    Parameters
    ----------
    travel_s : float
        Time from closed to open [s].
    """

    def __init__(self, travel_s: float = 6.0) -> None:
        self._travel_s = travel_s
        self.opening = 0.0
        self._goal: Action = "close"
        self._moved_at_s: float | None = None
        self._current: Order | None = None
        self._waiting: list[tuple[float, Order]] = []
        self._known: dict[str, Outcome | None] = {}

    @property
    def position(self) -> Position:
        """What the valve reports."""
        if self.opening <= 0.0 and self._goal == "close":
            return "closed"
        if self.opening >= 1.0 and self._goal == "open":
            return "open"
        return "moving"

    def receive(self, order: Order, uptime_s: float) -> Outcome | None:
        """Take an order in; it is judged and carried out by `advance`.

        An id that came before is never acted on again, whatever the order says now.

        Returns
        -------
        Outcome or None
            Of a repeated id what became of it, if that is known by now; else nothing yet.
        """
        if order.id in self._known:
            return self._known[order.id]
        self._known[order.id] = None
        self._waiting.append((uptime_s, order))
        return None

    def by_hand(self, action: Action) -> None:
        """Turn the switch at the valve; the pump's interlock holds here too."""
        self._goal = action

    def advance(self, inputs: Inputs) -> list[Outcome]:
        """Move, and judge what has come in, up to the inputs' uptime.

        A movement already begun is finished before the next order is looked at, except that a *close*
        interrupts an opening.
        """
        outcomes = self._advance(inputs)
        self._known.update((outcome.id, outcome) for outcome in outcomes)
        return outcomes

    def _advance(self, inputs: Inputs) -> list[Outcome]:
        outcomes: list[Outcome] = []
        now_s = inputs.uptime_s
        if self._goal == "open" and inputs.pump_running_s is None:
            self._goal = "close"
            if self._current is not None and self._current.action == "open":
                outcomes.append(Outcome(self._current.id, "failed", "pump stopped while opening", now_s))
                self._current = None
        self._move(now_s)
        outcomes += self._report(now_s)
        while self._waiting and self._may_start(self._waiting[0][1]):
            received_s, order = self._waiting.pop(0)
            reason = refusal(order, received_s, inputs, self.position)
            if reason:
                outcomes.append(Outcome(order.id, "refused", reason, now_s))
                continue
            if self._current is not None:
                outcomes.append(Outcome(self._current.id, "failed", "interrupted by a close", now_s))
            self._current = order
            self._goal = order.action
            outcomes += self._report(now_s)
        return outcomes

    def _may_start(self, order: Order) -> bool:
        return self._current is None or (order.action == "close" and self._current.action == "open")

    def _move(self, uptime_s: float) -> None:
        before, self._moved_at_s = self._moved_at_s, uptime_s
        if before is None:
            return
        share = max(uptime_s - before, 0.0) / self._travel_s
        if self._goal == "open":
            self.opening = min(self.opening + share, 1.0)
        else:
            self.opening = max(self.opening - share, 0.0)

    def _report(self, now_s: float) -> list[Outcome]:
        if self._current is None or self.position == "moving":
            return []
        order, self._current = self._current, None
        reached = {"open": "open", "close": "closed"}[order.action] == self.position
        if reached:
            return [Outcome(order.id, "done", at_s=now_s)]
        return [Outcome(order.id, "failed", "did not move", now_s)]


def refusal(order: Order, received_s: float, inputs: Inputs, position: str) -> str:
    """Why an order is refused, in words; empty when it may be carried out.

    A *close* may be late: its time to live does not end it. An *open* never may, and every one of its
    requirements, and a running pump, must be confirmed by the gateway's own inputs.
    """
    if order.session != inputs.session:
        return "made for another session"
    if order.boot is not None and order.boot != inputs.boot:
        return "made for another boot"
    if inputs.hands:
        return "site is switched to local hands"
    require = order.require
    if require.position is not None and require.position != position:
        return f"valve is {position}, not {require.position}"
    if order.action == "close":
        return ""
    if inputs.uptime_s - received_s > order.ttl_s:
        return "past its time to live"
    if inputs.pump_running_s is None:
        return "pump is not running"
    if require.pump_running_s is not None and inputs.pump_running_s < require.pump_running_s:
        return f"pump has run for {inputs.pump_running_s:.0f} s only"
    if require.max_circuit_pa is not None:
        if inputs.circuit_pa is None:
            return "no fresh pressure of the circuit"
        if inputs.circuit_pa > require.max_circuit_pa:
            return f"circuit is at {inputs.circuit_pa:.0f} Pa"
    return ""

"""A motorised isolation valve and the part of a gateway that moves it: orders, interlocks, what it reports.

This is the reference for who writes firmware: pure, on the gateway's own uptime, deciding by its own inputs
at the moment of acting. What it promises, whatever comes over the network and in whatever order:

1. It never opens towards a pump that does not run, or of which nothing is known, whoever asks.
2. It closes by itself when the pump stops or its report is lost, and when the key is turned to local hands.
3. An open never comes late: not past its time to live, not for another session or boot, not twice.
4. A close may come late.
5. After a restart, or when power returns, it is closed and stays so until it is ordered open anew.

States: closed → moving → open and back; a movement that loses its permission turns round.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Literal

import msgspec

Action = Literal["open", "close"]
Position = Literal["open", "closed", "moving"]
Result = Literal["done", "refused", "failed"]

PUMP_LOST_S = 2.0
"""What the pump's input said longer ago than this is lost. The pump's contact in the coil's circuit covers
these seconds; see docs/how-to/connect-a-gateway.md."""
CIRCUIT_FRESH_S = 60.0
"""A pressure older than this is no reading of now."""


class Require(msgspec.Struct, frozen=True):
    """What an order asks the gateway's own inputs to confirm; ``unknown`` names what it cannot confirm."""

    pump_running_s: float | None = None
    max_circuit_pa: float | None = None
    position: str | None = None
    unknown: tuple[str, ...] = ()


class Order(msgspec.Struct, frozen=True):
    """An order as it comes from the broker."""

    id: str
    action: Action
    session: str
    ttl_s: float
    boot: str | None = None
    require: Require = Require()


def decode(payload: bytes) -> Order:
    """An order as it came from the broker.

    Raises
    ------
    msgspec.DecodeError
        If it is not one of the contract; nothing is answered then.
    """
    body: dict[str, Any] = msgspec.json.decode(payload, type=dict[str, Any])
    required = body.get("require") or {}
    if not isinstance(required, dict):
        raise msgspec.ValidationError("require is no object")
    known = {
        name: value
        for name, value in required.items()
        if name in ("pump_running_s", "max_circuit_pa", "position")
    }
    # What is required and not understood is not confirmed: it refuses, and is not passed over.
    unknown = [name for name, value in required.items() if name not in known and value is not None]
    return msgspec.convert({**body, "require": {**known, "unknown": unknown}}, Order)


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
        How long the pump has run [s], by its input; None when it does not run.
    circuit_pa : float or None
        A reading of the circuit [Pa]; None when there is none, or over-range.
    hands : bool
        The site is switched to local hands.
    pump_age_s, circuit_age_s : float
        How long ago these two inputs were read [s].
    """

    uptime_s: float
    session: str
    boot: str
    pump_running_s: float | None
    circuit_pa: float | None
    hands: bool = False
    pump_age_s: float = 0.0
    circuit_age_s: float = 0.0

    @property
    def pump_runs(self) -> bool:
        """Whether the pump is known to run."""
        return self.pump_running_s is not None and self.pump_age_s <= PUMP_LOST_S


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
        self._turned_by_hand = False
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
        self._turned_by_hand = True

    def restart(self) -> None:
        """The gateway starts anew, or its power comes back: without current the spring closes the valve.

        Nothing is remembered of what was ordered. What comes again is of another session and boot.
        """
        self._goal = "close"
        self._turned_by_hand = False
        self._current = None
        self._waiting.clear()
        self._known.clear()
        # Its uptime begins anew; the spring moves from the first moment.
        self._moved_at_s = 0.0

    @property
    def acting_on(self) -> Order | None:
        """The order that is being carried out."""
        return self._current

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
        lost = permission_lost(inputs, by_hand=self._turned_by_hand)
        if self._goal == "open" and lost:
            self._goal = "close"
            if self._current is not None and self._current.action == "open":
                outcomes.append(Outcome(self._current.id, "failed", lost, now_s))
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
            self._turned_by_hand = False
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


def permission_lost(inputs: Inputs, *, by_hand: bool) -> str:
    """Why a valve may not be open any longer, in words; empty while it may."""
    if inputs.pump_running_s is None:
        return "pump stopped"
    if not inputs.pump_runs:
        return "nothing is known of the pump"
    if inputs.hands and not by_hand:
        return "site is switched to local hands"
    return ""


def refusal(order: Order, received_s: float, inputs: Inputs, position: str) -> str:
    """Why an order is refused, in words; empty when it may be carried out.

    A *close* may be late: its time to live does not end it. An *open* never may, and every one of its
    requirements, and a running pump, must be confirmed by the gateway's own inputs.
    """
    age_s = inputs.uptime_s - received_s
    checks = CHECKS if order.action == "open" else {name: CHECKS[name] for name in OF_A_CLOSE}
    reasons = (check(order, inputs, position, age_s) for check in checks.values())
    return next((reason for reason in reasons if reason), "")


Check = Callable[[Order, Inputs, str, float], str]
"""From order, inputs, position and the order's age [s] to a reason, empty where there is none."""


def _session(order: Order, inputs: Inputs, position: str, age_s: float) -> str:
    # Without a session of its own a gateway has heard of nobody.
    return "" if order.session and order.session == inputs.session else "made for another session"


def _boot(order: Order, inputs: Inputs, position: str, age_s: float) -> str:
    return "" if order.boot in (None, inputs.boot) else "made for another boot"


def _hands(order: Order, inputs: Inputs, position: str, age_s: float) -> str:
    return "site is switched to local hands" if inputs.hands else ""


def _position(order: Order, inputs: Inputs, position: str, age_s: float) -> str:
    wanted = order.require.position
    return "" if wanted in (None, position) else f"valve is {position}, not {wanted}"


def _understood(order: Order, inputs: Inputs, position: str, age_s: float) -> str:
    return "it requires what this gateway cannot confirm" if order.require.unknown else ""


# Each asked so that what is no number refuses too.


def _time_to_live(order: Order, inputs: Inputs, position: str, age_s: float) -> str:
    return "" if age_s <= order.ttl_s else "past its time to live"


def _pump_runs(order: Order, inputs: Inputs, position: str, age_s: float) -> str:
    if inputs.pump_running_s is None:
        return "pump is not running"
    return "" if inputs.pump_runs else "nothing is known of the pump"


def _pump_long_enough(order: Order, inputs: Inputs, position: str, age_s: float) -> str:
    wanted, running = order.require.pump_running_s, inputs.pump_running_s or 0.0
    return "" if wanted is None or running >= wanted else f"pump has run for {running:.0f} s only"


def _circuit(order: Order, inputs: Inputs, position: str, age_s: float) -> str:
    most, circuit_pa = order.require.max_circuit_pa, inputs.circuit_pa
    if most is None:
        return ""
    if circuit_pa is None or not inputs.circuit_age_s <= CIRCUIT_FRESH_S:
        return "no fresh pressure of the circuit"
    return "" if circuit_pa <= most else f"circuit is at {circuit_pa:.0f} Pa"


CHECKS: dict[str, Check] = {
    "session": _session,
    "boot": _boot,
    "hands": _hands,
    "position": _position,
    "understood": _understood,
    "time to live": _time_to_live,
    "pump runs": _pump_runs,
    "pump long enough": _pump_long_enough,
    "circuit": _circuit,
}
"""What must be so before a valve is opened, in the order in which it is asked."""

OF_A_CLOSE = ("session", "boot", "hands", "position")
"""What must be so before it is closed."""

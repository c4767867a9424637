"""The valve of the small gateway: wiring, orders, and the actuator in a thread of its own.

The pump's contact must also lie in the coil's circuit: no program may stand between a stopped pump and a
closed valve. See ../connect-a-gateway.md.
"""

from __future__ import annotations

import os
import queue
import threading
import time
from collections import deque
from dataclasses import dataclass
from pathlib import Path
from typing import Any

TICK_S = 0.1
KNOWN = {"pump_running_s", "max_circuit_pa", "position"}
"""Requirements that the inputs can confirm."""


def uptime() -> float:
    """Seconds since the machine's boot; unlike time.monotonic() it counts while the machine is suspended."""
    return time.clock_gettime(time.CLOCK_BOOTTIME)


# Inputs and outputs -------------------------------------------------------------------------------------


class Bench:
    """The wiring: replace the four reading methods and `drive` by your own."""

    def __init__(self, folder: str) -> None:
        self._folder = Path(folder)

    def pressure_pa(self) -> float | None:
        """Absolute pressure of the circuit [Pa]; None when the sensor gives none."""
        try:
            return float((self._folder / "pressure_pa").read_text())
        except (OSError, ValueError):
            return None

    def pump_runs(self) -> bool:
        """From a contact or a current relay at the pump, not from the switch that starts it."""
        return self._bit("pump")

    def position(self) -> str:
        """What the valve's two limit switches say; an actuator without switches is unproven: unknown."""
        states = {(True, False): "open", (False, True): "closed", (False, False): "moving"}
        return states.get((self._bit("open_switch"), self._bit("closed_switch")), "unknown")

    def hands(self) -> bool:
        """Whether the key switch on site says that hands decide."""
        return self._bit("hands")

    def drive(self, energised: bool) -> None:
        """Energise the coil: the valve opens; without current its spring closes it."""
        (self._folder / "coil").write_text("1" if energised else "0")

    def _bit(self, name: str) -> bool:
        try:
            return (self._folder / name).read_text().strip() == "1"
        except OSError:
            return False


# Orders -------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Order:
    """An order, and the uptime at which it came."""

    body: dict[str, Any]
    came: float


def refusal(body: dict[str, Any], came: float, session: str, boot: str, valve: Valve) -> str:
    """Why an order is not carried out; empty if it is. A close may be late, an open never."""
    require = body["require"]
    position = valve.position
    if body["session"] != session:
        return "made for another session"
    if body["boot"] not in (None, boot):
        return "made for another boot"
    if valve.bench.hands():
        return "the site is switched to local hands"
    if require.get("position") not in (None, position):
        return f"the valve is {position}"
    if body["action"] == "close":
        return ""
    # Each asked so that what is no number refuses too.
    if not uptime() - came <= body["ttl_s"]:
        return "past its time to live"
    if set(require) - KNOWN:
        return "it requires what this gateway cannot confirm"
    if valve.pump_since is None:
        return "the pump does not run"
    if not uptime() - valve.pump_since >= require.get("pump_running_s", 0.0):
        return "the pump has not run for long enough"
    if "max_circuit_pa" in require:
        pressure = valve.bench.pressure_pa()
        if pressure is None or not pressure < valve.range_high_pa:
            return "no pressure of the circuit that counts"
        if not pressure <= require["max_circuit_pa"]:
            return f"the circuit is at {pressure:.0f} Pa"
    return ""


def checked(body: dict[str, Any], number: str) -> dict[str, Any]:
    """An order with everything in it of the right type; a ValueError, KeyError or TypeError if it is none."""
    require = {key: value for key, value in (body.get("require") or {}).items() if value is not None}
    for key in require.keys() & KNOWN:
        require[key] = str(require[key]) if key == "position" else float(require[key])
    return {
        "id": number,
        "action": body["action"],
        "session": body["session"],
        "boot": body.get("boot"),
        "ttl_s": float(body["ttl_s"]),
        "require": require,
    }


class Valve(threading.Thread):
    """The valve, in a thread of its own: neither the network nor the disk can delay its closing."""

    def __init__(self, bench: Bench, range_high_pa: float, travel_s: float, boot: str) -> None:
        super().__init__(daemon=True)
        self.bench = bench
        self.range_high_pa = range_high_pa
        self.orders: queue.SimpleQueue[Order] = queue.SimpleQueue()
        self.outcomes: queue.SimpleQueue[tuple[str, str, str]] = queue.SimpleQueue()
        self.session = ""
        self.boot = boot
        self.pump_since: float | None = None
        self.position = "unknown"
        self._travel_s = travel_s
        self._energised = False
        self._drive(False)
        self._current: Order | None = None
        self._until = 0.0
        self._waiting: deque[Order] = deque()

    def run(self) -> None:
        """Go round for ever; a fault ends the process, and at its new start the valve is closed."""
        try:
            while True:
                self.turn()
                threading.Event().wait(TICK_S)
        finally:
            self._drive(False)
            os.abort()

    def turn(self) -> None:
        """Look at the pump first, then at the movement under way, then at what is ordered."""
        running = self.bench.pump_runs()
        self.position = self.bench.position()
        if not running:
            self.pump_since = None
            if self._energised:
                self._drive(False)
                if self._current is not None:
                    self._finish("failed", "the pump stopped")
        elif self.pump_since is None:
            self.pump_since = uptime()
        # The key cuts the coil's circuit; turned back, it must not find the coil still switched on.
        if self._energised and self.bench.hands():
            self._drive(False)
            if self._current is not None:
                self._finish("failed", "the site is switched to local hands")
        self._watch_movement()
        while not self.orders.empty():
            self._waiting.append(self.orders.get())
        while self._waiting and self._may_begin(self._waiting[0].body["action"]):
            self._begin(self._waiting.popleft())

    def _may_begin(self, action: str) -> bool:
        """A movement is finished first, but a close interrupts an opening."""
        return self._current is None or (action == "close" and self._current.body["action"] == "open")

    def _begin(self, order: Order) -> None:
        reason = refusal(order.body, order.came, self.session, self.boot, self)
        if reason:
            self.outcomes.put((order.body["id"], "refused", reason))
            return
        if self._current is not None:
            self._finish("failed", "interrupted by a close")
        self._current, self._until = order, uptime() + self._travel_s
        self._drive(order.body["action"] == "open")

    def _watch_movement(self) -> None:
        if self._current is None:
            return
        goal = "open" if self._current.body["action"] == "open" else "closed"
        if self.position == goal:
            self._finish("done", "")
        elif uptime() > self._until:
            self._drive(False)
            self._finish("failed", f"the valve is {self.position} after {self._travel_s:.0f} s")

    def _finish(self, result: str, reason: str) -> None:
        assert self._current is not None
        self.outcomes.put((self._current.body["id"], result, reason))
        self._current = None

    def _drive(self, energised: bool) -> None:
        self._energised = energised
        self.bench.drive(energised)

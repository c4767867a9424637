"""A gateway with a valve, as the simulator has it, on a real broker."""

from __future__ import annotations

import threading
from urllib.parse import urlsplit

import msgspec

from simulator.clock import US
from simulator.gateway import Gateway
from simulator.mqtt import Credentials, Link
from simulator.senml import Record
from simulator.valve import Inputs, Order, Outcome, Valve
from tests.fix_broker import Broker
from tests.waiting import wait_until

TICK_S = 0.01


class Bench:
    """Gateway ``gw1`` with a valve ``v1`` that stands open at a running pump; a thread lets it live.

    Its clock goes on by a second each hundredth of a second.
    """

    def __init__(self, broker: Broker, start_us: int, boot: str = "b1") -> None:
        parts = urlsplit(broker.url("gw1"))
        self.gateway = Gateway("gw1", boot, batch_us=0)
        self.valve = Valve(travel_s=2.0)
        self.received: list[Order] = []
        self.mute = False
        """What it has to say of orders is lost on the way."""
        self.closings = 0
        self._reported = ""
        self._now_us = self._start_us = start_us
        credentials = Credentials(str(parts.hostname), int(parts.port or 0), "gw1", str(parts.password))
        self._link = Link(self.gateway, credentials, self._take, wall_s=lambda: self._now_us / US)
        self._stop = threading.Event()
        self.valve.by_hand("open")
        for _ in range(4):
            self._pass_a_second()
        self._thread = threading.Thread(target=self._live)

    def __enter__(self) -> Bench:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join(20)
        self._link.close()

    def reconnect(self) -> None:
        """Lose the connection and come back under a new session."""
        self._link.radio = False
        wait_until(lambda: not self.gateway.online, what="the loss of the connection")
        self._link.radio = True

    def _live(self) -> None:
        while not self._stop.wait(TICK_S):
            self._pass_a_second()
            self._link.tend(self._now_us, self._now_us)

    def _pass_a_second(self) -> None:
        self._now_us += US
        inputs = Inputs(self._uptime_s, self.gateway.session, self.gateway.boot, 600.0, 50.0)
        for outcome in self.valve.advance(inputs):
            self._tell(outcome)
        if self.valve.position != self._reported:
            self._reported = self.valve.position
            self.closings += self._reported == "closed"
            self.gateway.collect("v1", Record("valve", self._reported, self._now_us))

    def _take(self, _instrument: str, payload: bytes) -> None:
        order = msgspec.json.decode(payload, type=Order)
        self.received.append(order)
        remembered = self.valve.receive(order, self._uptime_s)
        if remembered is not None:
            self._tell(remembered)

    def _tell(self, outcome: Outcome) -> None:
        if not self.mute:
            self.gateway.outcome("v1", outcome, self._start_us + round(outcome.at_s * US))

    @property
    def _uptime_s(self) -> float:
        return (self._now_us - self._start_us) / US

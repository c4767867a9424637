"""Many simple gauges at a steady rate, for measuring; what each shows is set from outside.

>>> load = Load({"gw-1": Credentials("localhost", 1883, "gw-1", "secret")}, gauges, clock)  # doctest: +SKIP
>>> load.start(); load.show("gw-1", "g-1", 60.0); load.valve("gw-1", "v-1", "closed")       # doctest: +SKIP
"""

from __future__ import annotations

import random
import secrets
import threading
import time
from collections.abc import Callable, Mapping, Sequence

from simulator.clock import US, Clock
from simulator.gateway import Gateway
from simulator.mqtt import Credentials, Link
from simulator.senml import Record

Told = Callable[[str, str, int, float], None]
"""Called as a reading goes out: gateway, gauge, its time [µs], steady wall clock [s]."""

_PAUSE_S = 0.01


class Load:
    """Gauges that publish one reading per pack, spread evenly over the interval.

    Parameters
    ----------
    credentials : Mapping
        Where each gateway connects, and as whom.
    gauges : Mapping
        Names of each gateway's gauges.
    clock : Clock
        Time of the readings.
    interval_s : float
        Between two readings of a gauge [s].
    pressure_pa : float
        What they show at first [Pa].
    noise : float
        Standard deviation as a share of the reading.
    seed : int
        Seed of the noise.
    told : callable, optional
        See `Told`.
    """

    def __init__(
        self,
        credentials: Mapping[str, Credentials],
        gauges: Mapping[str, Sequence[str]],
        clock: Clock,
        interval_s: float = 1.0,
        pressure_pa: float = 60.0,
        noise: float = 0.005,
        seed: int = 1,
        told: Told | None = None,
    ) -> None:
        self._clock = clock
        self._interval_us = round(interval_s * US)
        self._noise_share = noise
        self._noise = random.Random(seed)
        self._told = told
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._work, name="load", daemon=True)
        boot = secrets.token_hex(2)
        self._gateways = {name: Gateway(name, boot, batch_us=0) for name in credentials}
        self._links = [Link(self._gateways[name], user) for name, user in credentials.items()]
        places = [(gateway, gauge) for gateway, names in gauges.items() for gauge in names]
        self._shown = dict.fromkeys(places, pressure_pa)
        begin_us = clock.now_us()
        self._next_us = {
            place: begin_us + number * self._interval_us // len(places) for number, place in enumerate(places)
        }

    @property
    def connected(self) -> int:
        """How many gateways are connected."""
        return sum(gateway.online for gateway in self._gateways.values())

    @property
    def unreceipted(self) -> int:
        """Records that nobody has given a receipt for."""
        return sum(gateway.stored for gateway in self._gateways.values())

    def start(self) -> None:
        """Begin to publish."""
        self._thread.start()

    def stop(self) -> None:
        """Stop, and leave in an orderly way."""
        self._stop.set()
        self._thread.join()
        for link in self._links:
            link.close()

    def show(self, gateway: str, gauge: str, pressure_pa: float) -> None:
        """From now on this gauge shows this pressure [Pa]; above a limit it is a failing hold."""
        with self._lock:
            if (gateway, gauge) not in self._shown:
                raise KeyError(f"{gateway}/{gauge} is no gauge of this load")
            self._shown[gateway, gauge] = pressure_pa

    def valve(self, gateway: str, valve: str, position: str) -> None:
        """A valve reports a position, once."""
        with self._lock:
            self._gateways[gateway].collect(valve, Record("valve", position, self._clock.now_us()))

    def _work(self) -> None:
        while not self._stop.wait(_PAUSE_S):
            now_us = self._clock.now_us()
            with self._lock:
                self._collect(now_us)
                for link in self._links:
                    link.tend(now_us, now_us)

    def _collect(self, now_us: int) -> None:
        for place, due_us in self._next_us.items():
            if due_us > now_us:
                continue
            # After a stall the missed readings are left out, as a gauge would.
            missed = (now_us - due_us) // self._interval_us
            at_us = due_us + missed * self._interval_us
            self._next_us[place] = at_us + self._interval_us
            gateway, gauge = place
            value = self._shown[place] * (1.0 + self._noise_share * self._noise.gauss(0.0, 1.0))
            self._gateways[gateway].collect(gauge, Record("pressure", round(value, 2), at_us, "Pa"))
            if self._told is not None:
                self._told(gateway, gauge, at_us, time.monotonic())

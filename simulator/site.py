"""A place of work: one rig with its gauges, thermometer, valve and pump, and the gateway they talk to."""

from __future__ import annotations

from collections.abc import Callable, Generator
from dataclasses import dataclass

import msgspec

from physics.constants import ATMOSPHERE_PA
from physics.units import to_celsius
from simulator.ambient import DayCurve
from simulator.circuit import Rig, RigData
from simulator.clock import US
from simulator.gateway import Gateway
from simulator.gauge import Gauge, GaugeData, in_unit
from simulator.senml import Record, Value
from simulator.valve import Action, Inputs, Outcome, Valve, decode

SLOW_US = 60 * US
"""Temperatures, valve and pump are reported so often, and at every change."""

BATTERY_US = 600 * US
UNATTENDED_TICK_US = 120 * US


@dataclass(frozen=True, slots=True)
class SiteData:
    """What stands at a site.

    Parameters
    ----------
    name, gateway : str
        Names of site and gateway.
    rig : RigData
        The rig.
    day : DayCurve
        Temperature of the air; the circuit follows it by half an hour.
    gauges : dict
        Gauges by instrument name, each with whether it sits on the pump's side.
    tick_us : int
        Interval between readings [µs].
    valve, pump, thermometer : str
        Names of these instruments; empty: there is none (a valve is then turned by hand).
    radio_off : tuple of (int, int)
        Times without radio [µs].
    """

    name: str
    gateway: str
    rig: RigData
    day: DayCurve
    gauges: dict[str, tuple[GaugeData, bool]]
    tick_us: int = 10 * US
    valve: str = ""
    pump: str = ""
    thermometer: str = ""
    radio_off: tuple[tuple[int, int], ...] = ()


Wish = Callable[[str, str, Callable[[], bool]], None]
"""Asks for the valve of a gateway to be closed as long as that is wanted, and returns at once."""

Condition = Callable[["Site"], bool]
Script = Generator[Condition, None, None]


@dataclass(slots=True)
class _Said:
    """What an instrument said last of one name, and when."""

    value: Value = ""
    at_us: int = -(1 << 62)


@dataclass(slots=True)
class _Hands:
    """What people have switched."""

    connected: bool = False
    pump_since_us: int | None = None
    local: bool = False
    opening: float = 0.0
    fill_pa_m3_s: float = 0.0
    fill_until_us: int = 0


class Site:
    """The state of a site.

    Parameters
    ----------
    data : SiteData
        What stands there.
    gateway : Gateway or None
        Where readings go; None while the past is made up without telling anybody.
    begin_us : int
        When it begins [µs].
    seed : str
        Seed of the gauges' noise.
    """

    def __init__(self, data: SiteData, gateway: Gateway | None, begin_us: int, seed: str) -> None:
        self.data = data
        self.gateway = gateway
        self.now_us = begin_us
        self.tick_us = data.tick_us
        self.valve = Valve() if data.valve else None
        self.wish: Wish | None = None
        self.gauges = {
            name: Gauge(gauge, f"{seed}:{data.name}:{name}") for name, (gauge, _) in data.gauges.items()
        }
        self.shown_pa: dict[str, float | None] = dict.fromkeys(data.gauges)
        self._begin_us = begin_us
        self._hands = _Hands()
        self._said: dict[tuple[str, str], _Said] = {}
        self._circuit_k = data.day.at(begin_us)
        self.rig = Rig(data.rig, self._circuit_k)
        self._script: Script | None = None
        self._awaited: Condition | None = None

    @property
    def idle(self) -> bool:
        """Whether the crew's work is done."""
        return self._awaited is None

    # What people do ----------------------------------------------------------------------------

    def follow(self, script: Script) -> None:
        """Let people work by a script."""
        self._script = script
        self._awaited = next(script, None)

    def connect(self) -> None:
        """Connect the gauges: they report from now on."""
        self._hands.connected = True

    def disconnect(self) -> None:
        """Take the gauges off: they say nothing more."""
        self._hands.connected = False
        self.shown_pa = dict.fromkeys(self.data.gauges)

    def start_pump(self) -> None:
        """Start the vacuum pump."""
        self._hands.pump_since_us = self.now_us
        self.rig.disturb()

    def stop_pump(self) -> None:
        """Stop the vacuum pump."""
        self._hands.pump_since_us = None
        self.rig.disturb()

    def turn_key(self, *, local: bool) -> None:
        """Switch the site to local hands, or back: with it on, nothing is moved from afar."""
        self._hands.local = local

    def turn_valve(self, action: Action) -> None:
        """Open or close the valve between pump and circuit."""
        if self.valve is not None:
            self.valve.by_hand(action)
        else:
            self._hands.opening = 1.0 if action == "open" else 0.0
        self.rig.disturb()

    def ask_to_close(self) -> None:
        """Have the valve closed from afar; where nobody takes such wishes, close it at the actuator."""
        valve = self.valve
        if valve is None or self.gateway is None or self.wish is None:
            self.turn_valve("close")
        else:
            self.wish(self.data.gateway, self.data.valve, lambda: valve.position != "closed")

    def fill(self, to_pa: float, seconds: float) -> None:
        """Let dry gas in through a regulator, up to a pressure, in a time."""
        self._hands.fill_pa_m3_s = max(to_pa - self.rig.circuit_pa, 0.0) * self.data.rig.volume_m3 / seconds
        self._hands.fill_until_us = self.now_us + round(seconds * US)
        self.rig.disturb()

    def renew(self) -> None:
        """Begin again with a circuit as it was in the beginning, full of dry gas at one atmosphere."""
        self.rig = Rig(self.data.rig, self._circuit_k, ATMOSPHERE_PA)

    # What the gateway does ---------------------------------------------------------------------

    @property
    def radio(self) -> bool:
        """Whether the gateway has its radio."""
        return not any(off <= self.now_us < on for off, on in self.data.radio_off)

    def order(self, instrument: str, payload: bytes) -> None:
        """Take in an order for the valve; what is not an order of the contract is ignored."""
        if self.valve is None or self.gateway is None or instrument != self.data.valve:
            return
        try:
            order = decode(payload)
        except msgspec.DecodeError:
            return
        remembered = self.valve.receive(order, self._uptime_s())
        if remembered is not None:
            self._tell(self.gateway, remembered)

    def _tell(self, gateway: Gateway, outcome: Outcome) -> None:
        gateway.outcome(self.data.valve, outcome, self._begin_us + round(outcome.at_s * US))

    # Time --------------------------------------------------------------------------------------

    def run_to(self, until_us: int) -> None:
        """Live until a moment, in whole ticks."""
        while self.now_us + self._stride_us() <= until_us:
            self._live(self._stride_us())

    def _stride_us(self) -> int:
        if self.gateway is None and self.idle:
            return UNATTENDED_TICK_US
        return self.tick_us

    def _live(self, tick_us: int) -> None:
        seconds = tick_us / US
        hands, setting = self._hands, self.rig.setting
        self._circuit_k += (self.data.day.at(self.now_us) - self._circuit_k) * min(seconds / 1800.0, 1.0)
        setting.temperature_k = self._circuit_k
        setting.pumping = hands.pump_since_us is not None
        setting.opening = hands.opening if self.valve is None else self.valve.opening
        setting.fill_pa_m3_s = hands.fill_pa_m3_s if self.now_us < hands.fill_until_us else 0.0
        self.rig.advance(seconds)
        self.now_us += tick_us
        self._read_gauges(seconds)
        self._move_valve()
        self._report()
        while self._awaited is not None and self._awaited(self):
            assert self._script is not None
            self._awaited = next(self._script, None)

    def _read_gauges(self, seconds: float) -> None:
        if not self._hands.connected:
            return
        for name, gauge in self.gauges.items():
            at_pump = self.data.gauges[name][1]
            vapour = 0.0 if at_pump else self.rig.vapour_pa
            total = self.rig.pump_side_pa if at_pump else self.rig.circuit_pa
            reading = gauge.read(total - vapour, vapour, seconds)
            self.shown_pa[name] = reading.pressure_pa
            if self.gateway is None or gauge.flat:
                continue
            if reading.pressure_pa is None:
                self._say(name, "overrange", True)
            else:
                self._say(name, "overrange", False, only_after=True)
                unit = gauge.data.unit
                self._say(name, "pressure", in_unit(reading.pressure_pa, unit), unit=unit)
            self._say(name, "battery", round(gauge.battery_percent, 1), "%EL", every_us=BATTERY_US)

    def _move_valve(self) -> None:
        if self.valve is None:
            return
        since = self._hands.pump_since_us
        inputs = Inputs(
            uptime_s=self._uptime_s(),
            session="" if self.gateway is None else self.gateway.session,
            boot="" if self.gateway is None else self.gateway.boot,
            pump_running_s=None if since is None else (self.now_us - since) / US,
            circuit_pa=self.deciding_pa(),
            hands=self._hands.local,
        )
        before = self.valve.opening
        for outcome in self.valve.advance(inputs):
            if self.gateway is not None:
                self._tell(self.gateway, outcome)
        if self.valve.opening != before:
            self.rig.disturb()

    def deciding_pa(self) -> float | None:
        """What the first gauge on the circuit shows [Pa]; None: nothing, or over-range."""
        return next((self.shown_pa[name] for name, (_, pump) in self.data.gauges.items() if not pump), None)

    def _report(self) -> None:
        if self.gateway is None or not self._hands.connected:
            return
        data = self.data
        kelvin = self._circuit_k
        place = data.thermometer or next(iter(data.gauges))
        self._say(place, "temperature", round(to_celsius(kelvin), 2), "Cel", every_us=SLOW_US)
        air = round(to_celsius(data.day.at(self.now_us)), 1)
        self._say(place, "ambient", air, "Cel", every_us=SLOW_US)
        if self.valve is not None:
            self._say(data.valve, "valve", self.valve.position, every_us=SLOW_US, changes=True)
            self._say(data.valve, "hands", self._hands.local, every_us=BATTERY_US, changes=True)
        if data.pump:
            running = self._hands.pump_since_us is not None
            self._say(data.pump, "pump", running, every_us=SLOW_US, changes=True)

    def _say(
        self,
        instrument: str,
        name: str,
        value: Value,
        unit: str = "",
        every_us: int = 0,
        changes: bool = False,
        only_after: bool = False,
    ) -> None:
        """Collect a record: not more often than asked, at changes, or only to end what was said."""
        assert self.gateway is not None
        said = self._said.setdefault((instrument, name), _Said())
        if only_after:
            if said.value == "" or said.value == value:
                return
        elif self.now_us - said.at_us < every_us and not (changes and said.value != value):
            return
        said.value, said.at_us = value, self.now_us
        self.gateway.collect(instrument, Record(name, value, self.now_us, unit))

    def _uptime_s(self) -> float:
        return (self.now_us - self._begin_us) / US

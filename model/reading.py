"""What a gateway reports: quantities and readings."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum


class Quantity(IntEnum):
    """What a reading is of. The numbers are stored; never renumber.

    Text and truth values are stored as numbers: a valve as `Valve`, ``pump``, ``hands``, ``overrange`` and
    ``fault`` as 0 or 1.
    """

    PRESSURE = 1
    """Absolute pressure [Pa]."""
    TEMPERATURE = 2
    """The circuit's own temperature [K]; a named place has the same quantity and its place beside it."""
    AMBIENT = 3
    """Air temperature [K]."""
    BATTERY_SHARE = 4
    """Charge left, 0 to 1."""
    BATTERY_VOLTS = 5
    """Battery voltage [V]."""
    VALVE = 6
    """Reported position, see `Valve`."""
    PUMP = 7
    """Vacuum pump running."""
    HANDS = 8
    """Site switched to local hands."""
    OVERRANGE = 9
    """Gauge at or above the top of its range."""
    FAULT = 10
    """Sensor fault or unplugged."""


class Valve(IntEnum):
    """What a valve reports, not what it was told. The numbers are stored; never renumber."""

    CLOSED = 0
    OPEN = 1
    MOVING = 2
    UNKNOWN = 3


@dataclass(frozen=True, slots=True)
class Reading:
    """One value of one quantity of one instrument.

    The key is (instrument, quantity, place, time); two different values for one key are both kept.

    Parameters
    ----------
    instrument_id : int
    quantity : Quantity
    time_us : int
        Event time, microseconds since the Unix epoch [µs].
    value : float
        In SI units, see `Quantity`.
    arrived_us : int
        When it reached us [µs].
    place : str
        Which of several thermometers, usually empty.
    """

    instrument_id: int
    quantity: Quantity
    time_us: int
    value: float
    arrived_us: int
    place: str = ""

"""What a pack says in the contract's terms: readings in SI units, its number, and what of it is refused."""

from __future__ import annotations

import math
import re
from array import array
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass

import msgspec

from ingest.senml import ABSOLUTE_S, NUMBERING, Resolved, TooManyRecords, decode, resolve
from ingest.senml import Pack as Records
from model.clock import US
from model.errors import Refused
from model.reading import Quantity, Valve
from physics.units import PRESSURE_UNITS, pressure_unit, to_kelvin

AHEAD_US = 300 * US
"""How far ahead of its arrival a reading may be [µs]."""
EARLIEST_US = 1_577_836_800 * US
"""2020-01-01T00:00Z [µs]: older times come from clocks that were never set."""
LOWEST_PA, HIGHEST_PA = -5.0, 1.5e6
"""A small negative zero offset is kept; anything lower is no absolute pressure."""
MAX_TEXT = 64
MAX_SEQ = 2**53
"""Up to here every whole number survives JSON."""

ALWAYS_UNITS: Mapping[str, float] = {unit: PRESSURE_UNITS[unit] for unit in ("Pa", "hPa", "kPa")}
"""Units of pressure that every gauge may use, and their pascals."""

Row = tuple[int, str, int, float]
"""Quantity, place, time [µs], value in SI units."""


class Columns(msgspec.Struct, gc=False):
    """Readings by columns, because objects for each reading are most of what reading a pack costs.

    Parameters
    ----------
    quantity : array of int16
    time_us : array of int64
        Time [µs].
    value : array of float64
        In SI units.
    place : dict of int to str
        The place of a reading, by its position, where it names one.
    """

    quantity: array[int] = msgspec.field(default_factory=lambda: array("h"))
    time_us: array[int] = msgspec.field(default_factory=lambda: array("q"))
    value: array[float] = msgspec.field(default_factory=lambda: array("d"))
    place: dict[int, str] = {}

    def append(self, row: Row) -> None:
        """Add a reading."""
        quantity, place, time_us, value = row
        if place:
            self.place[len(self.value)] = place
        self.quantity.append(quantity)
        self.time_us.append(time_us)
        self.value.append(value)

    def __len__(self) -> int:
        return len(self.value)

    def __iter__(self) -> Iterator[Row]:
        for n, (quantity, time_us, value) in enumerate(
            zip(self.quantity, self.time_us, self.value, strict=True)
        ):
            yield quantity, self.place.get(n, ""), time_us, value


@dataclass(frozen=True, slots=True)
class RecordRefused:
    """What is refused of a pack: the record's index (None: the whole pack), a reason code, a sentence."""

    index: int | None
    code: str
    message: str


class Pack(msgspec.Struct, gc=False):
    """A decoded pack.

    Parameters
    ----------
    columns : Columns
        Its readings.
    relative : bool
        Whether a time in it counts from its arrival, so that the times do not tell a repetition.
    seq, boot
        Its number since a boot of the instrument; without ``boot`` a number means nothing.
    sent_us : int or None
        When it says it was sent [µs].
    unknown : dict
        How often each name came that the contract does not know.
    """

    columns: Columns = msgspec.field(default_factory=Columns)
    refused: list[RecordRefused] = []
    unknown: dict[str, int] = {}
    relative: bool = False
    seq: int | None = None
    boot: str = ""
    sent_us: int | None = None

    @property
    def rows(self) -> list[Row]:
        """Its readings, one by one."""
        return list(self.columns)

    @property
    def number(self) -> tuple[str, int] | None:
        """Boot and number, where both are known."""
        return (self.boot, self.seq) if self.boot and self.seq is not None else None

    @property
    def wholly_refused(self) -> bool:
        """Whether something was refused and nothing is left of it."""
        return bool(self.refused) and not self.columns


def pressure_units(registered: str) -> Mapping[str, float]:
    """Units in which a gauge's pressures may come, and their pascals.

    Parameters
    ----------
    registered : str
        The unit that the instrument is registered with.
    """
    try:
        symbol = pressure_unit(registered)
    except ValueError:
        return ALWAYS_UNITS
    return {**ALWAYS_UNITS, registered: PRESSURE_UNITS[symbol], symbol: PRESSURE_UNITS[symbol]}


def read(
    payload: bytes, arrived_us: int, units: Mapping[str, float], content_type: str | None = None
) -> Pack:
    """Decode a pack; what is refused of it, or all of it, is said in ``refused`` of the answer.

    Parameters
    ----------
    payload : bytes
    arrived_us : int
        When it arrived [µs].
    units : mapping
        The instrument's units of pressure, see `pressure_units`.
    content_type : str, optional
        As MQTT 5 gives it.
    """
    pack = Pack()
    records: Records = ()
    try:
        records = decode(payload, content_type)
        for item in resolve(records):
            _take(pack, item, arrived_us, units)
    except Refused as error:
        whole = Pack(refused=[RecordRefused(None, error.code, str(error))])
        whole.seq, whole.boot = _number_in(error.numbering if isinstance(error, TooManyRecords) else records)
        return whole
    return pack


def _take(
    pack: Pack, item: Resolved | tuple[int, Refused], arrived_us: int, units: Mapping[str, float]
) -> None:
    if not isinstance(item, Resolved):
        pack.refused.append(RecordRefused(item[0], item[1].code, str(item[1])))
        return
    try:
        if item.value is None and item.text is None and item.truth is None and item.data is None:
            _without_value(pack, item)
            return
        found = _reading(item, units)
        if found is None:
            _note(pack, item)
            return
        time_s = item.time_s
        if ABSOLUTE_S <= time_s < 1e11:
            time_us = round(time_s * US)
        elif -1e11 < time_s < ABSOLUTE_S:
            time_us = arrived_us + round(time_s * US)
            pack.relative = True
        else:
            raise Refused("not-finite", "A time is not a number that can be a time.")
        if time_us > arrived_us + AHEAD_US:
            raise Refused("time-ahead", "A time is more than 5 minutes ahead of its arrival.")
        if time_us < EARLIEST_US:
            raise Refused("time-old", "A time is before 2020.")
        quantity, place, value = found
        pack.columns.append((quantity, place, time_us, value))
    except Refused as error:
        pack.refused.append(RecordRefused(item.position, error.code, str(error)))


def _number_in(records: Records) -> tuple[int | None, str]:
    """Number and boot of a pack that is refused whole, so that its gateway can be told."""
    pack = Pack()
    for record in records:
        if isinstance(record, Refused) or record.n not in NUMBERING:
            continue
        with suppress(Refused):
            _note(pack, Resolved(0, "", record.n, None, 0.0, record.v, record.vs, record.vb, record.vd, None))
    return pack.seq, pack.boot


def name_of(item: Resolved) -> str:
    """The record's own name; a pack may also give the whole name as base name, then its last part counts."""
    return item.name or re.split("[:/]", item.base)[-1]


def _reading(item: Resolved, units: Mapping[str, float]) -> tuple[int, str, float] | None:
    """Quantity, place and value of a record with a name of the contract's; else None."""
    name = name_of(item)
    if name == "pressure":
        return Quantity.PRESSURE, "", _pressure(item, units)
    if name in _TRUTHS:
        return _TRUTHS[name], "", _truth(item)
    if name in _OTHERS:
        quantity, value = _OTHERS[name](item)
        return quantity, "", value
    if name.startswith("temperature.") and _PLACE.fullmatch(name, len("temperature.")):
        return Quantity.TEMPERATURE, name.removeprefix("temperature."), _kelvin(item)
    return None


_PLACE = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,39}")
_TRUTHS: Mapping[str, Quantity] = {
    "pump": Quantity.PUMP,
    "hands": Quantity.HANDS,
    "overrange": Quantity.OVERRANGE,
    "fault": Quantity.FAULT,
}
_VALVE: Mapping[str, Valve] = {state.name.lower(): state for state in Valve}


def _finite(item: Resolved) -> float:
    value = item.value
    if value is None or item.text is not None or item.truth is not None or item.data is not None:
        raise Refused("value", f"The record {clip(name_of(item))} needs a number, in v.")
    if not math.isfinite(value):
        raise Refused("not-finite", f"The value of {clip(name_of(item))} is not a finite number.")
    return value


def _pressure(item: Resolved, units: Mapping[str, float]) -> float:
    value = _finite(item)
    factor = units.get(item.unit) if item.unit is not None else None
    if factor is None:
        factor = _spelled_otherwise(item.unit, units)
    pressure_pa = value * factor
    if pressure_pa < LOWEST_PA:
        raise Refused("pressure-low", "An absolute pressure is below -5 Pa.")
    if pressure_pa > HIGHEST_PA:
        raise Refused("pressure-high", "A pressure is above 1.5 MPa.")
    return pressure_pa


def _spelled_otherwise(unit: str | None, units: Mapping[str, float]) -> float:
    """The registered unit in another spelling, such as microns; others only as the standards write them."""
    if unit is None:
        raise Refused("unit", "A pressure has no unit.")
    try:
        symbol = pressure_unit(unit)
    except ValueError:
        symbol = ""
    if symbol in units and symbol not in ALWAYS_UNITS:
        return units[symbol]
    raise Refused(
        "unit", f"The unit {clip(unit)} of a pressure is neither Pa, hPa, kPa nor the one that is registered."
    )


def _kelvin(item: Resolved) -> float:
    value = _finite(item)
    if item.unit not in ("Cel", "K"):
        raise Refused("unit", f"The unit {clip(item.unit or '')} of a temperature is neither Cel nor K.")
    temperature_k = to_kelvin(value, item.unit)
    if temperature_k < 0:
        raise Refused("temperature-low", "A temperature is below absolute zero.")
    return temperature_k


def _battery(item: Resolved) -> tuple[Quantity, float]:
    value = _finite(item)
    if item.unit == "%EL":
        return Quantity.BATTERY_SHARE, value / 100.0
    if item.unit == "V":
        return Quantity.BATTERY_VOLTS, value
    raise Refused("unit", f"The unit {clip(item.unit or '')} of a battery is neither %EL nor V.")


def _valve(item: Resolved) -> tuple[Quantity, float]:
    state = (
        _VALVE.get(item.text) if item.text is not None and item.value is None and item.truth is None else None
    )
    if state is None:
        raise Refused("value", "A valve reports open, closed, moving or unknown, in vs.")
    return Quantity.VALVE, float(state)


def _truth(item: Resolved) -> float:
    if item.truth is None or item.value is not None or item.text is not None or item.data is not None:
        raise Refused("value", f"The record {clip(name_of(item))} needs true or false, in vb.")
    return float(item.truth)


_OTHERS: Mapping[str, Callable[[Resolved], tuple[Quantity, float]]] = {
    "temperature": lambda item: (Quantity.TEMPERATURE, _kelvin(item)),
    "ambient": lambda item: (Quantity.AMBIENT, _kelvin(item)),
    "battery": _battery,
    "valve": _valve,
}


def _note(pack: Pack, item: Resolved) -> None:
    """What is no reading: the pack's number, its boot, when it was sent; other names are counted."""
    name = name_of(item)
    if name == "seq":
        value = _finite(item)
        if not (value.is_integer() and 0 <= value <= MAX_SEQ) or pack.seq not in (None, int(value)):
            raise Refused("value", "A pack has one number, whole and not negative, in seq.")
        pack.seq = int(value)
    elif name == "boot":
        if item.text is None or not 0 < len(item.text) <= MAX_TEXT or pack.boot not in ("", item.text):
            raise Refused("value", f"A pack has one boot, a text of 1 to {MAX_TEXT} characters.")
        pack.boot = item.text
    elif name == "sent":
        value = _finite(item)
        if not ABSOLUTE_S <= value < 1e11:
            raise Refused("value", "The time of sending is an absolute time.")
        pack.sent_us = round(value * US)
    else:
        _count(pack, name)


def _without_value(pack: Pack, item: Resolved) -> None:
    """A record may have a sum alone (RFC 8428, §4.2); there is none in the contract."""
    if item.sum is None:
        raise Refused("value", f"The record {clip(name_of(item))} has no value.")
    _count(pack, f"{name_of(item)[: MAX_TEXT - 6]} (sum)")


def _count(pack: Pack, name: str) -> None:
    pack.unknown[name[:MAX_TEXT]] = pack.unknown.get(name[:MAX_TEXT], 0) + 1


def clip(text: str) -> str:
    """A stranger's text, short and printable, for a message."""
    return ascii(text[:40])

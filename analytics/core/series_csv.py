"""Reading a log of a vacuum gauge from CSV, as people's loggers and spreadsheets write it."""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from model.clock import to_us
from model.errors import BadInput
from model.reading import Valve
from physics.constants import ATMOSPHERE_PA
from physics.units import MICRON_PA, pascals_per, to_kelvin

ABSOLUTE_S = 2.0**28
"""Times from here on are Unix times, smaller ones count from the start (RFC 8428, section 4.5.3)."""

LOWEST_PA, HIGHEST_PA = -5.0, 1.5e6
"""Outside this no gauge of the trade reads: the unit is wrong."""

_LATEST_S = 253_402_214_400.0
"""The last day of the calendar's year 9999 as Unix time; nothing is later."""

_NAMES = {
    "time": ("time", "timestamp", "datetime", "date", "elapsed", "t"),
    "pressure": ("pressure", "vacuum", "p"),
    "temperature": ("temperature", "temp"),
    "valve": ("valve",),
}
_TIME_UNITS = {
    "s": 1.0,
    "sec": 1.0,
    "seconds": 1.0,
    "ms": 1e-3,
    "min": 60.0,
    "minutes": 60.0,
    "h": 3600.0,
    "hours": 3600.0,
}
_OVER = {"ol", "over", "overrange", "over-range", "over range", "+++", "high", "hi"}
_VALVE = {"open": Valve.OPEN, "closed": Valve.CLOSED, "moving": Valve.MOVING, "unknown": Valve.UNKNOWN}
_HEADER = re.compile(r"^\s*(?P<name>[^(\[]*?)\s*(?:[(\[]\s*(?P<unit>[^)\]]*?)\s*[)\]])?\s*$")


@dataclass(frozen=True, slots=True)
class Row:
    """One row: time [µs], pressure [Pa] (None: over-range without a number), temperature [K], valve."""

    time_us: int
    pressure_pa: float | None
    over: bool
    temperature_k: float | None
    valve: Valve | None


@dataclass(frozen=True, slots=True)
class Series:
    """A log, sorted by time.

    Parameters
    ----------
    rows : tuple of Row
        At least two; of two pressures of one time the smaller comes first.
    absolute : bool
        Whether the times are of the calendar; else they count from the start.
    unit : str
        Unit in which the pressures were read.
    unit_assumed : bool
        Neither the header nor the caller named it.
    skipped : int
        Rows whose time or pressure could not be read; a pressure that is not finite is none.
    """

    rows: tuple[Row, ...]
    absolute: bool
    unit: str
    unit_assumed: bool
    skipped: int


@dataclass(frozen=True, slots=True)
class _Columns:
    index: dict[str, int]
    units: dict[str, str]


def read_series(path: Path, unit: str | None = None) -> Series:
    """Read a log.

    Parameters
    ----------
    path : Path
        CSV with a header that names ``time`` and ``pressure``, and perhaps ``temperature`` and ``valve``;
        units may stand there in brackets. Commas, semicolons or tabs divide the columns.
    unit : str, optional
        Unit of the pressures; it goes before what the header says.

    Raises
    ------
    BadInput
        One sentence that says what is wrong with the file, and in which line.
    """
    lines = _text(path).splitlines()
    first = next((i for i, line in enumerate(lines) if line.strip()), None)
    if first is None:
        raise BadInput(f"{path.name} is empty.")
    divider = _divider(lines[first])
    reader = csv.reader(io.StringIO("\n".join(lines[first:])), delimiter=divider)
    try:
        columns = _columns(path, next(reader))
        raw = list(_cells(reader, columns))
    except csv.Error as error:
        raise BadInput(f"{path.name} is no CSV file: {error}.") from None
    return _series(path, raw, columns, unit, divider, first)


def _text(path: Path) -> str:
    try:
        data = path.read_bytes()
    except OSError as error:
        raise BadInput(f"{path} cannot be read: {error.strerror or error}.") from None
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return data.decode("utf-16", errors="replace")
    if b"\0" in data:
        raise BadInput(f"{path.name} is no text file.")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("latin-1")


def _divider(header: str) -> str:
    return max(";\t,", key=header.count)


def _columns(path: Path, header: list[str]) -> _Columns:
    index: dict[str, int] = {}
    units: dict[str, str] = {}
    for position, cell in enumerate(header):
        match = _HEADER.match(cell)
        name = (match["name"] if match else cell).strip().casefold()
        for column, names in _NAMES.items():
            words = re.split(r"[\s_]+", name)
            if column not in index and (name in names or words[0] in names[:3]):
                index[column] = position
                named = match["unit"] if match and match["unit"] else ""
                units[column] = named or (words[-1] if len(words) > 1 else "")
    for column in ("time", "pressure"):
        if column not in index:
            found = ", ".join(repr(cell.strip()) for cell in header[:8])
            raise BadInput(
                f"{path.name} needs a header with columns called time and pressure; "
                f"its first line has {found}."
            )
    return _Columns(index, units)


def _cells(reader: Iterator[list[str]], columns: _Columns) -> Iterator[tuple[str, str, str, str]]:
    order = [columns.index.get(name, -1) for name in ("time", "pressure", "temperature", "valve")]
    for row in reader:
        cells = [row[i].strip() if 0 <= i < len(row) else "" for i in order]
        if any(cells):
            yield cells[0], cells[1], cells[2], cells[3]
        else:
            yield "", "", "", ""


def _series(
    path: Path,
    raw: list[tuple[str, str, str, str]],
    columns: _Columns,
    unit: str | None,
    divider: str,
    offset: int,
) -> Series:
    time_scale = _TIME_UNITS.get(columns.units["time"].casefold(), 1.0)
    header_unit = columns.units["pressure"]
    values = [_number(cells[1], divider) for cells in raw]
    named = unit or _known_unit(header_unit)
    chosen = named or _likely_unit([value for value in values if value is not None])
    factor = _factor(chosen)
    rows: list[Row] = []
    skipped = unread_pressures = 0
    trouble = ""
    for line, (cells, value) in enumerate(zip(raw, values, strict=True), start=offset + 2):
        if not any(cells):
            continue
        time_s = _time(cells[0], divider, time_scale)
        over = cells[1].casefold() in _OVER
        if time_s is None or (value is None and not over and not cells[3] and not cells[2]):
            skipped += 1
            what = f"{cells[0]!r} is no time" if time_s is None else f"{cells[1]!r} is no pressure"
            trouble = trouble or f"line {line}: {what}"
            continue
        if cells[1] and value is None and not over:
            unread_pressures += 1
        pressure = None if value is None else value * factor
        if pressure is not None and not LOWEST_PA <= pressure <= HIGHEST_PA:
            raise BadInput(
                f"{path.name}, line {line}: {cells[1]} {chosen} is no absolute pressure that a gauge reads; "
                "is the unit right?"
            )
        kelvin = _kelvin(_number(cells[2], divider), columns.units.get("temperature", ""))
        rows.append(Row(round(time_s * 1e6), pressure, over, kelvin, _VALVE.get(cells[3].casefold())))
    readings = sum(1 for row in rows if row.pressure_pa is not None or row.over)
    if readings < 2 or skipped > len(rows):
        because = f" ({trouble})" if trouble else ""
        raise BadInput(
            f"{path.name} has {readings} readable pressure readings, too few for a judgement{because}."
        )
    absolute = [row.time_us >= ABSOLUTE_S * 1e6 for row in rows]
    if any(absolute) != all(absolute):
        raise BadInput(f"{path.name} mixes times of the calendar with seconds from a start.")
    # Of two values for one time the smaller judges.
    rows.sort(key=lambda row: (row.time_us, math.inf if row.pressure_pa is None else row.pressure_pa))
    if rows[0].time_us == rows[-1].time_us:
        raise BadInput(f"{path.name} has one time only in all its rows.")
    return Series(tuple(rows), all(absolute), chosen, named is None, skipped + unread_pressures)


def _factor(unit: str) -> float:
    try:
        return pascals_per(unit)
    except ValueError as error:
        raise BadInput(f"{str(error)[0].upper()}{str(error)[1:]}.", field="unit") from None


def _known_unit(text: str) -> str | None:
    try:
        pascals_per(text)
    except ValueError:
        return None
    return text


def _likely_unit(values: list[float]) -> str:
    """Pascal, unless the log begins at an atmosphere that only microns make."""
    highest = max(values, default=0.0)
    return "micron" if 0.85 < highest * MICRON_PA / ATMOSPHERE_PA < 1.1 else "Pa"


def _number(text: str, divider: str) -> float | None:
    """A number as loggers and spreadsheets write it, or None."""
    plain = text.strip().replace("\u00a0", "").replace("\u202f", "").replace("\u2212", "-").replace(" ", "")
    if "," in plain:
        if "." in plain or (divider == "," and re.fullmatch(r"[+-]?\d{1,3}(,\d{3})+", plain)):
            plain = plain.replace(",", "")
        else:
            plain = plain.replace(",", ".", 1)
    try:
        value = float(plain)
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def _time(text: str, divider: str, scale: float) -> float | None:
    number = _number(text, divider)
    if number is not None:
        if number >= 1e11:  # Unix time in milliseconds
            number /= 1000.0
        elif number < ABSOLUTE_S:
            number *= scale
        return number if abs(number) < _LATEST_S else None
    try:
        moment = datetime.fromisoformat(text.strip().replace(",", "."))
    except ValueError:
        return None
    return to_us(moment if moment.tzinfo else moment.replace(tzinfo=UTC)) / 1e6


def _kelvin(value: float | None, unit: str) -> float | None:
    if value is None:
        return None
    name = unit.replace("°", "").strip().casefold()[:1] or ("k" if value > 200 else "c")
    if name == "f":
        return to_kelvin((value - 32.0) / 1.8, "Cel")
    return to_kelvin(value, "K" if name == "k" else "Cel")


def parse_time_us(text: str, series: Series) -> int:
    """A moment as the file writes its own: ISO 8601, Unix time, or seconds from the start [µs].

    Raises
    ------
    BadInput
        If it is none, or lies outside the file.
    """
    time_s = _time(text, ";", 1.0)
    if time_s is None:
        raise BadInput(f"{text!r} is no time; write ISO 8601, Unix time, or seconds from the start.")
    first_us, last_us = series.rows[0].time_us, series.rows[-1].time_us
    time_us = round(time_s * 1e6)
    if series.absolute and time_s < ABSOLUTE_S:
        time_us += first_us
    if not first_us <= time_us <= last_us:
        raise BadInput(f"{text!r} lies outside the times of the file.")
    return time_us

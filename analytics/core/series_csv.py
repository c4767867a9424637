"""Reading a log of a vacuum gauge from CSV, as people's loggers and spreadsheets write it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import chain
from pathlib import Path

import numpy as np

from analytics.core.logfile.header import Columns, find_header
from analytics.core.logfile.numbers import Numbers
from analytics.core.logfile.text import COMMENTS, Progress, cells_of, chunks
from analytics.core.logfile.times import ABSOLUTE_S, Times, read_one
from model.clock import US
from model.errors import BadInput
from model.reading import Valve
from physics.constants import ATMOSPHERE_PA
from physics.types import BoolArray, FloatArray, IntArray
from physics.units import MICRON_PA, pascals_per, pressure_unit, to_kelvin

LOWEST_PA, HIGHEST_PA = -5.0, 1.5e6
"""Outside this no gauge of the trade reads: the unit is wrong, or it is a code for something else."""

MOST_ROWS = 20_000_000
"""About 1.5 GB of memory; a reading a second for most of a year."""

_FEW_CODES = 0.1
"""Share of values that no gauge reads up to which they are taken for codes of faults."""

_NO_UNIT = {"", "abs", "absolute", "raw", "avg", "average", "mean", "filtered", "circuit", "system", "gauge"}
_VALVE = {
    "open": Valve.OPEN,
    "opened": Valve.OPEN,
    "closed": Valve.CLOSED,
    "close": Valve.CLOSED,
    "shut": Valve.CLOSED,
    "moving": Valve.MOVING,
    "unknown": Valve.UNKNOWN,
    "": None,
}
_NO_VALVE = -1


@dataclass(frozen=True, slots=True)
class Series:
    """A log, sorted by time.

    Parameters
    ----------
    time_us : ndarray of int64, shape (n,)
        Times [µs]; of two pressures of one time the smaller comes first.
    pressure_pa : ndarray, shape (n,)
        Pressures [Pa], NaN where a row has none.
    over : ndarray of bool, shape (n,)
        Rows that say over-range.
    temperature_k : ndarray, shape (n,), or None
        Temperatures [K], NaN where a row has none; None where no row has one.
    valve : ndarray of int8, shape (n,), or None
        What the valve reported, as `model.reading.Valve`, -1 where nothing.
    absolute : bool
        Whether the times are of the calendar; else they count from the start.
    unit : str
        Unit in which the pressures were read.
    unit_assumed : bool
        Neither the header nor the caller named it.
    skipped : int
        Rows whose time or pressure could not be read; a pressure that is not finite is none.
    remarks : tuple of str
        How the log was read where it could be read otherwise, in sentences.
    """

    time_us: IntArray
    pressure_pa: FloatArray
    over: BoolArray
    temperature_k: FloatArray | None
    valve: IntArray | None
    absolute: bool
    unit: str
    unit_assumed: bool
    skipped: int
    remarks: tuple[str, ...] = ()

    def __len__(self) -> int:
        return len(self.time_us)


def read_series(path: Path, unit: str | None = None, progress: Progress = lambda share: None) -> Series:
    """Read a log.

    Parameters
    ----------
    path : Path
        CSV with a header that names ``time`` and ``pressure``, and perhaps ``temperature`` and ``valve``;
        units may stand there in brackets. Commas, semicolons, tabs or blanks divide the columns. Packed with
        gzip or not, in UTF-8, UTF-16 or Latin-1, with any ends of lines; comments, and what a logger says of
        itself before the header, are passed over.
    unit : str, optional
        Unit of the pressures; it goes before what the header says.
    progress : callable, optional
        Told the share that has been read.

    Raises
    ------
    BadInput
        One sentence that says what is wrong with the file, and where possible in which line.
    """
    with chunks(path, progress) as parts:
        first = next(parts, [])
        if not any(line.strip() for line in first):
            raise BadInput(f"{path.name} is empty.")
        columns = find_header(first)
        if columns is None:
            raise BadInput(_no_header(path.name, first))
        _refuse_split_decimals(path.name, columns, first)
        table = _Table(path.name, columns, unit)
        for lines in chain([first[columns.line :]], parts):
            table.take(lines)
    return table.series()


def _no_header(name: str, lines: list[str]) -> str:
    line = next(line for line in lines if line.strip())
    divider = max(";\t,", key=line.count)
    found = ", ".join(repr(cell[:40]) for cell in cells_of(line, divider)[:8])
    return f"{name} needs a header with columns called time and pressure; its first line has {found}."


def _refuse_split_decimals(name: str, columns: Columns, lines: list[str]) -> None:
    """Decimal commas in columns that commas divide: nobody can tell which comma is which."""
    if columns.divider != ",":
        return
    counts = [
        len([cell for cell in cells_of(line, ",") if cell]) for line in lines[columns.line :][:1000] if line
    ]
    if sum(1 for count in counts if count > len(columns.names)) > len(counts) / 2:
        raise BadInput(
            f"{name} has more cells in its rows than names in its header; with decimal commas, divide the "
            "columns by semicolons or tabs."
        )


@dataclass(slots=True)
class _Table:
    """The columns of a log while it is read."""

    name: str
    columns: Columns
    unit: str | None
    lines: int = 0
    times: Times = field(init=False)
    numbers: Numbers = field(init=False)
    degrees: Numbers = field(init=False)
    factor: float = 1.0
    pressures: list[FloatArray] = field(default_factory=list)
    overs: list[BoolArray] = field(default_factory=list)
    kelvins: list[FloatArray] = field(default_factory=list)
    valves: list[IntArray] = field(default_factory=list)
    said: list[BoolArray] = field(default_factory=list)
    """Rows with anything in them but a time that can be read or a pressure that cannot."""
    units: set[str] = field(default_factory=set)
    valve_words: set[str] = field(default_factory=set)
    unread: int = 0
    trouble: str = ""

    def __post_init__(self) -> None:
        divider = self.columns.divider
        self.times = Times(self.name, self.columns.time_unit, divider)
        self.numbers = Numbers(self.name, divider)
        self.degrees = Numbers(self.name, divider)
        self.unit = self.unit or self._header_unit()
        self.factor = 1.0 if self.unit is None else _factor(self.unit)
        self.lines = self.columns.line

    def _header_unit(self) -> str | None:
        written = self.columns.pressure_unit
        try:
            return pressure_unit(written)
        except ValueError:
            if written.strip().casefold() in _NO_UNIT:
                return None
        raise BadInput(
            f"{self.name} has pressures in {written!r}, which is no known unit of absolute pressure; if "
            "it means one, name that with --unit."
        )

    def take(self, lines: list[str]) -> None:
        """Take the next lines."""
        columns = self.columns
        pairs = [
            (at, cells_of(line, columns.divider))
            for at, line in enumerate(lines, start=self.lines + 1)
            if not _passed_over(line)
        ]
        self.lines += len(lines)
        # Logs that were joined repeat their header.
        pairs = [(at, row) for at, row in pairs if row != columns.names and any(row)]
        if not pairs:
            return
        if sum(map(len, self.pressures)) + len(pairs) > MOST_ROWS:
            raise BadInput(f"{self.name} has more than {MOST_ROWS} rows; cut it, or thin it out.")
        rows = [row for _, row in pairs]
        cells = self._column(rows, columns.time)
        if columns.date >= 0:
            dates = self._column(rows, columns.date)
            cells = [f"{day} {clock}" for day, clock in zip(dates, cells, strict=True)]
        timed = self.times.read(cells)
        texts = self._column(rows, columns.pressure)
        values, over = self.numbers.read(texts, self.factor)
        over = np.zeros(len(rows), dtype=bool) if over is None else over
        known = ~np.isnan(values) | over
        other = self._others(rows)
        self._complain(timed, known | other, pairs, cells, texts)
        self.unread += int(
            np.count_nonzero(timed & other & ~known & np.array([text != "" for text in texts]))
        )
        self.pressures.append(values)
        self.overs.append(over)
        self.said.append(known | other)

    def _others(self, rows: list[list[str]]) -> BoolArray:
        """Take the other columns; returns which rows have anything in them."""
        columns, other = self.columns, np.zeros(len(rows), dtype=bool)
        if columns.unit >= 0:
            self.units |= set(self._column(rows, columns.unit)) - {""}
        if columns.temperature >= 0:
            kelvin, _ = self.degrees.read(self._column(rows, columns.temperature))
            self.kelvins.append(_kelvin(kelvin, columns.temperature_unit))
            other |= ~np.isnan(kelvin)
        if columns.valve >= 0:
            words = [word.casefold() for word in self._column(rows, columns.valve)]
            self.valve_words |= set(words) if len(self.valve_words) < 20 else set()
            valve = [_NO_VALVE if (said := _VALVE.get(word)) is None else int(said) for word in words]
            self.valves.append(np.array(valve, dtype=np.int8))
            other |= self.valves[-1] != _NO_VALVE
        return other

    def _column(self, rows: list[list[str]], at: int) -> list[str]:
        return [row[at] if at < len(row) else "" for row in rows]

    def _complain(
        self,
        timed: BoolArray,
        used: BoolArray,
        pairs: list[tuple[int, list[str]]],
        times: list[str],
        pressures: list[str],
    ) -> None:
        """Remember the first row that could not be read."""
        bad = np.flatnonzero(~(timed & used))
        if self.trouble or not len(bad):
            return
        first = int(bad[0])
        what = (
            f"{pressures[first][:40]!r} is no pressure"
            if timed[first]
            else f"{times[first][:40]!r} is no time"
        )
        self.trouble = f"line {pairs[first][0]}: {what}"

    # The whole ---------------------------------------------------------------------------------------------

    def series(self) -> Series:
        """Put the columns together.

        Raises
        ------
        BadInput
            If too little can be read, or what can be read makes no sense.
        """
        if not self.pressures:
            raise BadInput(self._too_few(0))
        time_us, timed = self.times.finish()
        pressure, over = np.concatenate(self.pressures), np.concatenate(self.overs)
        use = timed & np.concatenate(self.said)
        unit, assumed, factor = self._unit(pressure[use])
        pressure *= factor
        unread = self.unread + self._drop_codes(pressure, over, use, unit)
        skipped = int(len(use) - np.count_nonzero(use))
        readings = int(np.count_nonzero(use & (~np.isnan(pressure) | over)))
        if readings < 2 or skipped > np.count_nonzero(use):
            raise BadInput(self._too_few(readings))
        time_us = _spread(time_us, use, self.times.remarks)
        order = np.flatnonzero(use)
        # Of two values for one time the smaller judges.
        order = order[
            np.lexsort((np.where(np.isnan(pressure[order]), np.inf, pressure[order]), time_us[order]))
        ]
        if time_us[order[0]] == time_us[order[-1]]:
            raise BadInput(f"{self.name} has one time only in all its rows.")
        return Series(
            time_us[order],
            pressure[order],
            over[order],
            _chosen(self.kelvins, order),
            self._chosen_valve(order),
            self.times.absolute,
            unit,
            assumed,
            skipped + unread,
            (*self.times.remarks, *self._remarks()),
        )

    def _too_few(self, readings: int) -> str:
        because = f" ({self.trouble})" if self.trouble else ""
        return f"{self.name} has {readings} readable pressure readings, too few for a judgement{because}."

    def _unit(self, values: FloatArray) -> tuple[str, bool, float]:
        """Unit of the pressures, whether it is assumed, and by what is still to be multiplied."""
        if self.unit is not None:
            return self.unit, False, 1.0
        if len(self.units) > 1:
            named = ", ".join(sorted(self.units)[:4])
            raise BadInput(f"{self.name} mixes units in its column of units ({named}).")
        if self.units:
            unit = next(iter(self.units))
            return unit, False, _factor(unit)
        if self.numbers.unit_seen:
            return "Pa", False, 1.0
        unit = _likely_unit(values)
        return unit, True, _factor(unit)

    def _drop_codes(self, pressure: FloatArray, over: BoolArray, use: BoolArray, unit: str) -> int:
        """Blank out values that no gauge reads; returns how many those were."""
        wrong = use & ((pressure < LOWEST_PA) | (pressure > HIGHEST_PA))
        count = int(np.count_nonzero(wrong))
        if count > _FEW_CODES * np.count_nonzero(use & ~np.isnan(pressure)):
            value = float(pressure[np.flatnonzero(wrong)[0]]) / pascals_per(unit)
            raise BadInput(
                f"{self.name}: {value:.6g} {unit} is no absolute pressure that a gauge reads; is the "
                "unit right?"
            )
        pressure[wrong] = np.nan
        return count

    def _chosen_valve(self, order: IntArray) -> IntArray | None:
        words = self.valve_words - {""}
        if words and not words & set(_VALVE):
            raise BadInput(
                f"{self.name} has {min(words)[:40]!r} in its column of the valve; write open or closed "
                "there, or call the column something else."
            )
        if not self.valves or not any((part != _NO_VALVE).any() for part in self.valves):
            return None
        valve: IntArray = np.concatenate(self.valves)[order]
        return valve

    def _remarks(self) -> Iterator[str]:
        columns = self.columns
        if columns.pressures > 1:
            name = columns.names[columns.pressure]
            yield f"It has {columns.pressures} columns of pressures; {name!r} was taken."


def _passed_over(line: str) -> bool:
    return not line or line.isspace() or line.lstrip().startswith(COMMENTS)


def _chosen(parts: list[FloatArray], order: IntArray) -> FloatArray | None:
    if not parts or all(np.isnan(part).all() for part in parts):
        return None
    chosen: FloatArray = np.concatenate(parts)[order]
    return chosen


def _spread(time_us: IntArray, use: BoolArray, remarks: list[str]) -> IntArray:
    """Spread readings that share a time because it is written in whole seconds or minutes.

    Only where the log is in order and most times carry several readings.
    """
    rows = np.flatnonzero(use)
    times = time_us[rows]
    steps = np.diff(times)
    if len(rows) < 10 or (steps < 0).any():
        return time_us
    starts = np.flatnonzero(np.concatenate(([True], steps > 0)))
    counts = np.diff(np.concatenate((starts, [len(times)])))
    if len(starts) < 3 or np.count_nonzero(counts > 1) <= 0.5 * len(starts):
        return time_us
    ticks = np.diff(times[starts])
    tick = int(np.median(ticks))
    lengths = np.minimum(np.append(ticks, tick), tick)
    place = np.arange(len(times)) - np.repeat(starts, counts)
    spread = time_us.copy()
    spread[rows] = times + place * np.repeat(lengths, counts) // np.repeat(counts, counts)
    remarks.append(
        f"Its times are written in steps of {tick / US:.6g} s with several readings each: spread evenly."
    )
    return spread


def _factor(unit: str) -> float:
    try:
        return pascals_per(unit)
    except ValueError as error:
        raise BadInput(f"{str(error)[0].upper()}{str(error)[1:]}.", field="unit") from None


def _likely_unit(values: FloatArray) -> str:
    """Pascal, unless the log begins at an atmosphere that only microns make."""
    known = values[np.isfinite(values)]
    # One odd value is no atmosphere.
    highest = float(np.partition(known, -3)[-3]) if len(known) > 3 else float(np.max(known, initial=0.0))
    return "micron" if 0.85 < highest * MICRON_PA / ATMOSPHERE_PA < 1.1 else "Pa"


def _kelvin(values: FloatArray, unit: str) -> FloatArray:
    name = (
        unit.casefold().replace("°", "").replace("deg", "").replace("rees", "").replace("ree", "").strip()[:1]
    )
    if not name:
        known = values[np.isfinite(values)]
        name = "k" if len(known) and float(np.median(known)) > 200 else "c"
    if name == "f":
        return to_kelvin((values - 32.0) / 1.8, "Cel")
    return to_kelvin(values, "K" if name == "k" else "Cel")


def parse_time_us(text: str, series: Series) -> int:
    """A moment as the file writes its own: ISO 8601, Unix time, or seconds from the start [µs].

    Raises
    ------
    BadInput
        If it is none, or lies outside the file.
    """
    time_us, absolute = read_one(text)
    first_us, last_us = int(series.time_us[0]), int(series.time_us[-1])
    if series.absolute and not absolute and time_us < ABSOLUTE_S * US:
        time_us += first_us
    if not first_us <= time_us <= last_us:
        raise BadInput(f"{text!r} lies outside the times of the file.")
    return time_us

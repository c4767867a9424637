"""A column of times as loggers and spreadsheets write them."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta

import numpy as np

from analytics.core.logfile.numbers import Numbers
from model.clock import US
from model.errors import BadInput
from physics.types import BoolArray, FloatArray, IntArray

ABSOLUTE_S = 2.0**28
"""Times from here on are Unix times, smaller ones count from the start (RFC 8428, section 4.5.3)."""

LATEST_S = 253_402_214_400.0
"""The last day of the calendar's year 9999 as Unix time; nothing is later."""

UNITS_S = {
    "s": 1.0, "sec": 1.0, "secs": 1.0, "second": 1.0, "seconds": 1.0, "sekunden": 1.0,
    "ms": 1e-3, "msec": 1e-3, "milliseconds": 1e-3, "us": 1e-6, "µs": 1e-6,
    "min": 60.0, "mins": 60.0, "minute": 60.0, "minutes": 60.0, "minuten": 60.0,
    "h": 3600.0, "hr": 3600.0, "hrs": 3600.0, "hour": 3600.0, "hours": 3600.0, "stunden": 3600.0,
    "d": 86_400.0, "day": 86_400.0, "days": 86_400.0,
}  # fmt: skip

NOTHING, ELAPSED, UNIX, CLOCK, TWO_PART, LOCAL, OFFSET = range(7)
_KINDS = {
    ELAPSED: "seconds from a start",
    UNIX: "Unix times",
    CLOCK: "times of day",
    TWO_PART: "times of day",
    LOCAL: "dates without an offset",
    OFFSET: "dates with an offset",
}
_FEW = 0.01
"""Share of times of another kind that is put down to damaged lines."""

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_EPOCH_LOCAL = datetime(1970, 1, 1)  # noqa: DTZ001 - what has no offset is compared with what has none
_DAY_US = 86_400 * US

_CLOCK = (
    r"(?P<h>\d{1,4}):(?P<m>[0-5]\d)(?::(?P<s>[0-5]\d|60)(?:[.,:](?P<f>\d{1,9}))?)?\s*(?P<half>[ap]\.?m\.?)?"
)
_ZONE = r"\s*(?P<zone>z|utc|gmt|[+-]\d{2}:?\d{2})?"
_REST = rf"(?:[t\s,;_]+{_CLOCK}{_ZONE})?$"
_MONTH = r"(?P<name>jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec)[a-z]*\.?"
_MONTHS = ["jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"]
_WEEKDAY = r"(?:(?:mon|tue|wed|thu|fri|sat|sun)[a-z]*\.?,?\s+)?"
_ONLY_CLOCK = re.compile(rf"^{_CLOCK}$", re.I)
_TWO_PART = re.compile(r"^(\d{1,4}):([0-5]\d(?:[.,]\d+)?)$")
_DATES = tuple(
    re.compile(pattern, re.I)
    for pattern in (
        rf"^(?P<y>\d{{4}})[-/.](?P<mo>\d{{1,2}})[-/.](?P<d>\d{{1,2}}){_REST}",
        rf"^(?P<y>\d{{4}})(?P<mo>\d{{2}})(?P<d>\d{{2}}){_REST}",
        rf"^(?P<a>\d{{1,2}})(?P<mark>[./-])(?P<b>\d{{1,2}})(?P=mark)(?P<y>\d{{4}}|\d{{2}}){_REST}",
        rf"^(?P<d>\d{{1,2}})[\s-]+{_MONTH}[\s,-]+(?P<y>\d{{4}}){_REST}",
        rf"^{_WEEKDAY}{_MONTH}\s+(?P<d>\d{{1,2}}),?\s+(?P<y>\d{{4}}){_REST}",
        rf"^{_WEEKDAY}{_MONTH}\s+(?P<d>\d{{1,2}})\s+{_CLOCK}{_ZONE}\s+(?P<y>\d{{4}})$",
    )
)


@dataclass(slots=True)
class Times:
    """Reads one column, chunk by chunk; what the whole column must tell is decided in `finish`.

    Parameters
    ----------
    name : str
        The file, for errors.
    unit : str
        Unit of plain numbers, as the header writes it; empty where it names none.
    divider : str
        What divides the columns.
    """

    name: str
    unit: str
    divider: str
    remarks: list[str] = field(default_factory=list)
    absolute: bool = False
    _values: list[IntArray] = field(default_factory=list)
    _kinds: list[IntArray] = field(default_factory=list)
    _days: list[IntArray] = field(default_factory=list)
    _open: dict[str, int] = field(default_factory=dict)
    """Dates whose day and month the whole column must tell, by their text."""
    _numbers: Numbers | None = None
    _examples: dict[int, str] = field(default_factory=dict)

    def read(self, cells: list[str]) -> BoolArray:
        """Take the next rows; returns which of them have a time."""
        n = len(cells)
        day: IntArray = np.full(n, -1, dtype=np.int32)
        try:
            value, kind = self._plain(np.array(list(map(float, cells)), dtype=np.float64))
        except ValueError:
            value, kind = np.zeros(n, dtype=np.int64), np.zeros(n, dtype=np.int8)
            for i, cell in enumerate(cells):
                value[i], kind[i], day[i] = self._one(cell)
            self._words(cells, value, kind)
        for one in np.unique(kind).tolist():
            if one != NOTHING and one not in self._examples:
                self._examples[one] = cells[int(np.argmax(kind == one))]
        self._values.append(value)
        self._kinds.append(kind)
        self._days.append(day)
        return np.asarray(kind != NOTHING)

    def _words(self, cells: list[str], value: IntArray, kind: IntArray) -> None:
        """Numbers among cells that are not all plain numbers, such as those with decimal commas."""
        left = [
            i
            for i in np.flatnonzero(kind == NOTHING).tolist()
            if cells[i][:1] in "+-.0123456789" and cells[i]
        ]
        if left:
            self._numbers = self._numbers or Numbers(self.name, self.divider)
            numbers, _ = self._numbers.read([cells[i] for i in left])
            value[left], kind[left] = self._plain(numbers)

    def _plain(self, numbers: FloatArray) -> tuple[IntArray, IntArray]:
        """Plain numbers [µs] and their kinds; their size tells Unix times from seconds of a start."""
        scale = UNITS_S.get(self.unit.casefold().strip("."), 1.0)
        finite = np.where(np.isfinite(numbers), numbers, 0.0)
        size = np.abs(finite)
        unix = np.select(
            [size >= 1e17, size >= 1e14, size >= 1e11], [finite / 1e9, finite / 1e6, finite / 1e3], finite
        )
        elapsed = finite * scale
        absolute = (np.abs(elapsed) >= ABSOLUTE_S) & (unix >= ABSOLUTE_S)
        seconds = np.where(absolute, unix, elapsed)
        good = np.isfinite(numbers) & (np.abs(seconds) < LATEST_S)
        value = np.round(np.where(good, seconds, 0.0) * 1e6).astype(np.int64)
        kind = np.where(good, np.where(absolute, UNIX, ELAPSED), NOTHING)
        return value, kind.astype(np.int8)

    def _one(self, cell: str) -> tuple[int, int, int]:
        """Value [µs], kind, and index of a date that is still open; numbers are left to `_words`."""
        if len(cell) >= 10 and cell[4:5] == "-":
            try:
                moment = datetime.fromisoformat(cell)
            except ValueError:
                pass
            else:
                if moment.tzinfo is None:
                    return _us(moment - _EPOCH_LOCAL), LOCAL, -1
                return _us(moment - _EPOCH), OFFSET, -1
        if len(cell) > 60 or not cell[:1].isalnum() or (":" not in cell and len(cell) < 6):
            return 0, NOTHING, -1
        if found := _TWO_PART.match(cell):
            return self._two_part(found)
        if found := _ONLY_CLOCK.match(cell):
            return _clock_us(found), CLOCK, -1
        for pattern in _DATES:
            if found := pattern.match(cell):
                return self._dated(found)
        return 0, NOTHING, -1

    def _two_part(self, found: re.Match[str]) -> tuple[int, int, int]:
        first, second = int(found[1]), float(found[2].replace(",", "."))
        unit = self.unit.casefold()
        if ("mm:ss" in unit and "hh" not in unit) or "." in found[2] or "," in found[2]:
            return round((60 * first + second) * US), CLOCK, -1
        return round((3600 * first + 60 * second) * US), CLOCK if "hh" in unit else TWO_PART, -1

    def _dated(self, found: re.Match[str]) -> tuple[int, int, int]:
        groups = found.groupdict()
        hours = groups["h"]
        clock_us = 0 if hours is None else _clock_us(found)
        if clock_us >= _DAY_US:
            return 0, NOTHING, -1
        zone_us, kind = _zone_us(groups["zone"])
        if groups.get("a") is not None:
            text = f"{groups['a']}{groups['mark']}{groups['b']}{groups['mark']}{groups['y']}"
            return clock_us - zone_us, kind, self._open.setdefault(text, len(self._open))
        month = groups.get("mo")
        number = int(month) if month else _MONTHS.index(groups["name"].casefold()) + 1
        try:
            days = date(int(groups["y"]), number, int(groups["d"])).toordinal() - date(1970, 1, 1).toordinal()
        except ValueError:
            return 0, NOTHING, -1
        return days * _DAY_US + clock_us - zone_us, kind, -1

    # What the whole column tells ---------------------------------------------------------------------------

    def finish(self) -> tuple[IntArray, BoolArray]:
        """Times [µs] of all rows, in their order, and which of them are times.

        Raises
        ------
        BadInput
            If the column mixes kinds of times, or its dates can be read in two ways.
        """
        value, kind, day = (np.concatenate(parts) for parts in (self._values, self._kinds, self._days))
        self._values, self._kinds, self._days = [], [], []
        good: BoolArray = kind != NOTHING
        if not good.any():
            return value, good
        main = self._main_kind(kind)
        good = kind == main
        if self._open:
            offsets, valid = self._resolved()
            dated = day >= 0
            value[dated] += offsets[day[dated]]
            good &= ~dated | valid[np.maximum(day, 0)]
        self.absolute = main in (UNIX, LOCAL, OFFSET)
        if main == CLOCK:
            _past_midnight(value, good)
        if main == LOCAL:
            self.remarks.append("Its times name no offset and are read as UTC.")
            self._clocks_set_back(value, good)
        return value, good

    def _main_kind(self, kind: IntArray) -> int:
        counts = {one: int(np.count_nonzero(kind == one)) for one in _KINDS}
        main = max(counts, key=lambda one: counts[one])
        for other, count in counts.items():
            if other != main and count > _FEW * counts[main]:
                raise BadInput(
                    f"{self.name} mixes times of different kinds: {self._examples[main]!r} ({_KINDS[main]}) "
                    f"and {self._examples[other]!r} ({_KINDS[other]})."
                )
        if main == TWO_PART:
            raise BadInput(
                f"{self.name}: {self._examples[main]!r} may be hours and minutes or minutes and seconds; "
                "write times as 10:05:00, or name the column 'time (mm:ss)'."
            )
        return main

    def _resolved(self) -> tuple[IntArray, BoolArray]:
        """For each open date its days from 1970 [µs], and whether it is one."""
        parts = [re.split(r"([./-])", text) for text in self._open]
        dotted = all(part[1] == "." for part in parts)
        firsts, seconds = ([int(part[i]) for part in parts] for i in (0, 2))
        if not dotted and any(len(part[4]) == 2 for part in parts):
            raise BadInput(
                f"{self.name}: {next(iter(self._open))!r} does not say which part is the year; write "
                "dates as 2026-04-03."
            )
        day_first, month_first = any(a > 12 for a in firsts), any(b > 12 for b in seconds)
        if not dotted and day_first and month_first:
            raise BadInput(
                f"{self.name} has dates in which the day comes first and others in which it does not."
            )
        if not dotted and not day_first and not month_first and firsts != seconds:
            text = next(t for t, a, b in zip(self._open, firsts, seconds, strict=True) if a != b)
            raise BadInput(
                f"{self.name}: {text!r} may have the day first or the month; write dates as 2026-04-03."
            )
        offsets = np.zeros(len(parts), dtype=np.int64)
        valid = np.zeros(len(parts), dtype=bool)
        for i, (a, b, part) in enumerate(zip(firsts, seconds, parts, strict=True)):
            d, month = (b, a) if month_first and not dotted else (a, b)
            year = int(part[4]) + (2000 if len(part[4]) == 2 else 0)
            try:
                offsets[i] = (date(year, month, d).toordinal() - date(1970, 1, 1).toordinal()) * _DAY_US
                valid[i] = True
            except ValueError:
                continue
        return offsets, valid

    def _clocks_set_back(self, value: IntArray, good: BoolArray) -> None:
        """Undo the end of daylight saving: one step back of an hour at night, the rest in order."""
        rows = np.flatnonzero(good)
        local = value[rows]
        steps = np.diff(local)
        back = np.flatnonzero(steps < 0)
        if len(back) != 1:
            return
        at = int(back[0])
        usual = int(np.median(steps[steps >= 0])) if (steps >= 0).any() else 0
        before = _EPOCH + timedelta(microseconds=int(local[at]))
        an_hour = abs(steps[at] + 3600 * US - usual) <= max(2 * usual, 60 * US) and usual < 1800 * US
        if an_hour and before.month in (3, 4, 9, 10, 11) and 0 <= before.hour <= 3:
            value[rows[at + 1 :]] += 3600 * US
            self.remarks.append(
                f"At {before:%Y-%m-%d %H:%M:%S} its times go back by an hour: read as clocks set back."
            )


def _past_midnight(value: IntArray, good: BoolArray) -> None:
    """Times of day that begin again go on with the next day."""
    rows = np.flatnonzero(good)
    wraps = np.diff(value[rows], prepend=value[rows[:1]]) < -_DAY_US // 2
    value[rows] += np.cumsum(wraps) * _DAY_US


def _clock_us(found: re.Match[str]) -> int:
    hours = int(found["h"])
    if half := found["half"]:
        hours = hours % 12 + (12 if half[0] in "pP" else 0)
    fraction = (found["f"] or "").ljust(6, "0")[:6]
    return ((hours * 60 + int(found["m"])) * 60 + int(found["s"] or 0)) * US + int(fraction)


def _zone_us(zone: str | None) -> tuple[int, int]:
    if zone is None:
        return 0, LOCAL
    if zone[0] not in "+-":
        return 0, OFFSET
    minutes = 60 * int(zone[1:3]) + int(zone[-2:])
    return (-1 if zone[0] == "-" else 1) * minutes * 60 * US, OFFSET


def _us(span: timedelta) -> int:
    return (span.days * 86_400 + span.seconds) * US + span.microseconds


def read_one(text: str, unit: str = "") -> tuple[int, bool]:
    """One time as a log writes its own [µs], and whether it is of the calendar.

    Raises
    ------
    BadInput
        If it is none, or can be read in two ways.
    """
    times = Times("the option", unit, ";")
    times.read([text.strip()])
    value, good = times.finish()
    if not good[0]:
        raise BadInput(f"{text!r} is no time; write ISO 8601, Unix time, or seconds from the start.")
    return int(value[0]), times.absolute

"""Which column of a log is what, from the line that names them."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass

from analytics.core.logfile.text import COMMENTS, WHITESPACE, cells_of
from physics.units import pressure_unit

MOST_LINES_BEFORE = 500
"""Lines that may stand before the header: what a logger says of itself."""

_DIVIDERS = (";", "\t", ",", "|", WHITESPACE)
_TIME = {
    "time", "timestamp", "datetime", "elapsed", "clock", "unixtime", "epoch", "runtime", "seconds",
    "zeit", "uhrzeit", "zeitstempel", "temps", "heure", "hora", "tiempo",
}  # fmt: skip
_DATE = {"date", "datum", "fecha"}
_PRESSURE = {"pressure", "vacuum", "druck", "vakuum", "pression", "vide", "presion", "vacio"}
_TEMPERATURE = {"temperature", "temp", "temperatur", "temperatura"}
_VALVE = {"valve", "ventil", "vanne", "valvula"}
_NOT_A_READING = {
    "unit", "units", "status", "state", "error", "setpoint", "set", "target", "limit", "rate", "change",
    "name", "id", "min", "max", "zone", "offset", "step", "date",
}  # fmt: skip
_UNIT_NAMES = {"unit", "units", "pressure unit", "pressure units", "einheit"}
_BRACKETS = re.compile(r"^(?P<name>.*?)\s*[(\[{]\s*(?P<unit>[^)\]}]*?)\s*[)\]}]\s*\S*$")


@dataclass(frozen=True, slots=True)
class Columns:
    """Where the columns are; -1 where there is none.

    Parameters
    ----------
    line : int
        Number of the header's line, from 1.
    divider : str
        What divides cells; empty: blanks.
    names : list of str
        All columns as they are called.
    date : int
        A column of dates beside one of times of day.
    time_unit, pressure_unit, temperature_unit : str
        As written in the header; empty where none is.
    pressures : int
        How many columns look like pressures.
    """

    line: int
    divider: str
    names: list[str]
    time: int
    date: int
    pressure: int
    temperature: int
    valve: int
    unit: int
    time_unit: str
    pressure_unit: str
    temperature_unit: str
    pressures: int


@dataclass(frozen=True, slots=True)
class _Name:
    words: frozenset[str]
    whole: str
    unit: str


def find_header(lines: list[str]) -> Columns | None:
    """Find the first line that names a time and a pressure, among those that may stand before the data.

    Header lines in comments count: many programs write them so.
    """
    for at, line in enumerate(lines[:MOST_LINES_BEFORE]):
        plain = uncommented(line)
        if not plain:
            continue
        for divider in _DIVIDERS:
            if divider and divider not in plain:
                continue
            columns = _columns(at + 1, divider, cells_of(plain, divider))
            if columns is not None and (divider or _fits(columns, lines[at + 1 :])):
                return columns
    return None


def uncommented(line: str) -> str:
    """A line without the mark of a comment."""
    plain = line.strip().lstrip("\ufeff").strip()
    for mark in COMMENTS:
        if plain.startswith(mark):
            return plain.lstrip(mark).strip()
    return plain


def _fits(columns: Columns, after: list[str]) -> bool:
    """Whether words with blanks between them are a header: the next line has as many cells, with figures."""
    for line in after:
        if line.strip() and not line.lstrip().startswith(COMMENTS):
            cells = cells_of(line, columns.divider)
            return len(cells) == len(columns.names) and any(c.isdigit() for c in cells[columns.pressure])
    return False


def _columns(line: int, divider: str, cells: list[str]) -> Columns | None:
    names = [_named(cell) for cell in cells]
    pressures = [i for i, name in enumerate(names) if _is_pressure(name)]
    times = [i for i, name in enumerate(names) if i not in pressures and _is_time(name)]
    dates = [i for i, name in enumerate(names) if name.words & _DATE and not name.words & _TIME]
    if not pressures or not (times or dates):
        return None
    time = times[0] if times else dates[0]
    pressure = pressures[0]
    temperatures = [i for i, name in enumerate(names) if _is(name, _TEMPERATURE) and i != pressure]
    own = [i for i in temperatures if not names[i].words & {"ambient", "room", "air"}]
    temperature = (own or temperatures or [-1])[0]
    return Columns(
        line,
        divider,
        cells,
        time=time,
        date=dates[0] if times and dates else -1,
        pressure=pressure,
        temperature=temperature,
        valve=next((i for i, name in enumerate(names) if _is(name, _VALVE)), -1),
        unit=next((i for i, name in enumerate(names) if name.whole in _UNIT_NAMES), -1),
        time_unit=names[time].unit,
        pressure_unit=names[pressure].unit,
        temperature_unit="" if temperature < 0 else names[temperature].unit,
        pressures=len(pressures),
    )


def _named(cell: str) -> _Name:
    text = cell.strip().strip('"').strip()
    unit = ""
    if found := _BRACKETS.match(text):
        text, unit = found["name"], found["unit"]
    elif "/" in text:
        before, _, after = text.rpartition("/")
        # "p/Pa" after ISO 80000, but "Date/Time" is none.
        if _plain(after) not in _TIME | _DATE:
            text, unit = before, after.strip()
    parts = [part for part in re.split(r"[\s_\-.:,/]+", _plain(text)) if part]
    if not unit and len(parts) > 1 and (_known_pressure(parts[-1]) or parts[-1] in _TAILS):
        unit = re.split(r"[\s_\-.:,/]+", text.strip())[-1]
        parts = parts[:-2] if parts[-2] == "in" else parts[:-1]
    whole = " ".join(parts)
    return _Name(frozenset(parts), whole, unit or (text.strip() if _known_pressure(whole) else ""))


_TAILS = {
    "s",
    "sec",
    "seconds",
    "ms",
    "min",
    "minutes",
    "h",
    "hours",
    "c",
    "f",
    "k",
    "degc",
    "degf",
    "°c",
    "°f",
}


def _plain(text: str) -> str:
    """In small letters, without accents."""
    return "".join(
        c for c in unicodedata.normalize("NFKD", text.strip().casefold()) if not unicodedata.combining(c)
    )


def _known_pressure(text: str) -> bool:
    try:
        pressure_unit(text)
    except ValueError:
        return False
    return True


def _is(name: _Name, words: set[str]) -> bool:
    return bool(name.words & words) and not name.words & _NOT_A_READING


def _is_pressure(name: _Name) -> bool:
    return _is(name, _PRESSURE) or name.whole == "p" or _known_pressure(name.whole)


def _is_time(name: _Name) -> bool:
    return name.whole == "t" or bool(name.words & _TIME and not name.words & (_NOT_A_READING - {"date"}))

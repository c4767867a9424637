"""A column of numbers as loggers and spreadsheets write them."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

import numpy as np

from model.errors import BadInput
from physics.types import BoolArray, FloatArray
from physics.units import pascals_per

_OVER = {
    "ol", "o.l", "o.l.", "over", "overrange", "over-range", "over range", "overload", "+++", "++++", "high",
    "hi", "or", "o/r", "up", "atm", "sat",
}  # fmt: skip
_SIGNS = re.compile(r"^(?P<sign>[<>≤≥]=?|~)\s*(?P<rest>.+)$")
_GROUPED = re.compile(r"(?<=\d)[\s'’\u00a0\u2009\u202f](?=\d{3}(?:\D|$))")
_WITH_UNIT = re.compile(r"^(?P<number>[+-]?[\d.,]*\d[.,]?(?:[eE][+-]?\d+)?)\s*(?P<unit>[^\d\s.,+-].*)?$")
_THOUSANDS = re.compile(r"^[+-]?[1-9]\d{0,2}(?:,\d{3})+(?![\d,])")
_POINT_GROUPS = re.compile(r"^[+-]?[1-9]\d{0,2}(?:\.\d{3})+$")
_INTEGER = re.compile(r"^[+-]?\d+$")


@dataclass(slots=True)
class Numbers:
    """Reads one column, chunk by chunk.

    What a comma means is decided where commas first appear, from all cells there: ``0,5`` and ``12,34`` have
    decimals, ``1,234,567`` and ``1,234.5`` thousands. Where every cell could be both, a file divided by
    semicolons means decimals, one divided by commas thousands, and any other is refused.

    Parameters
    ----------
    name : str
        The file, for errors.
    divider : str
        What divides its columns.
    """

    name: str
    divider: str
    comma: str = ""
    """What a comma means: ``decimal``, ``thousands``, or empty while none was seen."""
    points_group: bool = False
    """Some cell has both, ``1.234,5``: points mark thousands."""
    unit_seen: bool = False
    """Some cells had a unit of pressure of their own."""

    def read(self, cells: list[str], factor: float = 1.0) -> tuple[FloatArray, BoolArray | None]:
        """Numbers, NaN where there is none or none that is finite; and where the cell says over-range.

        Parameters
        ----------
        cells : list of str
            One for each row.
        factor : float
            Multiplies what has no unit of pressure of its own.

        Raises
        ------
        BadInput
            If commas may mean decimals or thousands.
        """
        if self.points_group:
            return self._slowly(cells, factor)
        try:
            values = np.array(list(map(float, cells)), dtype=np.float64)
        except ValueError:
            return self._slowly(cells, factor)
        values[~np.isfinite(values)] = np.nan
        return values * factor, None

    def _slowly(self, cells: list[str], factor: float) -> tuple[FloatArray, BoolArray | None]:
        if not self.comma:
            self._decide(cells)
        values = np.full(len(cells), np.nan)
        over = np.zeros(len(cells), dtype=bool)
        for i, cell in enumerate(cells):
            if not cell:
                continue
            try:
                value = math.nan if self.points_group else float(cell) * factor
            except ValueError:
                value = math.nan
            if math.isnan(value):
                value, over[i] = self._one(cell, factor)
            if math.isfinite(value):
                values[i] = value
        return values, over if over.any() else None

    def _one(self, cell: str, factor: float) -> tuple[float, bool]:
        """A value with marks, words or a unit, NaN where there is none; and whether it is over-range."""
        if cell.casefold() in _OVER:
            return math.nan, True
        over = False
        if signed := _SIGNS.match(cell):
            over, cell = signed["sign"][0] in ">≥", signed["rest"]
        found = _WITH_UNIT.match(_grouped(cell))
        if found is None:
            return math.nan, False
        own = _factor(found["unit"])
        value = self._value(found["number"])
        if own is None or math.isnan(value):
            return math.nan, over and own is not None
        self.unit_seen = self.unit_seen or found["unit"] is not None
        return value * (factor if found["unit"] is None else own), over

    def _value(self, text: str) -> float:
        if self.comma == "decimal":
            if "," in text or (self.points_group and _POINT_GROUPS.match(text)):
                text = text.replace(".", "").replace(",", ".")
        elif self.comma == "thousands":
            if "," in text and not _THOUSANDS.match(text):
                return math.nan
            text = text.replace(",", "")
        try:
            return float(text)
        except ValueError:
            return math.nan

    def _decide(self, cells: list[str]) -> None:
        """What commas mean; see the class."""
        plain = [_grouped(cell) for cell in cells]
        with_comma = [text for text in plain if "," in text and text[-1:].isdigit()]
        if not with_comma:
            return
        grouped = [text for text in with_comma if _THOUSANDS.match(text)]
        if any(text.count(",") > 1 or 0 <= text.rfind(",") < text.rfind(".") for text in grouped):
            self.comma = "thousands"
        elif len(grouped) < len(with_comma) or self.divider == ";":
            self.comma = "decimal"
            self.points_group = any(0 <= text.find(".") < text.find(",") for text in with_comma)
        elif any(_INTEGER.match(text) and len(text.lstrip("+-")) > 3 for text in plain):
            # Whoever marks thousands marks them everywhere.
            self.comma = "decimal"
        elif self.divider == ",":
            self.comma = "thousands"
        else:
            both = grouped[0]
            raise BadInput(
                f"{self.name}: {both!r} may be {both.replace(',', '.')} or {both.replace(',', '')}; write "
                "decimals with a point, or divide the columns by semicolons."
            )


def _grouped(cell: str) -> str:
    """Without blanks and apostrophes between groups of digits, with a plain minus."""
    return _GROUPED.sub("", cell.strip()).replace("\u2212", "-")


def _factor(unit: str | None) -> float | None:
    """Pascals in a unit of pressure, 1 for none, None for something else."""
    if unit is None:
        return 1.0
    try:
        return pascals_per(unit)
    except ValueError:
        return None

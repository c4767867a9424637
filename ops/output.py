"""What commands print: a table for people, or JSON."""

from __future__ import annotations

import dataclasses
import json
import re
from collections.abc import Mapping, Sequence
from datetime import datetime
from enum import Enum

Row = Mapping[str, object]
PASCAL = re.compile(r"_pa(_per_s)?$")


def show(rows: Sequence[Row], *, as_json: bool, nothing: str = "none") -> None:
    """Print a list: a JSON array, or a table with the keys as headings."""
    if as_json:
        print(json.dumps([dict(row) for row in rows], default=plain, ensure_ascii=False))
        return
    if not rows:
        print(nothing)
        return
    headings = list(rows[0])
    lines = [[text(row[key]) for key in headings] for row in rows]
    widths = [max(map(len, column)) for column in zip(headings, *lines, strict=True)]
    for line in (headings, *lines):
        print("  ".join(map(str.ljust, line, widths)).rstrip())


def show_one(row: Row, *, as_json: bool) -> None:
    """Print one thing: a JSON object, or a line for each of its properties."""
    if as_json:
        print(json.dumps(dict(row), default=plain, ensure_ascii=False))
        return
    width = max(map(len, row))
    for key, value in row.items():
        print(f"{key.ljust(width)}  {text(value)}")


def in_unit(row: Row, unit: str | None) -> dict[str, object]:
    """Pressures [Pa] in another unit, under names that say so: ``target_pa`` becomes ``target_hPa``.

    Raises
    ------
    BadInput
        If the unit is not known.
    """
    if unit is None:
        return dict(row)
    from model.errors import BadInput
    from physics.units import from_pascal, pressure_unit

    try:
        symbol = pressure_unit(unit)
    except ValueError as error:
        raise BadInput(f"--unit: {error}.", field="--unit") from error
    return {
        PASCAL.sub(rf"_{symbol}\1", key): float(f"{from_pascal(value, symbol):.12g}")
        if PASCAL.search(key) and isinstance(value, float)
        else value
        for key, value in row.items()
    }


def as_row(thing: object) -> dict[str, object]:
    """The fields of one of our dataclasses."""
    assert dataclasses.is_dataclass(thing)
    assert not isinstance(thing, type)
    return {field.name: getattr(thing, field.name) for field in dataclasses.fields(thing)}


def text(value: object) -> str:
    """A value for people."""
    if value is None or value == "":
        return "–"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value + 0.0:.6g}"  # no negative zero
    if isinstance(value, bytes):
        return value.decode("utf-8", "backslashreplace")
    return str(plain(value)) if isinstance(value, (Enum, datetime)) else str(value)


def plain(value: object) -> object:
    """What JSON has no word for, in its words."""
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, datetime):
        return value.isoformat()
    if isinstance(value, bytes):
        return value.decode("utf-8", "backslashreplace")
    return str(value)

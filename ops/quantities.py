"""Quantities as people write them on a command line: a number and a unit."""

from __future__ import annotations

import math
import re

from model.errors import BadInput
from physics.units import PRESSURE_UNITS, to_pascal

QUANTITY = re.compile(r"\s*([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*(\S.*?)?\s*")

TIME_S = {
    "s": 1.0, "sec": 1.0, "second": 1.0, "seconds": 1.0,
    "min": 60.0, "minute": 60.0, "minutes": 60.0,
    "h": 3600.0, "hour": 3600.0, "hours": 3600.0,
    "d": 86_400.0, "day": 86_400.0, "days": 86_400.0,
}  # fmt: skip


def split(text: str, option: str) -> tuple[float, str]:
    """The number and the unit, which may be empty; raises `BadInput`."""
    found = QUANTITY.fullmatch(text)
    if found is None or not math.isfinite(float(found[1])):
        raise BadInput(f"{option}: {text!r} is not a number with a unit.", field=option)
    return float(found[1]), found[2] or ""


def pressure(text: str, option: str, default_unit: str = "") -> float:
    """An absolute pressure [Pa], such as ``500 micron``."""
    number, unit = split(text, option)
    if not (unit or default_unit):
        raise BadInput(f"{option}: {text!r} lacks its unit, such as micron or Pa.", field=option)
    try:
        return to_pascal(number, unit or default_unit)
    except ValueError as error:
        known = ", ".join(PRESSURE_UNITS)
        raise BadInput(f"{option}: {unit!r} is no unit of pressure; use {known}.", field=option) from error


def duration(text: str, option: str) -> float:
    """A length of time [s], such as ``30 min``; a bare number is seconds."""
    number, unit = split(text, option)
    factor = {**TIME_S, "": 1.0}.get(unit.casefold())
    if factor is None:
        raise BadInput(f"{option}: {text!r} cannot be read; write it like '30 min'.", field=option)
    return number * factor

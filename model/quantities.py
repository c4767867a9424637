"""Quantities as people write them: a number and a unit, ``500 micron``, ``30 min``, ``12 l``, ``7/8 in``."""

from __future__ import annotations

import math
import re

from model.errors import BadInput
from model.rig import hose_errors
from physics.units import PRESSURE_UNITS, from_pascal, to_pascal

QUANTITY = re.compile(r"\s*([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*([^\d\s,.].*?)?\s*")
_SIGNED = re.compile(r"\s*[-+]?(\d*)([.,])(\d+)(?=[eE\s]|[^\d.,]|$)")
_TIMES = re.compile(r"\s*[x×]\s*")
_FRACTION = re.compile(r"\s*(?:(\d+)[\s-]+)?(\d+)\s*/\s*(\d+)\s*(\S.*?)?\s*")

TIME_S = {
    "s": 1.0, "sec": 1.0, "second": 1.0, "seconds": 1.0,
    "min": 60.0, "minute": 60.0, "minutes": 60.0,
    "h": 3600.0, "hour": 3600.0, "hours": 3600.0,
    "d": 86_400.0, "day": 86_400.0, "days": 86_400.0,
}  # fmt: skip

VOLUME_M3 = {
    "l": 1e-3, "litre": 1e-3, "litres": 1e-3, "liter": 1e-3, "liters": 1e-3,
    "ml": 1e-6, "cm3": 1e-6, "cm³": 1e-6, "dm3": 1e-3, "dm³": 1e-3, "m3": 1.0, "m³": 1.0,
    "ft3": 0.3048**3, "ft³": 0.3048**3, "cu ft": 0.3048**3, "in3": 0.0254**3, "in³": 0.0254**3,
}  # fmt: skip

LENGTH_M = {
    "m": 1.0, "mm": 1e-3, "cm": 1e-2,
    "in": 0.0254, "inch": 0.0254, "inches": 0.0254, '"': 0.0254, "ft": 0.3048, "feet": 0.3048, "'": 0.3048,
}  # fmt: skip

FLOW_M3_S = {
    "l/s": 1e-3, "l/min": 1e-3 / 60, "m3/h": 1 / 3600, "m³/h": 1 / 3600, "m3/s": 1.0, "m³/s": 1.0,
    "cfm": 0.3048**3 / 60, "ft3/min": 0.3048**3 / 60, "ft³/min": 0.3048**3 / 60,
}  # fmt: skip


def pointed(text: str, decimal: str, field: str) -> str:
    """The text with a point for the decimal sign, of who writes `decimal` for it, a point or a comma.

    The other sign is taken for a decimal sign as well, unless it may stand between thousands: ``1,500`` is
    refused where the point is the decimal sign, ``1.500`` where the comma is.

    Raises
    ------
    BadInput
        If the number may mean two things.
    """
    found = _SIGNED.match(text)
    if found is None:
        return text
    whole, sign, part = found.groups()
    if sign != decimal and len(part) == 3 and 1 <= len(whole) <= 3 and whole != "0":
        plain = f"{whole}{decimal}{part}".rstrip("0").rstrip(decimal)
        raise BadInput(
            f"{text.strip()!r} may mean {whole}{part} or {plain}; write the one you mean.", field=field
        )
    at = found.start(2)
    return f"{text[:at]}.{text[at + 1 :]}"


def split(text: str, field: str) -> tuple[float, str]:
    """The number and the unit, which may be empty; raises `BadInput`."""
    text = pointed(text, ".", field)
    found = QUANTITY.fullmatch(text)
    if found is None or not math.isfinite(float(found[1])):
        hint = " Write thousands without a mark." if "," in text else ""
        raise BadInput(f"{text.strip()!r} is not a number with a unit.{hint}", field=field)
    return float(found[1]), found[2] or ""


def number(text: str, field: str) -> float:
    """A bare number."""
    value, unit = split(text, field)
    if unit:
        raise BadInput(f"{text.strip()!r} is not a number.", field=field)
    return value


def pressure(text: str, field: str, default_unit: str = "") -> float:
    """An absolute pressure [Pa], such as ``500 micron``; a bare number needs a default unit."""
    value, unit = split(text, field)
    if not (unit or default_unit):
        raise BadInput(f"{text.strip()!r} lacks its unit, such as micron or Pa.", field=field)
    try:
        return to_pascal(value, unit or default_unit)
    except ValueError as error:
        known = ", ".join(PRESSURE_UNITS)
        raise BadInput(f"{unit!r} is no unit of absolute pressure; use {known}.", field=field) from error


def duration(text: str, field: str) -> float:
    """A length of time [s], such as ``30 min``; a bare number is seconds."""
    value, unit = split(text, field)
    factor = {**TIME_S, "": 1.0}.get(unit.casefold())
    if factor is None:
        raise BadInput(f"{text.strip()!r} cannot be read; write it like '30 min'.", field=field)
    return value * factor


def volume(text: str, field: str) -> float:
    """A volume [m³], such as ``12 l`` or ``0.4 ft³``."""
    value, unit = split(text, field)
    factor = VOLUME_M3.get(unit.casefold())
    if factor is None:
        raise BadInput(f"{text.strip()!r} lacks its unit; write it like '12 l' or '0.4 ft3'.", field=field)
    return value * factor


def flow(text: str, field: str) -> float:
    """A pumping speed [m³/s], such as ``6 cfm`` or ``10 m3/h``."""
    value, unit = split(text, field)
    factor = FLOW_M3_S.get(unit.casefold())
    if factor is None:
        raise BadInput(f"{text.strip()!r} lacks its unit; write it like '6 cfm' or '10 m3/h'.", field=field)
    return value * factor


def hose(text: str, field: str) -> tuple[float, float]:
    """Bore and length of a hose [m], ``6.35 mm x 1.5 m`` or ``3/8 in x 5 ft``."""
    parts = _TIMES.split(text.strip())
    if len(parts) != 2:
        raise BadInput(
            f"{text.strip()!r} is no bore and length; write it like '6.35 mm x 1.5 m'.", field=field
        )
    bore_m, length_m = (length(part, field) for part in parts)
    wrong = hose_errors(bore_m, length_m)
    if wrong:
        raise BadInput(wrong["hose"], field=field)
    return bore_m, length_m


def length(text: str, field: str) -> float:
    """A length [m], such as ``22 mm``, ``7/8 in`` or ``1 1/8 in``."""
    found = _FRACTION.fullmatch(text)
    if found:
        whole, above, below, unit = int(found[1] or 0), int(found[2]), int(found[3]), found[4] or ""
        if below == 0:
            raise BadInput(f"{text.strip()!r} divides by zero.", field=field)
        value = whole + above / below
    else:
        value, unit = split(text, field)
    factor = LENGTH_M.get(unit.casefold())
    if factor is None:
        raise BadInput(
            f"{text.strip()!r} lacks its unit; write it like '22 mm', '7/8 in' or '30 m'.", field=field
        )
    return value * factor


def share(text: str, field: str) -> float:
    """A share, ``10 %`` or ``0.1``."""
    value, unit = split(text, field)
    if unit not in ("", "%"):
        raise BadInput(f"{text.strip()!r} is no share; write it like '10 %'.", field=field)
    return value / 100 if unit else value


def _write(value: float, unit: str, decimal: str) -> str:
    """As a form shows it again; twelve digits, so that nothing is lost by reading it back."""
    return f"{value:.12g}".replace(".", decimal) + f" {unit}"


def write_pressure(value_pa: float | None, unit: str = "micron", decimal: str = ".") -> str:
    """In that unit: ``500 micron``."""
    return "" if value_pa is None else _write(from_pascal(value_pa, unit), unit, decimal)


def write_duration(value_s: float, decimal: str = ".") -> str:
    """In the largest unit that leaves a whole number: ``30 min``."""
    for unit, factor in (("h", 3600.0), ("min", 60.0)):
        if value_s >= factor and value_s % factor == 0:
            return _write(value_s / factor, unit, decimal)
    return _write(value_s, "s", decimal)


def write_volume(value_m3: float | None, unit: str = "l", decimal: str = ".") -> str:
    """In litres, or another unit."""
    return "" if value_m3 is None else _write(value_m3 / VOLUME_M3[unit.casefold()], unit, decimal)


def write_flow(value_m3_s: float | None, decimal: str = ".") -> str:
    """In the unit of ratings that needs the fewest digits, which is likely the one it was written in."""
    if value_m3_s is None:
        return ""
    units = ("cfm", "l/min", "l/s", "m3/h")
    return min((_write(value_m3_s / FLOW_M3_S[unit], unit, decimal) for unit in units), key=_digits)


def write_hose(bore_m: float | None, length_m: float | None, decimal: str = ".") -> str:
    """``10 mm x 1.5 m`` or ``0.375 in x 5 ft``, whichever needs fewer digits."""
    if bore_m is None or length_m is None:
        return ""
    pairs = (("mm", "m"), ("in", "ft"))
    written = [
        [
            _write(value / LENGTH_M[unit], unit, decimal)
            for value, unit in zip((bore_m, length_m), pair, strict=True)
        ]
        for pair in pairs
    ]
    return min((" x ".join(both) for both in written), key=_digits)


def _digits(text: str) -> int:
    return sum(character.isdigit() for character in text.replace("m3", "m"))


def write_share(value: float, decimal: str = ".") -> str:
    """In percent."""
    return _write(value * 100, "%", decimal)

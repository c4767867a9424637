"""Quantities as people write them on a command line: a number and a unit, the option named in the error."""

from __future__ import annotations

from collections.abc import Callable

from model import quantities
from model.errors import BadInput


def _named(option: str, reader: Callable[[str, str], float], text: str) -> float:
    try:
        return reader(text, option)
    except BadInput as error:
        raise BadInput(f"{option}: {error}", field=option) from error


def split(text: str, option: str) -> tuple[float, str]:
    """The number and the unit, which may be empty; raises `BadInput`."""
    try:
        return quantities.split(text, option)
    except BadInput as error:
        raise BadInput(f"{option}: {error}", field=option) from error


def pressure(text: str, option: str, default_unit: str = "") -> float:
    """An absolute pressure [Pa], such as ``500 micron``."""
    return _named(option, lambda words, name: quantities.pressure(words, name, default_unit), text)


def duration(text: str, option: str) -> float:
    """A length of time [s], such as ``30 min``; a bare number is seconds."""
    return _named(option, quantities.duration, text)


def volume(text: str, option: str) -> float:
    """A volume [m³], such as ``12 l``."""
    return _named(option, quantities.volume, text)


def flow(text: str, option: str) -> float:
    """A pumping speed [m³/s], such as ``6 cfm``."""
    return _named(option, quantities.flow, text)


def hose(text: str, option: str) -> tuple[float, float]:
    """Bore and length of a hose [m], such as ``10 mm x 1.5 m``."""
    try:
        return quantities.hose(text, option)
    except BadInput as error:
        raise BadInput(f"{option}: {error}", field=option) from error


def length(text: str, option: str) -> float:
    """A length [m], such as ``22 mm`` or ``7/8 in``."""
    return _named(option, quantities.length, text)


def share(text: str, option: str) -> float:
    """A share, such as ``10 %``."""
    return _named(option, quantities.share, text)

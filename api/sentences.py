"""Stored sentences in the reader's units.

A verdict, an event, an alert is stored as a sentence in micron and Pa, for logs and for other programs;
moments in the log of a plan as instants (`model.instants`).
`find` reads its figures; where the same value is stored beside the sentence in full, that one is taken. Pages
(`tell`, and the script's ``sentence``) write them anew for whoever reads.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from typing import Literal

from pydantic import BaseModel, Field

from analytics.core.figures import pressure_text
from api.figures import USUAL_ACCURACY, Figures
from model.instants import PATTERN as INSTANT
from model.instants import moment_of
from physics.units import MICRON_PA, to_kelvin, to_pascal

Kind = Literal["reading", "setting", "about", "temperature", "difference", "rate"]

PATTERN = re.compile(
    r"(?P<micron>[+-]?\d+) micron \((?P<pascal>[+-]?\d+(?:\.\d+)?) Pa\)"
    r"|(?P<alone>\d+) micron\b"
    r"|(?P<celsius>-?\d+) °C"
    r"|(?P<kelvin>\d+(?:\.\d+)?) K\b"
    r"|(?P<rate>\d\.\d+e[+-]\d+) Pa/s"
    r"|(?P<kilopascal>\d+) kPa",
    re.ASCII,
)
"""How sentences write figures (`analytics.core.figures`); the pages' script looks for the same."""


class TextFigure(BaseModel, frozen=True):
    """A figure in a sentence."""

    kind: Kind = Field(description="A reading, a setting, or (about) a pressure of which no more is stored.")
    value: float = Field(description="In SI: Pa, K or Pa/s.")
    accuracy: float | None = Field(default=None, description="Of a reading: share of it.")


def find(
    text: str,
    readings: Iterable[float | None] = (),
    settings: Iterable[float | None] = (),
    accuracy: float | None = USUAL_ACCURACY,
) -> list[TextFigure]:
    """The figures of a sentence in their order.

    Parameters
    ----------
    text : str
        As stored.
    readings, settings : iterable of float or None
        Pressures [Pa] that are stored in full beside it.
    accuracy : float or None
        Of the gauge of the readings.
    """
    known: dict[str, TextFigure] = {}
    for kind, values in (("reading", readings), ("setting", settings)):
        for value in values:
            if value is not None:
                known[pressure_text(value)] = _told(kind, value, accuracy)
    return [known.get(found[0]) or _read(found) for found in PATTERN.finditer(text)]


def _told(kind: str, value: float, accuracy: float | None) -> TextFigure:
    return (
        TextFigure(kind="setting", value=value)
        if kind == "setting"
        else TextFigure(kind="reading", value=value, accuracy=accuracy)
    )


def _read(found: re.Match[str]) -> TextFigure:
    if found["celsius"]:
        return TextFigure(kind="temperature", value=to_kelvin(float(found["celsius"]), "Cel"))
    if found["kelvin"]:
        return TextFigure(kind="difference", value=float(found["kelvin"]))
    if found["rate"]:
        return TextFigure(kind="rate", value=float(found["rate"]))
    if found["kilopascal"]:
        return TextFigure(kind="setting", value=to_pascal(float(found["kilopascal"]), "kPa"))
    if found["alone"]:
        return TextFigure(kind="about", value=to_pascal(float(found["alone"]), "micron"))
    micron, pascal = float(found["micron"]) * MICRON_PA, float(found["pascal"])
    # Both are rounded. What is round in micron is likely what was meant, if the other allows it.
    half = 0.05 if abs(pascal) < 1000 else 0.5
    return TextFigure(kind="about", value=micron if abs(micron - pascal) <= half else pascal)


def tell(
    text: str, figures: Figures, told: Sequence[TextFigure] | None = None, time_zone: str | None = None
) -> str:
    """A stored sentence with its figures as this reader wants them, and its moments at a site's time."""
    found = find(text) if told is None else told
    marks = [one.value for one in found if one.kind == "setting"]
    write: dict[str, Callable[[TextFigure], str]] = {
        "reading": lambda one: figures.pressure_text(one.value, one.accuracy, marks),
        "setting": lambda one: figures.setting_text(one.value),
        "about": lambda one: figures.about(one.value),
        "temperature": lambda one: figures.temperature(one.value),
        "difference": lambda one: figures.temperature_difference(one.value),
        "rate": lambda one: figures.pressure_rate(one.value),
    }
    rest = iter(found)

    def anew(match: re.Match[str]) -> str:
        one = next(rest, None)
        if one is None:
            return match[0]
        sign = "+" if match[0].startswith("+") else ""
        return sign + write[one.kind](one)

    text = PATTERN.sub(anew, text)
    if time_zone is None:
        return text
    return INSTANT.sub(lambda match: figures.when(moment_of(match[0]), time_zone), text)

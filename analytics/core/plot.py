"""A picture of a log as lines, areas and words, and the same as SVG 1.1."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Literal
from xml.sax.saxutils import escape, quoteattr

import numpy as np

from analytics.core.axis import Columns, Scale, clock_text, columns_of, marks_of, moment_us, scale_for
from analytics.core.outcome import iso
from analytics.core.series_csv import Series
from physics.units import from_pascal, pascals_per

WIDTH, HEIGHT = 960, 540
_LEFT, _RIGHT, _TOP, _BOTTOM = 84, 24, 92, 56
_COLUMNS = WIDTH - _LEFT - _RIGHT

INK, FAINT, CURVE, LIMIT, HOLD, PAPER = "#1c2523", "#cfd5d1", "#1c5784", "#a11529", "#e6efec", "#ffffff"
"""Of the pages: ink, hairline, busy, bad, a washed ground, paper."""

Anchor = Literal["start", "middle", "end"]
Point = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Path:
    """A line through points; dashed or not."""

    points: tuple[Point, ...]
    colour: str
    width: float
    dashed: bool = False


@dataclass(frozen=True, slots=True)
class Area:
    """A filled rectangle."""

    x: float
    y: float
    width: float
    height: float
    colour: str


@dataclass(frozen=True, slots=True)
class Words:
    """A line of text; ``y`` is its base line."""

    x: float
    y: float
    text: str
    size: int
    colour: str = INK
    anchor: Anchor = "start"


Shape = Path | Area | Words


@dataclass(frozen=True, slots=True)
class Drawing:
    """Shapes from the back to the front."""

    title: str
    shapes: tuple[Shape, ...]
    height: int = HEIGHT


@dataclass(slots=True)
class _Sheet:
    series: Series
    result: dict[str, Any]
    unit: str
    columns: Columns
    scale: Scale
    shapes: list[Shape] = field(default_factory=list)

    def x(self, moment_us_: int) -> float:
        first, last = int(self.series.time_us[0]), int(self.series.time_us[-1])
        share = (moment_us_ - first) / max(last - first, 1)
        return _LEFT + min(max(share, 0.0), 1.0) * (_COLUMNS - 1)

    def y(self, pressure_pa: float) -> float:
        return HEIGHT - _BOTTOM - self.scale.place(pressure_pa) * (HEIGHT - _TOP - _BOTTOM)


def draw(
    series: Series, result: dict[str, Any], unit: str, name: str, say: Callable[[str], str] = str
) -> Drawing:
    """Draw a log: its curve, the permitted value, the holds, and the verdict.

    Parameters
    ----------
    series : Series
        The log.
    result : dict
        What `analytics.core.diagnose.judge_file` found in it.
    unit : str
        Unit of the scale.
    name : str
        What the picture is headed with.
    say : callable, optional
        Puts the figures of a sentence into the reader's unit.
    """
    columns = columns_of(series, _COLUMNS)
    scale = scale_for(np.concatenate((columns.low, columns.high)), marks_of(result))
    sheet = _Sheet(series, result, unit, columns, scale)
    sheet.shapes.append(Area(0, 0, WIDTH, HEIGHT, PAPER))
    _holds(sheet)
    _axes(sheet)
    _curve(sheet)
    for limit_pa in marks_of(result):
        at = sheet.y(limit_pa)
        sheet.shapes.append(Path(((_LEFT, at), (WIDTH - _RIGHT, at)), LIMIT, 1.5, dashed=True))
        sheet.shapes.append(Words(WIDTH - _RIGHT - 4, at - 6, "permitted", 13, LIMIT, "end"))
    _head(sheet, name, say)
    return Drawing(name, tuple(sheet.shapes))


def _holds(sheet: _Sheet) -> None:
    for hold in sheet.result["holds"]:
        left, right = (sheet.x(moment_us(hold[key])) for key in ("start", "end"))
        wide = max(right - left, 1.0)
        sheet.shapes.append(Area(left, _TOP, wide, HEIGHT - _TOP - _BOTTOM, HOLD))
        if wide > 60:
            sheet.shapes.append(
                Words(left + wide / 2, _TOP - 6, f"hold: {hold['verdict']}", 13, INK, "middle")
            )


def _axes(sheet: _Sheet) -> None:
    floor = HEIGHT - _BOTTOM
    for tick in sheet.scale.ticks(pascals_per(sheet.unit), 8):
        at = sheet.y(tick)
        sheet.shapes.append(Path(((_LEFT, at), (WIDTH - _RIGHT, at)), FAINT, 1))
        sheet.shapes.append(Words(_LEFT - 8, at + 5, f"{from_pascal(tick, sheet.unit):.6g}", 13, INK, "end"))
    frame = ((_LEFT, _TOP), (_LEFT, floor), (WIDTH - _RIGHT, floor))
    sheet.shapes.append(Path(frame, INK, 1))
    sheet.shapes.append(Words(_LEFT - 8, _TOP - 10, sheet.unit, 13, INK, "end"))
    first, last = int(sheet.series.time_us[0]), int(sheet.series.time_us[-1])
    anchors: tuple[Anchor, ...] = ("start", "middle", "middle", "middle", "end")
    for i, anchor in enumerate(anchors):
        moment = first + (last - first) * i // (len(anchors) - 1)
        text = clock_text(str(iso(moment)), sheet.result["calendar"])
        sheet.shapes.append(Path(((sheet.x(moment), floor), (sheet.x(moment), floor + 5)), INK, 1))
        sheet.shapes.append(Words(sheet.x(moment), floor + 22, text, 13, INK, anchor))
    if not sheet.result["calendar"]:
        sheet.shapes.append(Words(_LEFT, floor + 42, "hours, minutes and seconds of the log", 13))


def _curve(sheet: _Sheet) -> None:
    """The lowest and the highest reading of each column, joined."""
    points: list[Point] = []
    for column in np.flatnonzero(~np.isnan(sheet.columns.low)).tolist():
        low, high = sheet.y(float(sheet.columns.low[column])), sheet.y(float(sheet.columns.high[column]))
        ends = (
            (low, high) if not points or abs(points[-1][1] - low) < abs(points[-1][1] - high) else (high, low)
        )
        points += [(_LEFT + column, at) for at in (ends if low != high else ends[:1])]
    if points:
        sheet.shapes.append(Path(tuple(points), CURVE, 1.5))
    over = np.flatnonzero(sheet.columns.over).tolist()
    sheet.shapes += [Path(((_LEFT + at, _TOP), (_LEFT + at, _TOP + 6)), CURVE, 1.5) for at in over]


def _head(sheet: _Sheet, name: str, say: Callable[[str], str]) -> None:
    sheet.shapes.append(Words(_LEFT, 26, _short(name, 90), 16))
    hold = sheet.result["hold"]
    text = "No hold was found." if hold is None else say(hold["text"])
    lines = _wrapped(text, 112)[:2]
    sheet.shapes += [Words(_LEFT, 48 + 18 * i, line, 13) for i, line in enumerate(lines)]


def _wrapped(text: str, width: int) -> list[str]:
    lines = [""]
    for word in text.split():
        if len(lines[-1]) + len(word) >= width:
            lines.append("")
        lines[-1] = f"{lines[-1]} {word}".strip()
    return lines


def _short(text: str, width: int) -> str:
    return text if len(text) <= width else f"…{text[-width:]}"


# SVG ---------------------------------------------------------------------------------------------------

_NO_XML = re.compile("[^\t\n\r -\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def to_svg(drawing: Drawing, font: str = "sans-serif") -> str:
    """The drawing as a document of its own."""
    body = "\n".join(_svg(shape) for shape in drawing.shapes)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {drawing.height}" width="{WIDTH}" '
        f'height="{drawing.height}" role="img" font-family={quoteattr(font)}>\n'
        f"<title>{_text(drawing.title)}</title>\n{body}\n</svg>\n"
    )


def _svg(shape: Shape) -> str:
    match shape:
        case Area():
            return (
                f'<rect x="{shape.x:.1f}" y="{shape.y:.1f}" width="{shape.width:.1f}" '
                f'height="{shape.height:.1f}" '
                f"fill={quoteattr(shape.colour)}/>"
            )
        case Path():
            points = " ".join(f"{x:.1f},{y:.1f}" for x, y in shape.points)
            dashes = ' stroke-dasharray="7 5"' if shape.dashed else ""
            return (
                f'<polyline points="{points}" fill="none" stroke={quoteattr(shape.colour)} '
                f'stroke-width="{shape.width:g}" stroke-linejoin="round"{dashes}/>'
            )
        case Words():
            return (
                f'<text x="{shape.x:.1f}" y="{shape.y:.1f}" font-size="{shape.size}" '
                f'fill={quoteattr(shape.colour)} text-anchor="{shape.anchor}">{_text(shape.text)}</text>'
            )


def _text(text: str) -> str:
    return escape(_NO_XML.sub("\ufffd", text))

"""The curve of a record: pressure on a logarithmic axis, holds, what is permitted, target, gaps as gaps."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from analytics.core.axis import Columns, Scale, columns_of, scale_for
from analytics.core.plot import (
    CURVE,
    FAINT,
    HOLD,
    INK,
    LIMIT,
    WIDTH,
    Area,
    Drawing,
    Path,
    Shape,
    Words,
    to_svg,
)
from analytics.core.series_csv import Series
from api.figures import Figures
from api.records.signing import Channel
from model.clock import US, to_us
from physics.units import pascals_per

HEIGHT = 340
LEFT, RIGHT, TOP, BOTTOM = 84, 20, 34, 52
COLUMNS = WIDTH - LEFT - RIGHT
SIZE = 17
MARKS = 5
"""Times on the axis."""
SHORTEST_WORD = 48
"""A hold narrower than this has no room for its number."""


@dataclass(slots=True)
class _Sheet:
    first_us: int
    last_us: int
    scale: Scale
    shapes: list[Shape] = field(default_factory=list)

    def x(self, at_us: int) -> float:
        share = (at_us - self.first_us) / max(self.last_us - self.first_us, 1)
        return LEFT + min(max(share, 0.0), 1.0) * (COLUMNS - 1)

    def y(self, pressure_pa: float) -> float:
        return HEIGHT - BOTTOM - self.scale.place(pressure_pa) * (HEIGHT - TOP - BOTTOM)

    @property
    def floor(self) -> float:
        return HEIGHT - BOTTOM


def draw(record: Mapping[str, Any], channels: Sequence[Channel], figures: Figures, font: str) -> str:
    """The curve of the gauge that decided, as SVG; empty where no gauge brought a pressure."""
    chosen = _deciding(record, channels)
    if chosen is None:
        return ""
    pairs = chosen.pairs
    series = Series(
        time_us=pairs["time_us"].astype(np.int64),
        pressure_pa=pairs["value"].astype(np.float64),
        over=np.zeros(len(pairs), bool),
        temperature_k=None,
        valve=None,
        absolute=True,
        unit="Pa",
        unit_assumed=False,
        skipped=0,
    )
    columns = columns_of(series, COLUMNS)
    limits = _limits(record)
    scale = scale_for(np.concatenate((columns.low, columns.high)), [pressure for pressure, _ in limits])
    sheet = _Sheet(int(series.time_us[0]), int(series.time_us[-1]), scale)
    _holds(sheet, record)
    _axes(sheet, figures, record["job"]["time_zone"])
    for pressure_pa, word in limits:
        _limit(sheet, pressure_pa, word)
    _curve(sheet, columns, _widest_gap(record, chosen))
    drawing = Drawing(f"Pressure of {chosen.name}", tuple(sheet.shapes), HEIGHT)
    return to_svg(drawing, font)


def _deciding(record: Mapping[str, Any], channels: Sequence[Channel]) -> Channel | None:
    """The pressure that the last hold was judged by, else of the gauge that brought most."""
    pressures = {
        one.name.removesuffix(" pressure"): one for one in channels if one.name.endswith(" pressure")
    }
    for hold in reversed(record["hold_tests"]):
        if not hold["withdrawn"] and hold["gauge"] in pressures:
            return pressures[hold["gauge"]]
    return max(pressures.values(), key=lambda one: len(one.pairs), default=None)


def _widest_gap(record: Mapping[str, Any], chosen: Channel) -> int:
    """Readings further apart are not joined [µs]."""
    name = chosen.name.removesuffix(" pressure")
    interval_s = max(
        (one["interval_s"] for one in record["instruments"] if one["name"] == name), default=10.0
    )
    return round(max(60.0, 5 * interval_s) * US)


def _limits(record: Mapping[str, Any]) -> list[tuple[float, str]]:
    permitted = {
        hold["limit_pa"] for hold in record["hold_tests"] if hold["limit_pa"] and not hold["withdrawn"]
    }
    told = [(record["procedure"]["target_pa"], "target")]
    return told + [(pressure, "permitted") for pressure in sorted(permitted)]


def _holds(sheet: _Sheet, record: Mapping[str, Any]) -> None:
    number = 0
    for hold in record["hold_tests"]:
        if hold["withdrawn"]:
            continue
        number += 1
        end = hold["ended_at"] or hold["planned_end_at"]
        left, right = (sheet.x(to_us(datetime.fromisoformat(at))) for at in (hold["started_at"], end))
        wide = max(right - left, 1.0)
        sheet.shapes.append(Area(left, TOP, wide, sheet.floor - TOP, HOLD))
        if wide > SHORTEST_WORD:
            sheet.shapes.append(Words(left + wide / 2, TOP - 8, f"hold {number}", SIZE, INK, "middle"))


def _axes(sheet: _Sheet, figures: Figures, time_zone: str) -> None:
    unit = figures.units.pressure
    for tick in sheet.scale.ticks(pascals_per(unit), 7):
        at = sheet.y(tick)
        sheet.shapes.append(Path(((LEFT, at), (WIDTH - RIGHT, at)), FAINT, 1))
        sheet.shapes.append(Words(LEFT - 8, at + 6, figures.setting_number(tick), SIZE, INK, "end"))
    sheet.shapes.append(Words(LEFT - 8, TOP - 12, unit, SIZE, INK, "end"))
    sheet.shapes.append(Path(((LEFT, TOP), (LEFT, sheet.floor), (WIDTH - RIGHT, sheet.floor)), INK, 1))
    zone = ZoneInfo(time_zone)
    for i in range(MARKS):
        at_us = sheet.first_us + (sheet.last_us - sheet.first_us) * i // (MARKS - 1)
        local = datetime.fromtimestamp(at_us / US, zone)
        x = sheet.x(at_us)
        anchor = ("start", "middle", "end")[(i > 0) + (i == MARKS - 1)]
        sheet.shapes.append(Path(((x, sheet.floor), (x, sheet.floor + 5)), INK, 1))
        words = figures.conventions.moment(local, year=False)
        sheet.shapes.append(Words(x, sheet.floor + 26, words, SIZE, INK, anchor))  # type: ignore[arg-type]


def _limit(sheet: _Sheet, pressure_pa: float, word: str) -> None:
    at = sheet.y(pressure_pa)
    colour = LIMIT if word == "permitted" else INK
    sheet.shapes.append(Path(((LEFT, at), (WIDTH - RIGHT, at)), colour, 1.5, dashed=True))
    sheet.shapes.append(Words(LEFT + 8, at - 6, word, SIZE, colour))


def _curve(sheet: _Sheet, columns: Columns, gap_us: int) -> None:
    """The lowest and the highest reading of each column; broken where readings are missing."""
    widest = max(2, round(gap_us / max(sheet.last_us - sheet.first_us, 1) * COLUMNS) + 1)
    with_readings = np.flatnonzero(~np.isnan(columns.low))
    for part in np.split(with_readings, np.flatnonzero(np.diff(with_readings) > widest) + 1):
        points: list[tuple[float, float]] = []
        for column in part.tolist():
            low, high = sheet.y(float(columns.low[column])), sheet.y(float(columns.high[column]))
            up = bool(points) and abs(points[-1][1] - low) > abs(points[-1][1] - high)
            ends = (high, low) if up else (low, high)
            points += [(LEFT + column, at) for at in (ends if low != high else ends[:1])]
        if len(points) == 1:
            points.append((points[0][0] + 1, points[0][1]))
        if points:
            sheet.shapes.append(Path(tuple(points), CURVE, 2))

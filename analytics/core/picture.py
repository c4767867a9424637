"""A small picture of a log, of characters, for a terminal."""

from __future__ import annotations

from typing import Any

import numpy as np

from analytics.core.axis import clock_text, columns_of, marks_of, moment_us, scale_for
from analytics.core.outcome import iso
from analytics.core.series_csv import Series
from physics.units import from_pascal, pascals_per

WIDTH, HEIGHT = 64, 11
_LABEL = 10


def picture(series: Series, result: dict[str, Any], unit: str) -> str:
    """Draw a log: its curve, the permitted value, and where the hold begins and ends.

    Parameters
    ----------
    series : Series
        The log.
    result : dict
        What `analytics.core.diagnose.judge_file` found in it.
    unit : str
        Unit of the scale.
    """
    columns = columns_of(series, WIDTH)
    scale = scale_for(np.concatenate((columns.low, columns.high)), marks_of(result))
    grid = [[" "] * WIDTH for _ in range(HEIGHT)]
    hold = result["hold"]
    edges = () if hold is None else tuple(_column(series, hold[key]) for key in ("start", "end"))
    for column in edges:
        for line in grid:
            line[column] = "┊"
    limit_row = -1
    for mark in marks_of(result):
        limit_row = _row(scale.place(mark))
        grid[limit_row] = ["─" if cell == " " else cell for cell in grid[limit_row]]
    for column in range(WIDTH):
        if columns.over[column]:
            grid[0][column] = "▲"
        if not np.isnan(columns.low[column]):
            upper, lower = _row(scale.place(columns.high[column])), _row(scale.place(columns.low[column]))
            for height in range(upper, lower + 1):
                grid[height][column] = "•"
    unit_pa = pascals_per(unit)
    labels = {_row(scale.place(tick)): f"{from_pascal(tick, unit):.6g}" for tick in scale.ticks(unit_pa, 5)}
    lines = [f"  {unit:>{_LABEL}}"]
    for at, row in enumerate(grid):
        end = " permitted" if at == limit_row else ""
        lines.append(f"  {labels.get(at, ''):>{_LABEL}} │{''.join(row)}{end}".rstrip())
    return "\n".join([*lines, *_feet(series, result, edges)])


def _row(place: float) -> int:
    return HEIGHT - 1 - round(place * (HEIGHT - 1))


def _column(series: Series, moment: str) -> int:
    first, last = int(series.time_us[0]), int(series.time_us[-1])
    share = (moment_us(moment) - first) / max(last - first, 1)
    return round(min(max(share, 0.0), 1.0) * (WIDTH - 1))


def _feet(series: Series, result: dict[str, Any], edges: tuple[int, ...]) -> list[str]:
    """The axis of time, its ends, and where the hold is."""
    margin = " " * (_LABEL + 3)
    first, last = (clock_text(str(iso(int(series.time_us[at]))), result["calendar"]) for at in (0, -1))
    lines = [f"{margin}└{'─' * WIDTH}", f"{margin} {first}{last:>{WIDTH - len(first)}}"]
    if edges and edges[1] - edges[0] >= 4:
        lines.insert(1, f"{margin} {' ' * edges[0]}{'hold':^{edges[1] - edges[0] + 1}}")
    return lines

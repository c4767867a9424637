"""A pull-down while it runs: its readings go on line into cells that the state of the job carries.

Readings wait in a short list and go into the cells (`analytics.core.pull_cells`) so many at a time: by their
number, not by how they came, so that the same readings make the same state however they were split. What is
kept does not grow with the time it runs beyond the cells' bound, and an estimate costs the same at any age.

When to estimate anew is fixed by age: seldom enough that it costs little, often enough for what is looked at,
the last 30 % of the time.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from analytics.core.pull_cells import COLUMNS, Cells, fold
from analytics.core.pull_down import Known, judge
from model.clock import US
from model.pull_down import PullDown

AT_ONCE = 64
"""Readings that wait at the most."""

OFTEN_US, SELDOM_US = 30 * US, 600 * US
PER_AGE = 8
"""An estimate is due after an eighth of the age, within these bounds. Own choice."""

_NO_STEP = -1.0
"""Stands for infinity, which JSON cannot carry."""

_STEP_COLUMN = 3


@dataclass(slots=True)
class PullState:
    """What is remembered of a pull-down; times [s] count from its start, rows are those of `Cells`."""

    start_us: int
    fresh: list[tuple[int, float]] = field(default_factory=list)
    """Readings that are not in the cells yet: [µs], [Pa]."""
    begun_s: float = 0.0
    rows: tuple[float, ...] = ()
    tail: tuple[float, ...] = ()
    low: float | None = None
    bends: float = 0.0
    bent: float = 0.0
    last_us: int | None = None
    """Time of the last reading [µs]."""


def take(pull: PullState, time_us: int, pressure_pa: float, top_pa: float) -> None:
    """Take the next reading; at the top of the gauge's range it tells only that the pump runs."""
    pull.last_us = time_us
    pull.fresh.append((time_us, pressure_pa))
    if len(pull.fresh) >= AT_ONCE:
        _keep(pull, _whole(pull, top_pa))


def estimate(pull: PullState, target_pa: float, known: Known, top_pa: float) -> PullDown:
    """Say what the readings so far tell (`analytics.core.pull_down.judge`); changes nothing."""
    return judge(_whole(pull, top_pa), target_pa, known)


def due_us(start_us: int, at_us: int) -> int:
    """When the estimate made at a moment of a pull-down is to be made anew [µs]."""
    return at_us + min(max((at_us - start_us) // PER_AGE, OFTEN_US), SELDOM_US)


def _whole(pull: PullState, top_pa: float) -> Cells:
    """All readings in cells."""
    rows = np.array(pull.rows).reshape(-1, COLUMNS)
    rows[:, _STEP_COLUMN] = np.where(rows[:, _STEP_COLUMN] < 0, np.inf, rows[:, _STEP_COLUMN])
    low = np.inf if pull.low is None else pull.low
    cells = Cells(pull.begun_s, rows, np.array(pull.tail).reshape(-1, 2), low, pull.bends, pull.bent)
    fresh = np.array(pull.fresh).reshape(-1, 2)
    return fold(cells, (fresh[:, 0] - pull.start_us) / US, fresh[:, 1], top_pa)


def _keep(pull: PullState, cells: Cells) -> None:
    rows = np.where(np.isfinite(cells.rows), cells.rows, _NO_STEP)
    pull.fresh = []
    pull.begun_s = 0.0 if cells.begun_s is None else cells.begun_s
    pull.rows, pull.tail = tuple(rows.ravel().tolist()), tuple(cells.tail.ravel().tolist())
    pull.low = cells.low if np.isfinite(cells.low) else None
    pull.bends, pull.bent = cells.bends, cells.bent

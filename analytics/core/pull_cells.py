"""Readings of a pull-down in bounded memory: means of ln P in cells of time and of the lowest pressure yet.

A pull-down is fast at first and slow at last, over three decades of pressure and of time. A cell ends when
the time since the pump started has grown by a sixth of an octave, or the lowest pressure so far has fallen by
a tenth of an e-fold; both only ever grow, so there are at most some 200 cells in a day, at any rate of
readings. Readings may be folded in one by one or by the million, with the same result.

A reading far from the median of itself and its two neighbours (radio noise, a spike) counts as that median.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from physics.types import FloatArray

FALL = 0.1
"""Width of a cell in ln P."""

SHORTEST_S = 2.0
"""Below this age time has one cell [s]."""

PER_OCTAVE = 6
"""Cells in which the time since the start doubles."""

FAR = 0.25
"""A reading this far from its neighbours' median, in ln P, is replaced by it."""

RISEN = 0.7
"""A pressure that has risen by this in ln P over its lowest has been let in: the pull-down begins again."""

_SMOOTH = 0.2
_LOWEST_PA, _HIGHEST_PA = 0.1, 1e7
_SAME_PA = 1e-6
_AT_ONCE = 4096
COLUMNS = 6
"""Of a cell: readings, sums of times and of ln P, smallest step seen, and its numbers in time and in ln P."""

_N, _T, _Y, _STEP, _KEY_T, _KEY_P = range(COLUMNS)


def _none() -> FloatArray:
    return np.zeros((0, COLUMNS))


@dataclass(frozen=True, slots=True)
class Cells:
    """What is kept of a pull-down.

    Parameters
    ----------
    begun_s : float or None
        When the pump started, as far as is known: the first reading, over-range or not [s].
    rows : ndarray, shape (m, 6)
        Sums of each cell.
    tail : ndarray, shape (up to 2, 2)
        The last two readings, not yet in a cell: [s], ln P.
    low : float
        Lowest median of three yet, ln P.
    bends, bent : float
        Sum of squares of readings around the middle of their neighbours, and their number.
    """

    begun_s: float | None = None
    rows: FloatArray = field(default_factory=_none)
    tail: FloatArray = field(default_factory=lambda: np.zeros((0, 2)))
    low: float = math.inf
    bends: float = 0.0
    bent: float = 0.0

    @property
    def noise(self) -> float:
        """Standard deviation of one reading, as a share of it; 1 % while nothing is known."""
        # A hundredth, worth five readings, stands for what is not known yet.
        return math.sqrt((self.bends + 5 * 1e-4) / (self.bent + 5))

    @property
    def last_s(self) -> float | None:
        """Time of the last reading [s]."""
        return None if not len(self.tail) else float(self.tail[-1, 0])


@dataclass(frozen=True, slots=True)
class Means:
    """The cells as data: time since the start [s], mean ln P, readings, and standard deviation of ln P."""

    t: FloatArray
    y: FloatArray
    n: FloatArray
    sd: FloatArray


def fold(cells: Cells, time_s: FloatArray, pressure_pa: FloatArray, top_pa: float | None = None) -> Cells:
    """Take in more readings.

    Parameters
    ----------
    cells : Cells
        What was kept so far.
    time_s, pressure_pa : ndarray, shape (n,)
        Readings after those already taken, in order [s], [Pa]; NaN does not count.
    top_pa : float or None
        Top of the gauge's range [Pa]: a reading there tells only that the pump runs.
    """
    use = np.isfinite(time_s) & np.isfinite(pressure_pa)
    time_s, pressure_pa = time_s[use], pressure_pa[use]
    if not len(time_s):
        return cells
    if cells.begun_s is None:
        cells = replace(cells, begun_s=float(time_s[0]))
    if top_pa is not None:
        seen = pressure_pa < top_pa * (1 - 1e-6)
        time_s, pressure_pa = time_s[seen], pressure_pa[seen]
    fresh = np.column_stack([time_s, np.log(np.clip(pressure_pa, _LOWEST_PA, _HIGHEST_PA))])
    for start in range(0, len(fresh), _AT_ONCE):
        rest: FloatArray | None = fresh[start : start + _AT_ONCE]
        while rest is not None:
            cells, rest = _taken(cells, rest)
    return cells


def _taken(cells: Cells, fresh: FloatArray) -> tuple[Cells, FloatArray | None]:
    """Take in a stretch; what of it is to be taken in anew where gas was let in."""
    whole = np.concatenate([cells.tail, fresh])
    if len(whole) < 3:
        return replace(cells, tail=whole), None
    # The reading before the last but one has been taken; the very first stands for its own neighbour.
    y = whole[:, 1]
    middle = np.median(np.stack([y[:-2], y[1:-1], y[2:]]), axis=0)
    steady = np.where(np.abs(y[1:-1] - middle) > FAR, middle, y[1:-1])
    t = whole[1:-1, 0]
    gap = np.abs(np.diff(np.exp(y[:-1])))
    gap = np.where(gap > _SAME_PA, gap, math.inf)
    if not len(cells.rows):
        first = min(float(y[0]), float(middle[0]) + FAR)
        t, steady = np.append(whole[0, 0], t), np.append(first, steady)
        middle, gap = np.append(first, middle), np.append(math.inf, gap)
    again = middle > np.minimum.accumulate(np.append(cells.low, middle))[:-1] + RISEN
    if again.any():
        # What went before tells nothing of what comes.
        rest = whole[len(whole) - 1 - len(t) + int(np.argmax(again)) :]
        return Cells(begun_s=float(rest[0, 0])), rest
    low = np.minimum.accumulate(np.append(cells.low, middle))[1:]
    plain = np.abs(y[2:] - y[:-2]) < _SMOOTH
    bend = np.clip((y[1:-1] - 0.5 * (y[:-2] + y[2:]))[plain], -FAR, FAR)
    kept = replace(
        cells,
        rows=_added(cells, t, steady, low, gap),
        tail=whole[-2:],
        low=float(low[-1]),
        bends=cells.bends + float(np.sum(bend**2)) / 1.5,
        bent=cells.bent + float(len(bend)),
    )
    return kept, None


def _added(cells: Cells, t: FloatArray, y: FloatArray, low: FloatArray, gap: FloatArray) -> FloatArray:
    """The rows with these readings put into their cells."""
    assert cells.begun_s is not None
    age = np.maximum(t - cells.begun_s, 0.0)
    key_t = np.floor(PER_OCTAVE * np.log2(1.0 + age / SHORTEST_S))
    key_p = np.floor(-low / FALL)
    starts = np.flatnonzero(np.append(True, (np.diff(key_t) != 0) | (np.diff(key_p) != 0)))
    n = np.diff(np.append(starts, len(t))).astype(float)
    new = np.column_stack(
        [
            n,
            np.add.reduceat(t, starts),
            np.add.reduceat(y, starts),
            np.minimum.reduceat(gap, starts),
            key_t[starts],
            key_p[starts],
        ]
    )
    rows = cells.rows
    if len(rows) and rows[-1, _KEY_T] == new[0, _KEY_T] and rows[-1, _KEY_P] == new[0, _KEY_P]:
        joined = rows[-1].copy()
        joined[[_N, _T, _Y]] += new[0, [_N, _T, _Y]]
        joined[_STEP] = min(joined[_STEP], new[0, _STEP])
        rows, new = np.concatenate([rows[:-1], joined[None]]), new[1:]
    return np.concatenate([rows, new])


def means(cells: Cells, most: int) -> Means:
    """The cells, neighbours joined until there are no more than ``most``, with their errors.

    A display's step adds s²/12 where noise is too small to shake it (see `analytics.core.binned`).
    """
    assert cells.begun_s is not None
    rows = np.concatenate([cells.rows, _newest(cells)])
    while len(rows) > most:
        rows = _halved(rows)
    n, t, y = rows[:, _N], rows[:, _T] / rows[:, _N] - cells.begun_s, rows[:, _Y] / rows[:, _N]
    noise, p = cells.noise, np.exp(y)
    shaken = noise * p
    near = np.stack([np.roll(rows[:, _STEP], shift) for shift in (-1, 0, 1)]).min(axis=0)
    step = np.where(np.isfinite(near) & (n > 2), near, 0.0)
    hidden = step**2 / 12 * np.exp(-2 * (math.pi * shaken / np.maximum(step, 1e-9)) ** 2)
    sd: npt.NDArray[np.float64] = np.sqrt(noise**2 / n + hidden / p**2)
    return Means(t, y, n, np.maximum(sd, 1e-4))


def _newest(cells: Cells) -> FloatArray:
    """The last reading, which waits for its neighbour, as a row of its own; none where it may be a spike."""
    t, y = cells.tail[-1]
    before = float(cells.tail[0, 1])
    last = cells.rows[-1]
    falling = max(float(last[_Y] / last[_N]) - before, 0.0)
    if not before - 1.5 * falling - FAR < y < before + FAR:
        return _none()
    return np.array([[1.0, t, y, math.inf, 0.0, 0.0]])


def _halved(rows: FloatArray) -> FloatArray:
    """Every second row joined to its neighbour, but for the last two."""
    body, last = rows[: len(rows) - 2], rows[len(rows) - 2 :]
    odd = body[len(body) // 2 * 2 :]
    a, b = body[0 : len(body) // 2 * 2 : 2], body[1 : len(body) // 2 * 2 : 2]
    joined = a + b
    joined[:, _STEP] = np.minimum(a[:, _STEP], b[:, _STEP])
    joined[:, [_KEY_T, _KEY_P]] = a[:, [_KEY_T, _KEY_P]]
    return np.concatenate([joined, odd, last])

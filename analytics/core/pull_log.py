"""The pull-downs of a log: how long each took, how well the pump pulled, where the pressure stood."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from analytics.core import pull_words
from analytics.core.figures import duration_text, pressure_text
from analytics.core.outcome import interval_row, iso
from analytics.core.pull_cells import Cells, fold
from analytics.core.pull_down import Known, judge, standing
from model.clock import US
from model.judgement import Phase
from model.pull_down import PullDown, Speed, Stall, State
from physics.types import FloatArray
from physics.units import MICRON_PA

USUAL_TARGET_PA = 500 * MICRON_PA
"""Below this a pressure may stand where no target is named: the usual one, common practice."""

_FIRST_S, _GROWTH, _MOST = 30.0, 1.15, 400
_SAME = 0.3
"""Two stands nearer than this in ln P are one."""


@dataclass(frozen=True, slots=True)
class _Seen:
    """A pull-down at a moment [s since the epoch]."""

    at_s: float
    cells: Cells


def pull_row(
    phase: Phase,
    time_s: FloatArray,
    pressure_pa: FloatArray,
    *,
    target_pa: float | None,
    known: Known,
    top_pa: float | None,
    ends_log: bool,
) -> dict[str, Any] | None:
    """What is to be said of one pull-down, in the JSON shape of the outside contract.

    Parameters
    ----------
    phase : Phase
        Of the kind pull-down.
    time_s, pressure_pa : ndarray, shape (n,)
        Its readings, times since the epoch [s], [Pa]; at the gauge's top where it is over.
    target_pa : float or None
        Target [Pa], if one was named.
    known : Known
        What is known of the rig.
    top_pa : float or None
        Top of the gauge's range [Pa].
    ends_log : bool
        Whether the log ends with it: only then a time to the target is said.

    Returns
    -------
    dict or None
        None where there are too few readings.
    """
    asked_pa = USUAL_TARGET_PA if target_pa is None else target_pa
    seen = _moments(time_s, pressure_pa, top_pa)
    if not seen:
        return None
    begun_s, end_s = phase.start_us / US, float(time_s[-1])
    reached_s = _reached(time_s, pressure_pa, target_pa)
    falling = [one for one in seen if reached_s is None or one.at_s < reached_s] or seen[:1]
    last = judge(falling[-1].cells, asked_pa, known)
    if last.state is State.REACHED:
        # What the log begins with is the target already: only how the pump pulls is left to be said.
        last = judge(falling[-1].cells, 0.5 * math.exp(falling[-1].cells.low), known)
    stalls = _stalls(falling, asked_pa, known)
    forecast = last.until if ends_log and target_pa is not None and reached_s is None else None
    lowest = float(np.exp(seen[-1].cells.low))
    sentences = _sentences(last, stalls, forecast is not None, asked_pa)
    advice = pull_words.advice(last) if ends_log and reached_s is None else ""
    return {
        "start": iso(phase.start_us),
        "end": iso(round(end_s * US)),
        "seconds": end_s - begun_s,
        "from_pa": phase.start_pa,
        "lowest_pa": lowest,
        "target_pa": target_pa,
        "target_after_s": None if reached_s is None else reached_s - begun_s,
        "until_target_s": None
        if forecast is None
        else {
            "value": forecast.value,
            "low": forecast.low,
            "high": forecast.high,
            "never": round(forecast.never, 3),
        },
        "speed_at_first": _speed_row(last.best),
        "speed_at_last": _speed_row(last.now),
        "stalls": [
            {
                "start": iso(round((one.at_s - stall.since_s) * US)),
                "seconds": stall.since_s,
                "pressure_pa": stall.pressure_pa,
                "cause": stall.named.value,
                "free_water": round(stall.water, 3),
            }
            for one, stall in stalls
        ],
        "evidence": list(sentences),
        "advice": advice,
    }


def _moments(time_s: FloatArray, pressure_pa: FloatArray, top_pa: float | None) -> list[_Seen]:
    """The pull-down as it was known at moments ever farther apart."""
    if len(time_s) < 4:
        return []
    begun, end = float(time_s[0]), float(time_s[-1])
    age = _FIRST_S * _GROWTH ** np.arange(_MOST)
    moments = [*(begun + age[age < end - begun]).tolist(), end]
    cells, seen, taken = Cells(), [], 0
    for moment in moments:
        until = int(np.searchsorted(time_s, moment, side="right"))
        if until > taken:
            cells = fold(cells, time_s[taken:until], pressure_pa[taken:until], top_pa)
            taken = until
            if len(cells.rows):
                seen.append(_Seen(float(time_s[until - 1]), cells))
    return seen


def _reached(time_s: FloatArray, pressure_pa: FloatArray, target_pa: float | None) -> float | None:
    """When the median of three readings came to the target for the first time [s]."""
    if target_pa is None:
        return None
    middle = np.median(np.stack([pressure_pa[:-2], pressure_pa[1:-1], pressure_pa[2:]]), axis=0)
    under = np.flatnonzero(middle <= target_pa)
    return float(time_s[under[0] + 2]) if len(under) else None


def _stalls(seen: list[_Seen], target_pa: float, known: Known) -> list[tuple[_Seen, Stall]]:
    """Where it stood, each for as long as it did."""
    found: list[tuple[_Seen, Stall]] = []
    for one in seen:
        stall = standing(one.cells, target_pa, known)
        if stall is None:
            continue
        before = found[-1][1] if found else None
        if before is not None and abs(math.log(before.pressure_pa / stall.pressure_pa)) < _SAME:
            since_s = min(found[-1][0].at_s - before.since_s, one.at_s - stall.since_s)
            found[-1] = (one, replace(stall, since_s=one.at_s - since_s))
        else:
            found.append((one, stall))
    return found


def _speed_row(speed: Speed | None) -> dict[str, Any] | None:
    if speed is None:
        return None
    return {
        "pressure_pa": speed.pressure_pa,
        "per_s": interval_row(speed.per_s),
        "m3_per_s": interval_row(speed.m3_s),
        "share_of_rating": speed.of_rating,
        "share_of_explained": speed.of_explained,
        "held_back": speed.held_back,
    }


def _sentences(
    last: PullDown, stalls: list[tuple[_Seen, Stall]], forecast: bool, target_pa: float
) -> tuple[str, ...]:
    """Speed at first and at last, every stand, and the time to the target where the log ends before it."""
    best, now = last.best, last.now
    if best is not None and now is not None and now.held_back:
        # Said once.
        best = replace(best, held_back=False)
    said = [] if best is None else [pull_words.speed(best)]
    if forecast or (last.stall is not None and stalls):
        return (*said, *pull_words.sentences(last, target_pa))
    if now is not None and best is not None and now.pressure_pa < 0.5 * best.pressure_pa:
        said.append(pull_words.speed(now))
    for _, stall in stalls:
        said += pull_words.standing(stall)
    return tuple(said)


def summary(row: dict[str, Any]) -> str:
    """One line: from where to where, in what time."""
    start = "" if row["from_pa"] is None else f" from {pressure_text(row['from_pa'])}"
    said = f"Pull-down{start} to {pressure_text(row['lowest_pa'])} in {duration_text(row['seconds'])}"
    if row["target_after_s"] is not None:
        said += f", at the target after {duration_text(row['target_after_s'])}"
    elif row["target_pa"] is not None:
        said += ", the target not reached"
    return said + "."

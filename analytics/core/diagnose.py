"""Judging a log from a file: the same recognition and rule as for a live job, and a first cause."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from analytics.core.cause import diagnose
from analytics.core.evacuation import breaks_done
from analytics.core.log_options import DiagnoseOptions
from analytics.core.logfile.text import Progress
from analytics.core.outcome import hold_row, phase_row
from analytics.core.pull_log import pull_row
from analytics.core.series_csv import Series, parse_time_us, read_series
from analytics.core.thinning import thinned
from analytics.core.track import COLDEST_K, HOTTEST_K, Sample, TrackSettings, View, begin, fold, view
from model.clock import US
from model.equipment import Instrument, Position, Role
from model.judgement import Diagnosis, HoldTest, Phase, PhaseKind
from model.procedure import Procedure
from model.reading import Quantity, Valve
from physics.types import FloatArray
from physics.units import MICRON_PA

USUAL_LIMIT_PA = 2500 * MICRON_PA
"""Permitted value where none is given: the usual one, common practice."""

_ANY_PA = 1e6
_LOWEST_TOP_PA = 1_000.0
"""No vacuum gauge of the trade ends below this: a log that stays lower does not show the top."""

UNSEEN_TARGET = "The log begins with the closing: whether the target had been held before is not known."

PERHAPS_VENTED = "If somebody let gas in by hand there, it was no hold and this verdict means nothing."

CHOKED_PA = 50_000.0
"""Up to about half an atmosphere air enters at a choked, constant rate; above, a rise bends without water."""

RECOGNISED_ROWS = 150_000
"""Phases are recognised in no more rows than this; a longer log is thinned out for it."""

JUDGED_ROWS = 400_000
"""A hold is judged by its readings themselves up to this many, 11 h at 10 Hz; then by medians of blocks."""

_MOST_HOLDS = 12
"""Holds that are judged in one log: the longest."""

_WORTH = 0.5
"""The hold that is reported first is the last of those at least this share of the longest."""

_DWELL_S = 60.0
_SETTLE_S = 120.0
_SETTLE_SHARE = 0.1
_GAUGE, _VALVE = 1, 2


@dataclass(frozen=True, slots=True)
class Judged:
    """A log and what was found in it."""

    series: Series
    result: dict[str, Any]
    """In the JSON shape of the outside contract; ``hold`` is None where no hold was found."""


def diagnose_file(path: Path, options: DiagnoseOptions) -> dict[str, Any]:
    """Judge a log; the result alone, in the JSON shape of the outside contract. See `judge_file`."""
    return judge_file(path, options).result


def judge_file(path: Path, options: DiagnoseOptions, progress: Progress = lambda share: None) -> Judged:
    """Judge a log.

    Parameters
    ----------
    path : Path
        See `analytics.core.series_csv.read_series`.
    options : DiagnoseOptions
        What the caller says of it.
    progress : callable, optional
        Told the share of the work that is done.

    Raises
    ------
    BadInput
        If the file or an option cannot be used.
    """
    series = read_series(path, options.unit, lambda share: progress(0.4 * share))
    asked_pa = options.target_pa
    if _nothing_before(series, options):
        options = replace(options, target_pa=None)
    found = _Finder(series, options, _top(series)).find(lambda share: progress(0.4 + 0.6 * share))
    if asked_pa is not None and options.target_pa is None:
        for hold in found.holds:
            hold["remarks"] = [*hold["remarks"], UNSEEN_TARGET]
    result = {
        "file": str(path),
        "phases": found.phases,
        "breaks": found.breaks,
        "hold": found.chosen,
        "holds": found.holds,
        "pull_downs": found.pull_downs,
        "unread_rows": series.skipped,
        "unit_assumed": series.unit if series.unit_assumed else None,
        "calendar": series.absolute,
        "remarks": [*series.remarks, *found.remarks],
    }
    progress(1.0)
    return Judged(series, result)


def _nothing_before(series: Series, options: DiagnoseOptions) -> bool:
    """Whether the log has no reading from before the closing, so that no target can have been seen held."""
    if options.whole_file_is_hold:
        return True
    if options.isolated_at is None:
        return False
    first_us = series.time_us[np.argmax(~np.isnan(series.pressure_pa) | series.over)]
    return parse_time_us(options.isolated_at, series) <= int(first_us)


def _top(series: Series) -> float | None:
    """Top of the gauge's range, where the log shows it: its highest value, many times, or reported over."""
    named = series.pressure_pa[series.over & ~np.isnan(series.pressure_pa)]
    if len(named):
        # "> 1000": the gauge says itself where it ends.
        return float(np.median(named))
    values = series.pressure_pa[~np.isnan(series.pressure_pa)]
    if not len(values):
        return None
    highest = float(values.max())
    pegged = np.count_nonzero(values == highest) >= 5 and highest > _LOWEST_TOP_PA
    # A gauge that reads up to the atmosphere shows that, and is at no end of its range.
    over = highest > _LOWEST_TOP_PA and bool(series.over.any())
    return highest if (pegged and highest < 50_000) or over else None


# Finding and judging -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Found:
    phases: list[dict[str, object]]
    holds: list[dict[str, Any]]
    chosen: dict[str, Any] | None
    remarks: list[str]
    pull_downs: list[dict[str, Any]]
    breaks: int


@dataclass(frozen=True, slots=True)
class _Candidate:
    phase: Phase
    closed_us: int | None
    """When the valve closed, where that is known or was found otherwise than by recognition [µs]."""
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Finder:
    """Finds the holds of a log and judges each."""

    series: Series
    options: DiagnoseOptions
    top_pa: float | None

    def find(self, progress: Progress) -> _Found:
        """Recognise phases in the whole log, then judge each hold by its own readings."""
        coarse, _ = thinned(self.series, RECOGNISED_ROWS)
        closed_us = self._closed_us()
        seen = self._view(coarse, closed_us, None, lambda share: progress(0.5 * share))
        phases = seen.phases
        holds = [_Candidate(phase, closed_us) for phase in _tested(seen)]
        if self._finds_itself() and (at_us := _gross_rise(coarse, [one.phase for one in holds])) is not None:
            again = self._view(coarse, at_us, None, lambda share: None)
            # The run is the hold, however near to the atmosphere it ends.
            run = [replace(phase, end_us=None) for phase in _tested(again) if phase.start_us == at_us]
            if run:
                phases = (*_before(phases, at_us), *run)
                holds += [_Candidate(phase, at_us, (PERHAPS_VENTED,)) for phase in run]
        last_us = int(self.series.time_us[-1])
        holds.sort(key=lambda one: _lasted_us(one.phase, last_us), reverse=True)
        holds = sorted(holds[:_MOST_HOLDS], key=lambda one: one.phase.start_us)
        remarks: list[str] = []
        judged: list[tuple[Phase, dict[str, Any]]] = []
        since_us = int(self.series.time_us[0])
        for at, one in enumerate(holds):
            row = self._hold(one, since_us, remarks)
            if row is not None:
                judged.append((one.phase, row))
            since_us = one.phase.end_us or since_us
            progress(0.5 + 0.5 * (at + 1) / len(holds))
        return _Found(
            [phase_row(phase, last_us) for phase in phases],
            [row for _, row in judged],
            _chosen(judged, last_us),
            remarks,
            self._pull_downs(coarse, phases),
            breaks_done([(phase.kind, phase.start_us) for phase in phases]),
        )

    def _pull_downs(self, coarse: Series, phases: Sequence[Phase]) -> list[dict[str, Any]]:
        """What each pull-down shows, the longest ones if there are many."""
        last_us = int(coarse.time_us[-1])
        pulls = [phase for phase in phases if phase.kind is PhaseKind.PULL_DOWN]
        pulls = sorted(pulls, key=lambda one: _lasted_us(one, last_us), reverse=True)[:_MOST_HOLDS]
        rows = []
        for phase in sorted(pulls, key=lambda one: one.start_us):
            stretch = _cut(coarse, phase.start_us, last_us if phase.end_us is None else phase.end_us)
            row = pull_row(
                phase,
                stretch.time_us / US,
                _with_top(stretch, self.top_pa),
                target_pa=self.options.target_pa,
                known=self.options.known(_kelvin(stretch)),
                top_pa=self.top_pa,
                ends_log=phase.end_us is None or phase.end_us >= last_us,
            )
            if row is not None:
                rows.append(row)
        return rows

    def _finds_itself(self) -> bool:
        return (
            self.options.isolated_at is None
            and not self.options.whole_file_is_hold
            and self.series.valve is None
        )

    def _closed_us(self) -> int | None:
        """When the valve closed, where the caller says it."""
        if self.options.whole_file_is_hold:
            return int(self.series.time_us[0])
        if self.options.isolated_at is None:
            return None
        return parse_time_us(self.options.isolated_at, self.series)

    def _hold(self, one: _Candidate, since_us: int, remarks: list[str]) -> dict[str, Any] | None:
        """Judge one hold, by the readings since the one before."""
        found, last_us = one.phase, int(self.series.time_us[-1])
        end_us = last_us if found.end_us is None else found.end_us
        length_s = self.options.hold_s or (end_us - found.start_us) / US
        if length_s <= 0:
            return None
        settings = _settings(self.options, self.top_pa, length_s)
        # Where those do not show it again, recognition needs all that went before.
        for from_us in (since_us, int(self.series.time_us[0])):
            stretch, size = thinned(_cut(self.series, from_us, end_us + _after_us(settings)), JUDGED_ROWS)
            hold = self._judged(stretch, one.closed_us, settings, found)
            if hold is not None:
                if size > 1:
                    remarks.append(f"The log is long: a hold was judged by medians of {size} readings each.")
                hold = replace(hold, remarks=(*hold.remarks, *one.remarks))
                return hold_row(hold, _cause(stretch, hold, settings, self.top_pa, found), found)
        return None

    def _judged(
        self, stretch: Series, closed_us: int | None, settings: TrackSettings, found: Phase
    ) -> HoldTest | None:
        seen = self._view(stretch, closed_us, settings, lambda share: None)
        near = [one for one in seen.holds if abs(one.start_us - found.start_us) <= 300 * US]
        return min(near, key=lambda one: abs(one.start_us - found.start_us), default=None)

    def _view(
        self, series: Series, closed_us: int | None, settings: TrackSettings | None, progress: Progress
    ) -> View:
        span_s = float(series.time_us[-1] - series.time_us[0]) / US
        given = settings or _settings(self.options, self.top_pa, self.options.hold_s or span_s + 86_400.0)
        samples = _samples(series, closed_us, self.options.whole_file_is_hold, progress)
        state = fold(begin(given), given, samples)
        # Nothing will be added to a file: whatever could be awaited has been.
        last_us = int(series.time_us[-1])
        return view(state, given, last_us + round((given.procedure.hold_s + 86_400) * US))


def _tested(seen: View) -> list[Phase]:
    """The holds that have a hold test."""
    tested = {hold.start_us for hold in seen.holds}
    return [phase for phase in seen.phases if phase.kind is PhaseKind.HOLD and phase.start_us in tested]


def _before(phases: tuple[Phase, ...], at_us: int) -> list[Phase]:
    """The phases before a run upwards; what the run itself looked like is none."""
    kept = [phase for phase in phases if phase.start_us < at_us]
    while kept and kept[-1].kind in (PhaseKind.BROKEN, PhaseKind.IDLE):
        kept.pop()
    if kept:
        kept[-1] = replace(kept[-1], end_us=at_us)
    return kept


def _lasted_us(phase: Phase, last_us: int) -> int:
    return (last_us if phase.end_us is None else phase.end_us) - phase.start_us


def _chosen(judged: list[tuple[Phase, dict[str, Any]]], last_us: int) -> dict[str, Any] | None:
    """The last of the holds that lasted at least half as long as the longest."""
    longest = max((_lasted_us(phase, last_us) for phase, _ in judged), default=0)
    worth = [row for phase, row in judged if _lasted_us(phase, last_us) >= _WORTH * longest]
    return worth[-1] if worth else None


def _cut(series: Series, from_us: int, to_us: int) -> Series:
    a, b = np.searchsorted(series.time_us, [from_us, to_us], side="left")
    rows = slice(int(a), int(b) + 1)
    return replace(
        series,
        time_us=series.time_us[rows],
        pressure_pa=series.pressure_pa[rows],
        over=series.over[rows],
        temperature_k=None if series.temperature_k is None else series.temperature_k[rows],
        valve=None if series.valve is None else series.valve[rows],
    )


def _after_us(settings: TrackSettings) -> int:
    """What is looked at after the end of a hold: the extension, and a slow gauge's readings [µs]."""
    return round((3 * settings.procedure.persistence_s + 900) * US)


def _settings(options: DiagnoseOptions, top_pa: float | None, hold_s: float) -> TrackSettings:
    limit_pa = options.limit_pa
    if limit_pa is None and options.rise_pa is None:
        limit_pa = USUAL_LIMIT_PA
    procedure = Procedure(
        name="",
        target_pa=_ANY_PA if options.target_pa is None else options.target_pa,
        dwell_s=0.0 if options.target_pa is None else _DWELL_S,
        hold_s=hold_s,
        settle_s=min(_SETTLE_S, _SETTLE_SHARE * hold_s),
        limit_pa=limit_pa,
        rise_pa=options.rise_pa,
        origin="",
        patience_s=0.0,
    )
    gauge = Instrument(
        _GAUGE, 0, "gauge", Role.GAUGE, Position.CIRCUIT, "", "Pa", None, top_pa, 0.1, 10.0, ""
    )
    valve = Instrument(_VALVE, 0, "valve", Role.VALVE, Position.CIRCUIT, "", "Pa", None, None, 0.0, 10.0, "")
    return TrackSettings(procedure, (gauge, valve), _GAUGE, options.volume_m3, rig=options.rig)


def _samples(
    series: Series, closed_us: int | None, all_through: bool, progress: Progress
) -> Iterator[Sample]:
    """The rows as samples, in the order of their times; made as they are needed."""
    n = len(series)
    if closed_us is not None and not all_through and series.time_us[0] < closed_us:
        yield Sample(int(series.time_us[0]), _VALVE, Quantity.VALVE, float(Valve.OPEN))
    closing = closed_us
    for start in range(0, n, 20_000):
        rows = slice(start, start + 20_000)
        kelvins = [None] * n if series.temperature_k is None else series.temperature_k[rows].tolist()
        valves = [-1] * n if series.valve is None else series.valve[rows].tolist()
        columns = (series.time_us[rows], series.pressure_pa[rows], series.over[rows])
        for time_us, pressure, over, kelvin, valve in zip(
            *(column.tolist() for column in columns), kelvins, valves, strict=False
        ):
            if closing is not None and time_us >= closing:
                yield Sample(closing, _VALVE, Quantity.VALVE, float(Valve.CLOSED))
                closing = None
            if pressure == pressure:
                yield Sample(time_us, _GAUGE, Quantity.PRESSURE, pressure)
            if over:
                yield Sample(time_us, _GAUGE, Quantity.OVERRANGE, 1.0)
            if kelvin is not None and kelvin == kelvin:
                yield Sample(time_us, _GAUGE, Quantity.TEMPERATURE, kelvin)
            if valve >= 0 and (closed_us is None or (not all_through and time_us > closed_us)):
                yield Sample(time_us, _VALVE, Quantity.VALVE, float(valve))
        progress(min((start + 20_000) / n, 1.0))


def _with_top(series: Series, top_pa: float | None) -> FloatArray:
    """Pressures, those over the range at its top [Pa]."""
    if top_pa is None:
        return series.pressure_pa
    return np.where(series.over, top_pa, np.minimum(series.pressure_pa, top_pa))


def _kelvin(series: Series) -> float | None:
    """Temperature of a stretch, None where no thermometer says it [K]."""
    kelvins = series.temperature_k
    if kelvins is None:
        return None
    plausible = kelvins[(kelvins >= COLDEST_K) & (kelvins <= HOTTEST_K)]
    return float(np.median(plausible)) if len(plausible) else None


def _gross_rise(series: Series, holds: list[Phase]) -> int | None:
    """Where a log that ends in a run upwards left its lowest pressure, as with a gross leak.

    None where a hold was recognised there already.
    """
    use = ~np.isnan(series.pressure_pa) | series.over
    times, values = series.time_us[use], np.where(series.over, np.inf, series.pressure_pa)[use]
    if len(values) < 5:
        return None
    middle = np.sort(np.stack([values[:-2], values[1:-1], values[2:]]), axis=0)[1]
    steady = np.concatenate((values[:1], middle, values[-1:]))
    steady[0], steady[-1] = min(values[:2]), min(values[-2:])
    low = len(steady) - 1 - int(np.argmin(steady[::-1]))
    left = steady[low:]
    least = max(float(left[0]), 0.1)
    if len(left) < 3 or not left[-1] > 2.0 * least:
        return None
    # The last reading before the run; from there on it never comes back.
    still_low = np.flatnonzero(left <= 1.2 * least)
    at_us = int(times[low + int(still_low[-1])])
    if any(one.end_us is None or one.end_us > at_us for one in holds):
        return None
    return at_us


def _cause(
    series: Series, hold: HoldTest, settings: TrackSettings, top_pa: float | None, found: Phase
) -> Diagnosis:
    end_us = min(hold.planned_end_us, found.end_us or hold.planned_end_us)
    use = (hold.start_us <= series.time_us) & (series.time_us <= end_us)
    use &= ~np.isnan(series.pressure_pa) & ~series.over
    kelvins = None
    if series.temperature_k is not None:
        kelvins = series.temperature_k[use]
        kelvins = np.where((kelvins >= COLDEST_K) & (kelvins <= HOTTEST_K), kelvins, np.nan)
    top_pa = min(top_pa or CHOKED_PA, CHOKED_PA)
    return diagnose(
        (series.time_us[use] - hold.start_us) / US,
        np.minimum(series.pressure_pa[use], top_pa),
        kelvins if kelvins is not None and np.isfinite(kelvins).any() else None,
        start_pa=hold.start_pa,
        limit_pa=hold.limit_pa,
        settle_s=settings.procedure.settle_s,
        hold_s=settings.procedure.hold_s,
        volume_m3=settings.volume_m3,
        top_pa=top_pa,
    )

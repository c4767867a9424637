"""Judging a log from a file: the same recognition and rule as for a live job, and a first cause."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from datetime import UTC
from pathlib import Path
from typing import Any

import numpy as np

from analytics.core.cause import diagnose
from analytics.core.series_csv import Series, parse_time_us, read_series
from analytics.core.track import Sample, TrackSettings, View, begin, fold, view
from model.clock import US, to_datetime
from model.equipment import Instrument, Position, Role
from model.errors import BadInput
from model.judgement import Diagnosis, HoldTest, Interval, Phase, PhaseKind, Verdict
from model.procedure import Procedure
from model.reading import Quantity, Valve
from physics.constants import ZERO_CELSIUS_K
from physics.units import MICRON_PA, to_pascal

USUAL_LIMIT_PA = 2500 * MICRON_PA
"""Permitted value where none is given: the usual one, common practice."""

_USUAL_TARGET_PA = 500 * MICRON_PA
_ANY_PA = 1e6
_LOWEST_TOP_PA = 1_000.0
"""No vacuum gauge of the trade ends below this: a log that stays lower does not show the top."""

UNSEEN_TARGET = "The log begins with the closing: whether the target had been held before is not known."

_DWELL_S = 60.0
_SETTLE_S = 120.0
_SETTLE_SHARE = 0.1
_GAUGE, _VALVE = 1, 2
_QUANTITY = re.compile(r"^\s*([+-]?[\d.,]+(?:[eE][+-]?\d+)?)\s*(.*?)\s*$")
_VOLUMES = {
    "l": 1e-3,
    "litre": 1e-3,
    "litres": 1e-3,
    "liter": 1e-3,
    "liters": 1e-3,
    "ml": 1e-6,
    "dm3": 1e-3,
    "cm3": 1e-6,
    "m3": 1.0,
    "m³": 1.0,
    "ft3": 0.3048**3,
    "cuft": 0.3048**3,
    "cu ft": 0.3048**3,
}
_TIMES = {
    "s": 1.0,
    "sec": 1.0,
    "second": 1.0,
    "seconds": 1.0,
    "min": 60.0,
    "minute": 60.0,
    "minutes": 60.0,
    "h": 3600.0,
    "hr": 3600.0,
    "hour": 3600.0,
    "hours": 3600.0,
    "d": 86_400.0,
}


@dataclass(frozen=True, slots=True)
class DiagnoseOptions:
    """What the caller says of a log, in SI units; see `options_from_text` for how people write it.

    Parameters
    ----------
    unit : str or None
        Unit of the pressures in the file.
    volume_m3 : float or None
        Volume of the isolated circuit [m³].
    target_pa : float or None
        Target that must have been held before the hold [Pa]; not asked for if None.
    limit_pa, rise_pa : float or None
        Permitted pressure and permitted rise [Pa]; the usual 2500 micron if neither is given.
    hold_s : float or None
        Length of the hold [s]; as long as it lasted if None.
    isolated_at : str or None
        When the valve closed, as the file writes times.
    whole_file_is_hold : bool
        The valve was closed from the first row to the last.
    """

    unit: str | None = None
    volume_m3: float | None = None
    target_pa: float | None = None
    limit_pa: float | None = None
    rise_pa: float | None = None
    hold_s: float | None = None
    isolated_at: str | None = None
    whole_file_is_hold: bool = False


def options_from_text(
    *,
    unit: str | None = None,
    volume: str | None = None,
    target: str | None = None,
    limit: str | None = None,
    rise: str | None = None,
    hold: str | None = None,
    isolated_at: str | None = None,
    whole_file_is_hold: bool = False,
) -> DiagnoseOptions:
    """Read options as people write them: ``"12 L"``, ``"500 micron"``, ``"30 min"``.

    Raises
    ------
    BadInput
        One sentence, with the option in ``field``.
    """
    if isolated_at is not None and whole_file_is_hold:
        raise BadInput("Either the valve closed at a time or the whole file is the hold, not both.")
    options = DiagnoseOptions(
        unit=unit,
        volume_m3=None if volume is None else _quantity(volume, "volume", _VOLUMES, "12 L"),
        target_pa=None if target is None else _pressure(target, "target", unit),
        limit_pa=None if limit is None else _pressure(limit, "limit", unit),
        rise_pa=None if rise is None else _pressure(rise, "rise", unit),
        hold_s=None if hold is None else _quantity(hold, "hold", _TIMES, "30 min"),
        isolated_at=isolated_at,
        whole_file_is_hold=whole_file_is_hold,
    )
    for field in ("volume_m3", "target_pa", "limit_pa", "rise_pa", "hold_s"):
        value = getattr(options, field)
        if value is not None and not value > 0:
            raise BadInput(f"The {field.split('_')[0]} must be above zero.", field=field.split("_")[0])
    return options


def _split(text: str, field: str, example: str) -> tuple[float, str]:
    match = _QUANTITY.match(text)
    try:
        if match is None:
            raise ValueError(text)
        return float(match[1].replace(",", ".")), match[2]
    except ValueError:
        raise BadInput(
            f"{text!r} is no {field}; write a number and its unit, for example {example!r}.", field=field
        ) from None


def _quantity(text: str, field: str, units: dict[str, float], example: str) -> float:
    value, unit = _split(text, field, example)
    factor = units.get(unit.casefold())
    if factor is None:
        raise BadInput(
            f"{text!r} is no {field}; write a number and its unit, for example {example!r}.", field=field
        )
    return value * factor


def _pressure(text: str, field: str, unit: str | None) -> float:
    value, named = _split(text, field, "500 micron")
    if not named and unit is None:
        raise BadInput(f"{text!r} lacks a unit; write for example '500 micron'.", field=field)
    try:
        return to_pascal(value, named or unit or "")
    except ValueError as error:
        raise BadInput(f"{str(error)[0].upper()}{str(error)[1:]}.", field=field) from None


def diagnose_file(path: Path, options: DiagnoseOptions) -> dict[str, object]:
    """Judge a log.

    Returns
    -------
    dict
        In the JSON shape of the outside contract; ``hold`` is None where no hold was found.

    Raises
    ------
    BadInput
        If the file or an option cannot be used.
    """
    series = read_series(path, options.unit)
    asked_pa = options.target_pa
    if _nothing_before(series, options):
        options = replace(options, target_pa=None)
    hold, phases = _found(series, options)
    if hold is not None and asked_pa is not None and options.target_pa is None:
        hold["remarks"] = [*hold["remarks"], UNSEEN_TARGET]
    return {
        "file": str(path),
        "phases": phases,
        "hold": hold,
        "unread_rows": series.skipped,
        "unit_assumed": series.unit if series.unit_assumed else None,
    }


def _nothing_before(series: Series, options: DiagnoseOptions) -> bool:
    """Whether the log has no reading from before the closing, so that no target can have been seen held."""
    if options.whole_file_is_hold:
        return True
    if options.isolated_at is None:
        return False
    first_us = next(row.time_us for row in series.rows if row.pressure_pa is not None or row.over)
    return parse_time_us(options.isolated_at, series) <= first_us


def _found(series: Series, options: DiagnoseOptions) -> tuple[dict[str, Any] | None, list[dict[str, object]]]:
    """The hold, if there is one, and the phases."""
    top_pa = _top(series)
    first = _judged(series, options, top_pa, options.isolated_at)
    found = _longest_hold(first)
    if found is None and _finds_itself(options, series):
        at_us = _gross_rise(series)
        if at_us is not None:
            options = replace(options, isolated_at=repr(at_us / US))
            first = _judged(series, options, top_pa, options.isolated_at)
            found = _longest_hold(first)
            # The run is the hold, however near to the atmosphere it ends.
            found = None if found is None else replace(found, end_us=None)
    phases: list[dict[str, object]] = [_phase(phase, series) for phase in first.phases]
    if found is None:
        return None, phases
    length_s = options.hold_s
    if length_s is None:
        end_us = series.rows[-1].time_us if found.end_us is None else found.end_us
        length_s = (end_us - found.start_us) / US
        if length_s <= 0:
            return None, phases
    settings = _settings(options, top_pa, length_s)
    judged = _judged(series, options, top_pa, options.isolated_at, settings)
    hold = next((one for one in judged.holds if one.start_us == found.start_us), None)
    if hold is None:
        return None, phases
    cause = _cause(series, hold, settings, top_pa, found)
    return _hold(hold, cause, settings, found), phases


def _finds_itself(options: DiagnoseOptions, series: Series) -> bool:
    no_report = all(row.valve is None for row in series.rows)
    return options.isolated_at is None and not options.whole_file_is_hold and no_report


def _top(series: Series) -> float | None:
    """Top of the gauge's range, where the log shows it: its highest value, many times, or reported over."""
    values = [row.pressure_pa for row in series.rows if row.pressure_pa is not None]
    if not values:
        return None
    highest = max(values)
    pegged = sum(1 for value in values if value == highest) >= 5 and highest > _LOWEST_TOP_PA
    # A gauge that reads up to the atmosphere shows that, and is at no end of its range.
    over = highest > _LOWEST_TOP_PA and any(row.over for row in series.rows)
    return highest if (pegged and highest < 50_000) or over else None


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
    return TrackSettings(procedure, (gauge, valve), _GAUGE, options.volume_m3)


def _judged(
    series: Series,
    options: DiagnoseOptions,
    top_pa: float | None,
    isolated_at: str | None,
    settings: TrackSettings | None = None,
) -> View:
    span_s = (series.rows[-1].time_us - series.rows[0].time_us) / US
    given = settings or _settings(options, top_pa, options.hold_s or span_s + 86_400.0)
    state = fold(begin(given), given, _samples(series, options, isolated_at))
    # Nothing will be added to a file: whatever could be awaited has been.
    return view(state, given, series.rows[-1].time_us + round((given.procedure.hold_s + 86_400) * US))


def _samples(series: Series, options: DiagnoseOptions, isolated_at: str | None) -> list[Sample]:
    samples = []
    first_us = series.rows[0].time_us
    closed_us = parse_time_us(isolated_at, series) if isolated_at is not None else None
    if options.whole_file_is_hold:
        closed_us = first_us
    elif closed_us is not None:
        samples.append(Sample(first_us, _VALVE, Quantity.VALVE, float(Valve.OPEN)))
    if closed_us is not None:
        samples.append(Sample(closed_us, _VALVE, Quantity.VALVE, float(Valve.CLOSED)))
    for row in series.rows:
        if row.pressure_pa is not None:
            samples.append(Sample(row.time_us, _GAUGE, Quantity.PRESSURE, row.pressure_pa))
        if row.over:
            samples.append(Sample(row.time_us, _GAUGE, Quantity.OVERRANGE, 1.0))
        if row.temperature_k is not None:
            samples.append(Sample(row.time_us, _GAUGE, Quantity.TEMPERATURE, row.temperature_k))
        if row.valve is not None and (
            closed_us is None or (not options.whole_file_is_hold and row.time_us > closed_us)
        ):
            samples.append(Sample(row.time_us, _VALVE, Quantity.VALVE, float(row.valve)))
    return sorted(samples)


def _longest_hold(seen: View) -> Phase | None:
    """The longest hold that has a hold test."""
    tested = {hold.start_us for hold in seen.holds}
    holds = [phase for phase in seen.phases if phase.kind is PhaseKind.HOLD and phase.start_us in tested]
    last_us = max((phase.end_us or phase.start_us for phase in seen.phases), default=0)
    return max(holds, key=lambda phase: (phase.end_us or max(last_us, 2**62)) - phase.start_us, default=None)


def _gross_rise(series: Series) -> int | None:
    """Where a log that ends in a run upwards left its lowest pressure, as with a gross leak."""
    rows = [row for row in series.rows if row.pressure_pa is not None or row.over]
    values = np.array([np.inf if row.pressure_pa is None else row.pressure_pa for row in rows])
    if len(values) < 5:
        return None
    steady = np.array([float(np.median(values[max(i - 1, 0) : i + 2])) for i in range(len(values))])
    low = len(steady) - 1 - int(np.argmin(steady[::-1]))
    left = steady[low:]
    if len(left) < 3 or not left[-1] > 2.0 * max(float(left[0]), 0.1):
        return None
    # The last reading before the run; from there on it never comes back.
    still_low = np.flatnonzero(left <= 1.2 * max(float(left[0]), 0.1))
    return rows[low + int(still_low[-1])].time_us


def _cause(
    series: Series, hold: HoldTest, settings: TrackSettings, top_pa: float | None, found: Phase
) -> Diagnosis:
    end_us = min(hold.planned_end_us, found.end_us or hold.planned_end_us)
    rows = [
        row
        for row in series.rows
        if hold.start_us <= row.time_us <= end_us and row.pressure_pa is not None and not row.over
    ]
    kelvins = np.array([np.nan if row.temperature_k is None else row.temperature_k for row in rows])
    return diagnose(
        np.array([(row.time_us - hold.start_us) / US for row in rows]),
        np.array([row.pressure_pa for row in rows], dtype=np.float64),
        kelvins if np.isfinite(kelvins).any() else None,
        start_pa=hold.start_pa,
        limit_pa=hold.limit_pa,
        settle_s=settings.procedure.settle_s,
        hold_s=settings.procedure.hold_s,
        volume_m3=settings.volume_m3,
        top_pa=top_pa,
    )


# The contract's shape ----------------------------------------------------------------------------------


def _iso(time_us: int | None) -> str | None:
    return None if time_us is None else to_datetime(time_us).astimezone(UTC).isoformat()


def _phase(phase: Phase, series: Series) -> dict[str, object]:
    end_us = series.rows[-1].time_us if phase.end_us is None else phase.end_us
    return {"kind": phase.kind.value, "start": _iso(phase.start_us), "end": _iso(end_us)}


def _hold(hold: HoldTest, cause: Diagnosis, settings: TrackSettings, found: Phase) -> dict[str, Any]:
    end_us = hold.planned_end_us if found.end_us is None else min(hold.planned_end_us, found.end_us)
    failed = hold.verdict is Verdict.FAILED
    kelvin = cause.equilibrium_temperature_k
    return {
        "start": _iso(hold.start_us),
        "end": _iso(end_us),
        "verdict": hold.verdict.value,
        "reason": hold.reason,
        "text": hold.text,
        "decided_at": _iso(hold.decided_us),
        "first_over_limit": _iso(hold.first_over_us),
        "start_pa": hold.start_pa,
        "limit_pa": hold.limit_pa,
        "last_pa": hold.last_pa,
        "remarks": list(hold.remarks),
        "smallest_leak_shown_pa_m3_per_s": hold.smallest_leak_pa_m3_per_s,
        "cause": cause.cause.value,
        "probabilities": cause.probabilities,
        "evidence": list(cause.evidence),
        "advice": cause.advice,
        "rise_pa_per_s": {"leak": _interval(cause.leak_pa_per_s)},
        "leak_rate_pa_m3_per_s": _interval(cause.leak_pa_m3_per_s),
        "moisture": {
            "vapour_pa": cause.vapour_pa,
            "vapour_g": cause.vapour_g,
            "equilibrium_temperature_c": None if kelvin is None else kelvin - ZERO_CELSIUS_K,
        },
        # From the data up to then alone the rule itself can tell a fail at its decision, and no earlier
        # call is made here.
        "early_call": {
            "at": _iso(hold.decided_us) if failed else None,
            "outcome": "failed" if failed else None,
            "probability": 1.0 if failed else None,
        },
    }


def _interval(interval: Interval | None) -> dict[str, float] | None:
    if interval is None:
        return None
    return {"value": interval.value, "low": interval.low, "high": interval.high}

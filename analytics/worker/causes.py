"""Attaching the estimated cause to a verdict. An estimate never changes a verdict."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from analytics.core.cause import diagnose
from model.clock import US
from model.judgement import Cause, Diagnosis, HoldTest, Verdict
from model.reading import Quantity
from store.database import Connection
from store.setups import Row, Setup, Wanted, readings
from store.work import Span

LEAK_SUSPECTED = 0.7
"""A pass with a leak probability of this or more reads otherwise (rule of the hold test)."""

FloatArray = NDArray[np.float64]


def estimate(conn: Connection, setup: Setup, hold: HoldTest) -> Diagnosis | None:
    """Estimate the cause from the readings of the hold, up to its verdict.

    Returns
    -------
    Diagnosis or None
        None where no gauge decides.
    """
    if hold.deciding_instrument_id is None:
        return None
    end_us = hold.planned_end_us if hold.end_us is None else hold.end_us
    rows = readings(conn, list(_wanted(setup, hold.start_us, end_us)))
    times, pressures = _series(rows, hold.deciding_instrument_id, Quantity.PRESSURE)
    gauge = next((one for one in setup.instruments if one.id == hold.deciding_instrument_id), None)
    return diagnose(
        (times - hold.start_us) / US,
        pressures,
        _temperatures(rows, times),
        start_pa=hold.start_pa,
        limit_pa=hold.limit_pa,
        settle_s=setup.procedure.settle_s,
        hold_s=setup.procedure.hold_s,
        volume_m3=setup.volume_m3,
        top_pa=None if gauge is None else gauge.range_high_pa,
    )


def explained(hold: HoldTest, diagnosis: Diagnosis | None) -> HoldTest:
    """The hold with its cause; a pass with a probable leak says so."""
    if diagnosis is None:
        return hold
    probabilities = diagnosis.probabilities
    leak = probabilities.get(Cause.LEAK, 0.0) + probabilities.get(Cause.LEAK_AND_MOISTURE, 0.0)
    text = hold.text
    if hold.verdict is Verdict.PASSED and leak >= LEAK_SUSPECTED:
        text = f"Passed by the rule, leak suspected ({leak:.0%}). {text}"
    return replace(hold, diagnosis=diagnosis, text=text)


def _wanted(setup: Setup, start_us: int, end_us: int) -> Sequence[Wanted]:
    result = []
    for one in setup.assignments:
        first = max(one.since_us, start_us)
        last = end_us if one.until_us is None else min(one.until_us - 1, end_us)
        if first <= last:
            result.append(Wanted(setup.job.id, Span(one.instrument_id, first, last)))
    return result


def _series(
    rows: Sequence[Row], instrument_id: int, quantity: Quantity
) -> tuple[NDArray[np.int64], FloatArray]:
    chosen = [(row[1], row[4]) for row in rows if row[2] == instrument_id and row[3] == quantity]
    return (
        np.array([time for time, _ in chosen], dtype=np.int64),
        np.array([value for _, value in chosen], dtype=np.float64),
    )


def _temperatures(rows: Sequence[Row], times: NDArray[np.int64]) -> FloatArray | None:
    """The coldest thermometer's temperature at the gauge's times [K], None without one."""
    thermometers = {row[2] for row in rows if row[3] == Quantity.TEMPERATURE}
    found = [_series(rows, number, Quantity.TEMPERATURE) for number in sorted(thermometers)]
    if not found:
        return None
    at, kelvin = min(found, key=lambda series: float(np.median(series[1])))
    return np.interp(times.astype(np.float64), at.astype(np.float64), kelvin)

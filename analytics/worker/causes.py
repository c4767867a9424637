"""Attaching the estimated cause to a verdict. An estimate never changes a verdict.

A fail comes early in a long hold, and says little of its cause then. While the valve stays closed the cause
is estimated anew whenever the readings since closing have grown by half, and at the planned end. These
moments are fixed in event time by the verdict alone, so that the cause does not depend on how the readings
came.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from analytics.core.advice import advise
from analytics.core.cause import WITH_OR_WITHOUT, WORDS, diagnose
from analytics.core.track import View
from analytics.core.two_gauges import heard_both
from analytics.worker.plan import wanted_of
from model.clock import US
from model.equipment import Position, Role
from model.judgement import (
    CERTAIN,
    LEAK_SUSPECTED,
    Cause,
    Diagnosis,
    HoldTest,
    Phase,
    PhaseKind,
    Verdict,
    leak_probability,
    named_together,
)
from model.reading import Quantity
from store.database import Connection
from store.setups import Row, Setup, readings

GROWTH = 1.5
"""The readings since closing grow so much from one estimate of a fail's cause to the next."""

FloatArray = NDArray[np.float64]


def evidence_until_us(hold: HoldTest, phases: Sequence[Phase], head_us: int) -> int:
    """Up to which event time the readings tell of the cause of a hold [µs].

    Parameters
    ----------
    hold : HoldTest
        A hold with a verdict.
    phases : sequence of Phase
        Those of the job: the hold's own tells whether the circuit is still closed.
    head_us : int
        Readings have come up to here [µs].
    """
    end_us = hold.planned_end_us if hold.end_us is None else hold.end_us
    if hold.verdict is not Verdict.FAILED or hold.decided_us is None:
        return end_us
    own = [one for one in phases if one.kind is PhaseKind.HOLD and one.start_us == hold.start_us]
    closed_until_us = [one.end_us for one in own if one.end_us is not None]
    seen_us = min([head_us, hold.planned_end_us, *closed_until_us]) if own else end_us
    if seen_us >= hold.planned_end_us:
        return max(hold.planned_end_us, end_us)
    length_us = max(hold.decided_us - hold.start_us, US)
    while hold.start_us + round(length_us * GROWTH) <= seen_us:
        length_us = round(length_us * GROWTH)
        end_us = hold.start_us + length_us
    return end_us


def spans(view: View, head_us: int) -> list[tuple[int, int]]:
    """Start of each hold with a verdict, and up to when the readings tell of its cause [µs]."""
    return [
        (hold.start_us, evidence_until_us(hold, view.phases, head_us))
        for hold in view.holds
        if hold.verdict.final
    ]


def estimate(conn: Connection, setup: Setup, hold: HoldTest, until_us: int) -> Diagnosis | None:
    """Estimate the cause from the readings of the hold, up to a moment [µs].

    Returns
    -------
    Diagnosis or None
        None where no gauge decides.
    """
    if hold.deciding_instrument_id is None:
        return None
    rows = readings(conn, wanted_of(setup.job.id, setup.assignments, hold.start_us, until_us))
    diagnosis = _of_gauge(rows, setup, hold, hold.deciding_instrument_id)
    seconds = [
        one.id
        for one in setup.instruments
        if one.role is Role.GAUGE
        and one.position is Position.CIRCUIT
        and one.id != hold.deciding_instrument_id
        and any(row[2] == one.id and row[3] == Quantity.PRESSURE for row in rows)
    ]
    for second in seconds[:1]:
        diagnosis = heard_both(diagnosis, _of_gauge(rows, setup, hold, second), CERTAIN)
    return replace(diagnosis, until_us=until_us)


def _of_gauge(rows: Sequence[Row], setup: Setup, hold: HoldTest, instrument_id: int) -> Diagnosis:
    """What one gauge's readings of the hold say."""
    times, pressures = _series(rows, instrument_id, Quantity.PRESSURE)
    gauge = next((one for one in setup.instruments if one.id == instrument_id), None)
    start_pa = hold.start_pa
    if instrument_id != hold.deciding_instrument_id:
        start_pa = None  # another gauge's scale
    return diagnose(
        (times - hold.start_us) / US,
        pressures,
        _temperatures(rows, times),
        start_pa=start_pa,
        limit_pa=hold.limit_pa,
        settle_s=setup.procedure.settle_s,
        hold_s=setup.procedure.hold_s,
        volume_m3=setup.volume_m3,
        top_pa=None if gauge is None else gauge.range_high_pa,
    )


def explained(hold: HoldTest, diagnosis: Diagnosis | None) -> HoldTest:
    """The hold with its cause and what to do about it; a pass with a probable leak says so."""
    leak = 0.0 if diagnosis is None else leak_probability(diagnosis.probabilities)
    text = hold.text
    if hold.verdict is Verdict.PASSED and leak >= LEAK_SUSPECTED:
        text = f"Passed by the rule, leak suspected ({leak:.0%}). {text}"
    caused = replace(hold, diagnosis=diagnosis, text=text)
    return replace(caused, advice=advise(caused))


def named(diagnosis: Diagnosis) -> str:
    """The estimated cause in a sentence."""
    if diagnosis.cause is Cause.UNCLEAR:
        together = named_together(diagnosis.probabilities)
        if together is None:
            return "Its cause is unclear."
        cause, share = together
        return f"Estimated cause: {WITH_OR_WITHOUT[cause]} ({share:.0%})."
    return f"Estimated cause: {WORDS[diagnosis.cause]} ({diagnosis.probabilities[diagnosis.cause]:.0%})."


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

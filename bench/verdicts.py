"""Whether noise changes a verdict: the rule on what a gauge showed, and on the same curve without noise."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analytics.core.filtered import Filter
from analytics.core.hold import Hold as Judged
from analytics.core.hold import Point, Rule, Scene, take
from analytics.core.hold_verdict import outcome
from bench.holds import Hold
from model.clock import US
from model.judgement import Verdict
from model.procedure import Procedure
from physics.types import FloatArray

DECIDED = (Verdict.PASSED, Verdict.FAILED)


@dataclass(frozen=True, slots=True)
class Compared:
    """Both verdicts of a hold, and how far the clean curve is from the limit against what noise can do.

    Parameters
    ----------
    shown, clean : Verdict
        On the readings as shown, and without noise, spikes and steps.
    away_pa : float
        From the limit to the highest filtered pressure that the clean curve keeps for the persistence.
    blur_pa : float
        Three standard deviations of the filtered pressure, or a display step if that is more.
    """

    shown: Verdict
    clean: Verdict
    away_pa: float
    blur_pa: float

    @property
    def clear(self) -> bool:
        """Farther from the limit than noise can reach."""
        return abs(self.away_pa) > self.blur_pa


def compared(hold: Hold) -> Compared | None:
    """Of one hold; None where it is no valid one, is seen in part, or is not decided without noise."""
    if hold.strata["seen"] != "whole" or hold.start_pa >= hold.limit_pa:
        return None
    procedure = Procedure(
        "bench", hold.limit_pa, 0.0, hold.hold_s, hold.settle_s, hold.limit_pa, None, "bench"
    )
    rule = Rule(procedure, None, 1, 0.1, None, hold.top_pa)
    shown, seen = _verdict(hold, rule, hold.pressure_pa)
    clean, true = _verdict(hold, rule, hold.clean_pa)
    if clean not in DECIDED or len(true) < 3:
        return None
    errors = seen - true
    deviation = 1.4826 * float(np.median(np.abs(errors - np.median(errors))))
    kept = _kept(true, max(int(procedure.persistence_s / hold.interval_s), 3))
    return Compared(shown, clean, kept - hold.limit_pa, max(3 * deviation, hold.step_pa))


def _verdict(hold: Hold, rule: Rule, pressure: FloatArray) -> tuple[Verdict, FloatArray]:
    """What the rule says in the end, and the filtered pressure after settling [Pa]."""
    gauge = Filter(60 * US, round(hold.interval_s * US))
    settled, planned = round(hold.settle_s * US), round(hold.hold_s * US)
    judged = Judged(
        0,
        settled,
        planned,
        planned,
        True,
        0.0,
        True,
        False,
        # Filtered before the valve closed: a spike at that moment is none of it.
        float(hold.clean_pa[0]),
        0,
        gauge.interval_us,
        gauge.gap_us,
    )
    filtered = []
    for at_s, value in zip(hold.time_s.tolist(), pressure.tolist(), strict=True):
        at_us, over = round(at_s * US), value >= hold.top_pa
        found = gauge.push(at_us, value)
        if found is not None and at_us >= settled:
            filtered.append(found)
        point = Point(at_us, value, found, over, over, gauge.slow, gauge.interval_us, gauge.gap_us)
        take(judged, rule, point, Scene())
    # Long after the end: what is missing does not come any more.
    verdict, _, _ = outcome(judged, rule, 100 * planned)
    return verdict, np.array(filtered)


def _kept(filtered: FloatArray, run: int) -> float:
    """Highest value that so many filtered pressures in a row do not fall below."""
    if len(filtered) <= run:
        return float(filtered.min())
    return float(np.lib.stride_tricks.sliding_window_view(filtered, run).min(axis=1).max())


def verdicts_right(many: Sequence[Compared]) -> tuple[float, int, int]:
    """Share of equal verdicts among the clear ones, how many these are, and clear fails called passed."""
    clear = [one for one in many if one.clear]
    equal = sum(one.shown is one.clean for one in clear)
    missed = sum(one.clean is Verdict.FAILED and one.shown is Verdict.PASSED for one in clear)
    return equal / max(len(clear), 1), len(clear), missed

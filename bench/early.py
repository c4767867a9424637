"""How early fails of running holds are called, and how often wrongly.

``make bench-early`` (``ARGS="--holds 3000 --seed 1"``). Holds come from `bench.early_curves`, whose models
the forecast does not fit; each reading goes through the filter and the rule as in the analysis. Beside it
calls an oracle that knows each hold's own shapes (`bench.early_oracle`), at the same rate of false calls. The
table and the curve of false calls against earliness go to ``bench/results/early.json``.
"""

from __future__ import annotations

import argparse
import json
import math
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from analytics.core import early
from analytics.core.filtered import Filter
from analytics.core.hold import Hold, Point, Rule, Scene, take
from bench.early_curves import CAUSES, Case, make, straight
from bench.early_oracle import probabilities
from bench.report import RESULTS, Measure, below, machine
from model.clock import US
from model.procedure import Procedure

FloatArray = NDArray[np.float64]

THRESHOLDS = (0.7, 0.8, 0.85, 0.9, 0.92, 0.94, 0.96, 0.98, 0.99)
LATE_ENOUGH = 0.3
"""Only fails that cross after this share of the hold are scored."""
ALPHA = 0.01
EARLY_AT = early.CALL_AT


@dataclass(frozen=True, slots=True)
class Run:
    """What the forecast said of a hold: times [s] and probabilities at each look, and the cost [s]."""

    case: Case
    times: tuple[float, ...]
    probabilities: tuple[float, ...]
    crossings: tuple[float, ...]
    cost_s: float

    def called_s(self, threshold: float) -> float | None:
        """When it would have been called."""
        before = min(early.CONFIRMED_AT, threshold)
        looks = zip(self.times, self.probabilities, self.crossings, strict=True)
        for (_, earlier, _), (at, probability, crossing) in pairwise(looks):
            needed = early.needed_at(at, crossing, self.case.length_s, threshold)
            if probability >= needed and earlier >= before:
                return at
        return None


def follow(case: Case) -> Run:
    """Judge a hold reading by reading."""
    procedure = Procedure(
        "bench", case.target_pa, 0.0, case.length_s, case.settle_s, case.limit_pa, None, "bench"
    )
    rule = Rule(procedure, None, 1, 0.1, None, None)
    gauge = Filter(60 * US, round(case.interval_s * US))
    hold = _closed(case, gauge)
    times: list[float] = []
    probabilities: list[float] = []
    crossings: list[float] = []
    began = time.process_time()
    seen = None
    for at_s, value in zip(case.time_s.tolist(), case.shown_pa.tolist(), strict=True):
        at_us = round(at_s * US)
        filtered = gauge.push(at_us, value)
        take(
            hold,
            rule,
            Point(at_us, value, filtered, False, False, gauge.slow, gauge.interval_us, gauge.gap_us),
            Scene(),
        )
        if hold.verdict is not None or hold.frozen:
            break
        if hold.early.forecast is not seen and hold.early.forecast is not None:
            seen = hold.early.forecast
            times.append(at_s)
            probabilities.append(seen.probability)
            crossings.append(math.inf if seen.crossing_us is None else seen.crossing_us / US)
    return Run(case, tuple(times), tuple(probabilities), tuple(crossings), time.process_time() - began)


def _closed(case: Case, gauge: Filter) -> Hold:
    settled, planned = round(case.settle_s * US), round(case.length_s * US)
    start = float(case.shown_pa[0])
    return Hold(
        0, settled, planned, planned, True, 0.0, True, False, start, 0, gauge.interval_us, gauge.gap_us
    )


# Scores ----------------------------------------------------------------------------------------------


def score(cases: Sequence[Case], calls: Sequence[float | None]) -> dict[str, float]:
    """False calls on holds that do not fail; share and earliness of calls of those that do."""
    quiet = [call for case, call in zip(cases, calls, strict=True) if case.crossing_s is None]
    false = sum(call is not None for call in quiet)
    ratios, called = [], 0
    for case, at in zip(cases, calls, strict=True):
        crossing = case.crossing_s
        if crossing is None or crossing <= LATE_ENOUGH * case.length_s:
            continue
        before = at is not None and at < crossing
        called += before
        ratios.append(at / crossing if before and at is not None else 1.0)
    low, high = _exact(false, len(quiet))
    return {
        "not_failing": len(quiet),
        "false_calls": false,
        "false_share": false / max(len(quiet), 1),
        "false_low": low,
        "false_high": high,
        "failing_late_enough": len(ratios),
        "called_share": called / max(len(ratios), 1),
        "median_ratio": float(np.median(ratios)) if ratios else math.nan,
    }


def oracle_calls(cases: Sequence[Case], false: int) -> list[float | None]:
    """When the oracle calls, at the threshold at which it calls no more than ``false`` holds wrongly."""
    looks = [probabilities(case) for case in cases]
    highest = [
        float(said.max(initial=0.0))
        for case, (_, said) in zip(cases, looks, strict=True)
        if case.crossing_s is None
    ]
    # The next above the probability that one hold too many would be called at.
    threshold = max([0.5, *sorted(highest)[: len(highest) - false][-1:]])
    return [next((float(at) for at, p in zip(*look, strict=True) if p > threshold), None) for look in looks]


def _exact(count: int, of: int) -> tuple[float, float]:
    """95 % interval of a share, Clopper and Pearson (Biometrika 26, 1934)."""
    from scipy.stats import beta

    if of == 0:
        return 0.0, 1.0
    low = 0.0 if count == 0 else float(beta.ppf(0.025, count, of - count + 1))
    high = 1.0 if count == of else float(beta.ppf(0.975, count + 1, of - count))
    return low, high


def calibration(runs: Sequence[Run]) -> list[dict[str, float]]:
    """Probabilities told at a twentieth, a tenth, a fifth and two fifths of a hold, against what came."""
    told, came = [], []
    for run in runs:
        for share in (0.05, 0.1, 0.2, 0.4):
            k = int(np.searchsorted(run.times, share * run.case.length_s, side="right"))
            if k:
                told.append(run.probabilities[k - 1])
                came.append(run.case.crossing_s is not None)
    edges = (0.0, 0.01, 0.05, 0.2, 0.4, 0.6, 0.8, 0.9, 0.97, 1.001)
    p, y = np.array(told), np.array(came)
    rows = []
    for low, high in pairwise(edges):
        inside = (p >= low) & (p < high)
        if inside.any():
            rows.append(
                {
                    "from": low,
                    "n": int(inside.sum()),
                    "told": float(p[inside].mean()),
                    "failed": float(y[inside].mean()),
                }
            )
    return rows


# The shortest possible -------------------------------------------------------------------------------


def shortest(case: Case, other: FloatArray) -> float | None:
    """When Wald's test knows the straight leak from another known curve, start value unknown [s].

    Both curves, the noise of each reading and all but the start value are known to it; it decides at a
    log-likelihood ratio of ln(1/α), α = 0.01 (Wald 1945).
    """
    t, y = case.time_s, case.shown_pa
    leak = case.margin * (case.limit_pa - case.target_pa) * t / case.length_s
    weight = 1.0 / (case.noise * (case.target_pa + leak)) ** 2

    def misfit(curve: FloatArray) -> FloatArray:
        rest = y - curve
        total = np.cumsum(weight)
        result: FloatArray = np.cumsum(weight * rest**2) - np.cumsum(weight * rest) ** 2 / total
        return result

    decided = np.flatnonzero(0.5 * (misfit(other) - misfit(leak)) >= math.log(1 / ALPHA))
    return float(t[decided[0]]) if len(decided) else None


def levelling(case: Case) -> FloatArray:
    """The curve that begins as the leak does and ends just at the limit."""
    tau = case.length_s / 100
    wanted = 1.0 / case.margin
    low, high = 1e-3, 1e3
    for _ in range(60):
        tau = math.sqrt(low * high)
        low, high = (tau, high) if -tau * math.expm1(-1 / tau) < wanted else (low, tau)
    slope = case.margin * (case.limit_pa - case.target_pa)
    result: FloatArray = -slope * tau * np.expm1(-case.time_s / case.length_s / tau)
    return result


def against_shortest(seed: int, repeats: int) -> list[dict[str, float]]:
    """Straight leaks in white noise: time to the call over the shortest possible."""
    rows = []
    for length, interval in ((600.0, 10.0), (1800.0, 10.0), (28_800.0, 30.0)):
        for noise in (0.003, 0.01, 0.03):
            for margin in (1.3, 2.0, 3.0):
                calls, known, bending = [], [], []
                for k in range(repeats):
                    rng = np.random.default_rng(
                        [seed, 77, round(length), round(1000 * noise), round(10 * margin), k]
                    )
                    case = straight(rng, margin=margin, noise=noise, interval=interval, length=length)
                    end = case.crossing_s or length
                    permitted = (case.limit_pa - case.target_pa) * case.time_s / length
                    calls.append(min(follow(case).called_s(EARLY_AT) or end, end))
                    known.append(min(shortest(case, permitted) or end, end))
                    bending.append(min(shortest(case, levelling(case)) or end, end))
                call, least, least_bending = (float(np.median(one)) for one in (calls, known, bending))
                rows.append(
                    {
                        "length_s": length,
                        "interval_s": interval,
                        "noise": noise,
                        "margin": margin,
                        "crossing_s": length / margin,
                        "call_s": call,
                        "shortest_known_straight_s": least,
                        "shortest_may_bend_s": least_bending,
                        "ratio_known_straight": call / least,
                        "ratio_may_bend": call / least_bending,
                        "ratio_may_bend_settled": call / max(least_bending, case.settle_s),
                    }
                )
    return rows


def main() -> bool:
    """Measure, print, store; whether all targets were met."""
    parser = argparse.ArgumentParser(prog="make bench-early")
    parser.add_argument("--holds", type=int, default=2000)
    parser.add_argument("--repeats", type=int, default=15)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    # Every look is recorded, so that other thresholds can be read off: a call is the first at or above one.
    early.CALL_AT = math.inf
    runs = [follow(make(np.random.default_rng([given.seed, k]))) for k in range(given.holds)]
    cases = [run.case for run in runs]
    calls = [run.called_s(EARLY_AT) for run in runs]
    table = by_cause(cases, calls)
    possible = by_cause(cases, oracle_calls(cases, int(table["all"]["false_calls"])))
    curve = {
        str(threshold): score(cases, [run.called_s(threshold) for run in runs]) for threshold in THRESHOLDS
    }
    straights = against_shortest(given.seed, given.repeats)
    readings = sum(len(run.case.time_s) for run in runs)
    measures = _measures(table, possible, straights)
    _print({"": table, "oracle": possible, "called at": curve}, straights, measures)
    result = {
        "machine": machine(),
        "seed": given.seed,
        "holds": given.holds,
        "threshold": EARLY_AT,
        "cost_us_per_reading_filter_rule_forecast": 1e6 * sum(run.cost_s for run in runs) / readings,
        "looks_per_hold": sum(len(run.times) for run in runs) / len(runs),
        "measures": {
            key: {"value": one.value, "unit": one.unit, "target": one.target, "ok": one.ok}
            for key, one in measures.items()
        },
        "by_cause": table,
        "oracle_by_cause": possible,
        "by_threshold": curve,
        "calibration": calibration(runs),
        "straight_leak_in_white_noise": straights,
    }
    RESULTS.mkdir(exist_ok=True)
    (RESULTS / "early.json").write_text(json.dumps(result, indent=1) + "\n", encoding="utf-8")
    return all(one.ok for one in measures.values())


def by_cause(cases: Sequence[Case], calls: Sequence[float | None]) -> dict[str, dict[str, float]]:
    """Scores of all, of all but late leaks, and of each cause."""

    def some(which: Callable[[str], bool]) -> dict[str, float]:
        own = [k for k, case in enumerate(cases) if which(case.cause)]
        return score([cases[k] for k in own], [calls[k] for k in own])

    table = {"all": some(lambda cause: True), "all but late leaks": some(lambda cause: cause != "late leak")}
    return table | {cause: some(cause.__eq__) for cause in CAUSES}


def _measures(
    table: dict[str, dict[str, float]],
    possible: dict[str, dict[str, float]],
    straights: Sequence[dict[str, float]],
) -> dict[str, Measure]:
    whole, knows = table["all"], possible["all"]
    called = whole["called_share"]
    worst = max(row["ratio_known_straight"] for row in straights)
    bending = float(np.median([row["ratio_may_bend"] for row in straights]))
    settled = float(np.median([row["ratio_may_bend_settled"] for row in straights]))
    return {
        "early calls on holds that do not fail": below(100 * whole["false_share"], "%", 1.0),
        "fails called before crossing": Measure(round(100 * called, 1), "%", ">= 90", called >= 0.9),
        "median of call over crossing": below(whole["median_ratio"], "", 0.35),
        "the same, oracle that knows the shapes": _shown(knows["median_ratio"]),
        "the same, all but late leaks": _shown(table["all but late leaks"]["median_ratio"]),
        "time to call over the shortest, shape known, worst": below(worst, "", 1.5),
        "time to call over the shortest, may bend, median": below(bending, "", 1.5),
        "the same, not before settling is over": _shown(settled),
    }


def _shown(value: float) -> Measure:
    return Measure(round(value, 3), "", "shown", True)


def _print(
    tables: dict[str, dict[str, dict[str, float]]],
    straights: Sequence[dict[str, float]],
    measures: dict[str, Measure],
) -> None:
    for title, rows in tables.items():
        print(f"{title:20} not failing  false          failing  called  median")
        for name, row in rows.items():
            print(
                f"{name:20} {row['not_failing']:11} {row['false_calls']:6} "
                f"{100 * row['false_share']:5.1f} % "
                f"{row['failing_late_enough']:9} {100 * row['called_share']:5.0f} % "
                f"{row['median_ratio']:7.2f}"
            )
    print("length noise margin  call  shortest, straight known   may bend")
    for row in straights:
        print(
            f"{row['length_s']:6.0f} {row['noise']:5} {row['margin']:6} {row['call_s']:5.0f} "
            f"{row['shortest_known_straight_s']:9.0f} {row['ratio_known_straight']:6.2f}× "
            f"{row['shortest_may_bend_s']:9.0f} {row['ratio_may_bend']:6.2f}×"
        )
    for name, one in measures.items():
        print(f"{name:52} {one.value:>8g} {one.unit:2} target {one.target:8} {'met' if one.ok else 'MISSED'}")


if __name__ == "__main__":
    raise SystemExit(0 if main() else 1)

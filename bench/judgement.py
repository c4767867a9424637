"""How right the judgement's causes and leak rates are: simulated holds, by stratum, beside what was asked.

``make bench-judgement`` (``ARGS="--holds 20000"``). The seed is the hash of the commit, so that nobody chose
it. Holds come from models that the analysis does not fit (`bench.holds`); beside it judges an oracle that
knows each hold's own shapes (`bench.oracle`). What was judged is kept in the temporary directory under a name
made of seed, number and sources, so that a table can be made anew without judging again.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from rich.console import Console
from rich.table import Table

import analytics.core.estimate as estimate
from analytics.core.binned import Binned
from analytics.core.cause import diagnose
from analytics.core.estimate import CAUSES, SCALE_SD
from analytics.core.shapes import error_covariance
from bench import verdicts
from bench.holds import Hold
from bench.kept import each_hold
from bench.oracle import oracle
from bench.report import Measure, write
from bench.verdicts import compared, verdicts_right
from model.judgement import CERTAIN, Cause, Diagnosis
from physics.types import FloatArray

LEAKS = [CAUSES.index(Cause.LEAK), CAUSES.index(Cause.LEAK_AND_MOISTURE)]
COEFFICIENTS = Path(estimate.__file__).with_name("calibration.json")
HANDBOOK = Path(__file__).parent.parent / "docs" / "explanation" / "diagnosis.md"
BEGIN, END = "<!-- measured -->", "<!-- end of what was measured -->"
LARGE = 1000
"""Strata with fewer holds are shown, but have no target for their coverage."""
STEPS = (0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.99)


@dataclass(frozen=True, slots=True)
class Judged:
    """A hold, what was said of it and what is true."""

    strata: dict[str, str]
    truth: int
    leak: float
    said: FloatArray
    oracle: FloatArray
    named: bool
    interval: tuple[float, float, float]


def judged(hold: Hold) -> Judged | None:
    """One hold; None for those with too few readings for any estimate, and what is no valid hold."""
    if hold.start_pa >= hold.limit_pa:
        return None
    said = diagnose(
        hold.time_s,
        hold.pressure_pa,
        hold.temperature_k,
        start_pa=hold.start_pa,
        limit_pa=hold.limit_pa,
        settle_s=hold.settle_s,
        hold_s=hold.hold_s,
        volume_m3=hold.volume_m3,
        top_pa=hold.top_pa,
    )
    if said.leak_pa_per_s is None:
        return None
    rate = said.leak_pa_per_s
    return Judged(
        hold.strata,
        CAUSES.index(hold.cause),
        hold.leak_pa_s,
        np.array([said.probabilities[cause] for cause in CAUSES]),
        oracle(hold),
        said.cause is not Cause.UNCLEAR,
        (rate.value, rate.low, rate.high),
    )


@dataclass(frozen=True, slots=True)
class Rates:
    """Of a set of holds, shares of 1.

    ``right``: the likeliest cause, whether named or not. ``risk``: of the named ones.
    """

    n: int
    right: float
    oracle: float
    named: float
    right_named: float
    leak: float
    oracle_leak: float
    covered: float
    log_score: float


def rates(many: Sequence[Judged]) -> Rates:
    """Of these holds."""
    truth = np.array([one.truth for one in many])
    said, knows = np.array([one.said for one in many]), np.array([one.oracle for one in many])
    named = np.array([one.named for one in many])
    right = said.argmax(axis=1) == truth
    leaks = np.isin(truth, LEAKS)
    covered = [one.interval[1] <= one.leak <= one.interval[2] for one in many]
    own = said[np.arange(len(many)), truth]
    return Rates(
        len(many),
        float(right.mean()),
        float((knows.argmax(axis=1) == truth).mean()),
        float(named.mean()),
        float(right[named].mean()) if named.any() else float("nan"),
        float(((said[:, LEAKS].sum(axis=1) > 0.5) == leaks).mean()),
        float(((knows[:, LEAKS].sum(axis=1) > 0.5) == leaks).mean()),
        float(np.mean(covered)),
        float(-np.log(np.maximum(own, 1e-6)).mean()),
    )


def by_stratum(many: Sequence[Judged]) -> dict[str, Rates]:
    """All, then every stratum."""
    found = {"all": rates(many)}
    for name in many[0].strata:
        for value in sorted({one.strata[name] for one in many}):
            found[f"{name}: {value}"] = rates([one for one in many if one.strata[name] == value])
    none = [one for one in many if one.leak == 0]
    found["leak: none at all"] = rates(none)
    found["leak: some"] = rates([one for one in many if one.leak > 0])
    return found


def deciles(many: Sequence[Judged]) -> list[dict[str, float]]:
    """Said probabilities of all causes, in tenths, against how often they came true."""
    from scipy.stats import binom

    said = np.concatenate([one.said for one in many])
    true = np.concatenate([np.arange(len(CAUSES)) == one.truth for one in many])
    rows = []
    for tenth in range(10):
        own = (said >= tenth / 10) & (said < (tenth + 1) / 10 + (tenth == 9))
        n, mean = int(own.sum()), float(said[own].mean()) if own.any() else 0.0
        low, high = binom.interval(0.999, n, mean)
        came = int(true[own].sum())
        rows.append(
            {
                "said": mean,
                "came true": came / max(n, 1),
                "n": n,
                "low": float(low) / max(n, 1),
                "high": float(high) / max(n, 1),
                "inside": bool(low <= came <= high),
            }
        )
    return rows


def risk_coverage(many: Sequence[Judged]) -> list[dict[str, float]]:
    """How many are named, and how many of those wrongly, by the probability from which on one is named."""
    truth = np.array([one.truth for one in many])
    said = np.array([one.said for one in many])
    best, right = said.max(axis=1), said.argmax(axis=1) == truth
    return [
        {
            "named from": step,
            "named": float((best >= step).mean()),
            "wrong": float(1 - right[best >= step].mean()) if (best >= step).any() else 0.0,
        }
        for step in STEPS
    ]


def efficiency(seed: int, number: int = 400) -> tuple[float, float, float]:
    """Root mean square of the leak rate's error over its Cramér–Rao bound, in the model that is fitted.

    Of the holds where a leak alone was named, of all, and the share that was named so.

    A straight leak of one to ten times the permitted rise, noise proportional, nuisances (level, evening out,
    wandering, temperature) drawn from the covariance that the analysis supposes; the bound is that of the
    readings themselves with all nuisances unknown.
    """
    rng = np.random.default_rng([seed, 1])
    ratios, named = [], []
    for _ in range(number):
        hold_s, n = float(np.exp(rng.uniform(np.log(1200), np.log(43_200)))), 400
        t = np.linspace(120.0, hold_s, n)
        leak = 100.0 * np.exp(rng.uniform(0, np.log(10))) / hold_s
        mean = 50.0 + leak * (t - 120.0)
        noise = float(np.exp(rng.uniform(np.log(0.003), np.log(0.03))))
        kelvin = np.full(n, 293.15) if rng.random() < 0.5 else None
        ideal = Binned(t, mean, noise * mean, kelvin, n, noise, 0.0, 0.0)
        covariance = error_covariance(ideal, mean, level=0.0)
        p = mean + np.linalg.cholesky(covariance) @ rng.standard_normal(n)
        design = np.column_stack([np.ones(n), t - 120.0])
        bound = np.linalg.inv(design.T @ np.linalg.solve(covariance, design))[1, 1]
        said = diagnose(t, p, kelvin, start_pa=50.0, limit_pa=150.0, settle_s=120.0, hold_s=hold_s)
        assert said.leak_pa_per_s is not None
        ratios.append((said.leak_pa_per_s.value - leak) ** 2 / bound)
        named.append(said.cause is Cause.LEAK)
    chosen = np.array(ratios)[named]
    return float(np.sqrt(chosen.mean())), float(np.sqrt(np.mean(ratios))), float(np.mean(named))


def milliseconds(repeats: int = 60) -> float:
    """Median time of a full diagnosis of 8 h at 1 Hz [ms]."""
    rng = np.random.default_rng(1)
    t = np.arange(28_800.0)
    p = (50 + 0.005 * t + 40 * -np.expm1(-t / 2000)) * (1 + 0.01 * rng.standard_normal(len(t)))
    kelvin = 290 + 2 * np.sin(t / 9000)
    took = []
    for _ in range(repeats):
        began = time.perf_counter()
        said: Diagnosis = diagnose(
            t, p, kelvin, start_pa=50.0, limit_pa=133.3, settle_s=300.0, hold_s=28_800.0
        )
        took.append(time.perf_counter() - began)
        assert said.evidence
    return 1000 * float(np.median(took))


def measures(strata: dict[str, Rates], many: Sequence[Judged], seed: int) -> dict[str, Measure]:
    """The figures that have a target."""
    whole = strata["all"]
    behind = max(100 * (one.oracle - one.right) for one in strata.values())
    clear = [one for one in strata.values() if one.oracle_leak >= 0.98]
    least = min((100 * one.leak for one in clear), default=float("nan"))
    covers = [100 * one.covered for one in strata.values() if one.n >= LARGE]
    outside = sum(not row["inside"] for row in deciles(many))
    (ratio, ratio_all, chosen), took = efficiency(seed), milliseconds()
    return {
        "cause right": _over(100 * whole.right, "%", 95),
        "cause right where one is named": _over(100 * whole.right_named, "%", 95),
        "farthest behind the oracle, by stratum": _under(behind, "pt", 3),
        "leak present or not, worst where the oracle has 98 %": _over(least, "%", 98),
        "leak present or not, all": Measure(round(100 * whole.leak, 1), "%", "shown", True),
        "deciles outside": _under(float(outside), "", 0),
        "log score": Measure(round(whole.log_score, 4), "nat", "shown", True),
        "interval covers, least stratum": _over(min(covers, default=float("nan")), "%", 87),
        "interval covers, most": _under(max(covers, default=float("nan")), "%", 93),
        "leak rate's error over its bound, leak named": _under(ratio, "", 1.15),
        "leak rate's error over its bound, all": _under(ratio_all, "", 1.15),
        "straight leaks named a leak": Measure(round(100 * chosen, 1), "%", "shown", True),
        "28,800 readings": _under(took, "ms", 20),
    }


def of_verdicts(seed: int, number: int) -> dict[str, Measure]:
    """Verdicts on what was shown against those without noise."""
    both = each_hold("verdicts", compared, seed, number, reads=[Path(verdicts.__file__)])
    right, clear, missed = verdicts_right(both)
    return {
        "verdict as without noise, where clear of the limit": _over(100 * right, "%", 100),
        "clear fails called passed": _under(float(missed), "", 0),
        "holds whose verdicts were compared": Measure(len(both), "", "shown", True),
        "of these clear of the limit": Measure(clear, "", "shown", True),
    }


def _over(value: float, unit: str, least: float) -> Measure:
    return Measure(round(value, 2), unit, f">= {least:g}", value >= least)


def _under(value: float, unit: str, most: float) -> Measure:
    return Measure(round(value, 2), unit, f"<= {most:g}", value <= most)


def show(strata: dict[str, Rates]) -> None:
    """The strata as a table."""
    table = Table(
        "stratum", "holds", "right", "oracle", "named", "of these", "leak or not", "oracle", "covered"
    )
    for name, one in strata.items():
        shares = (
            one.right,
            one.oracle,
            one.named,
            one.right_named,
            one.leak,
            one.oracle_leak,
            one.covered,
        )
        table.add_row(name, str(one.n), *(f"{100 * share:.1f}" for share in shares))
    Console(width=140).print(table)


def into_handbook(
    found: dict[str, Measure], strata: dict[str, Rates], many: Sequence[Judged], which: str
) -> None:
    """The tables between the marks of the handbook's page."""
    rows = [f"From {which}.", "", "| measure | found | target |", "|---|---|---|"]
    for name, one in found.items():
        target = one.target if one.target == "shown" else f"{one.target} ({'met' if one.ok else 'missed'})"
        rows.append(f"| {name} | {one.value:g} {one.unit} | {target} |")
    rows += [
        "",
        "| stratum | holds | right | oracle | named | right of these | leak or not | oracle | covered |",
    ]
    rows.append("|---|---|---|---|---|---|---|---|---|")
    for name, rate in strata.items():
        shares = [rate.right, rate.oracle, rate.named, rate.right_named]
        shares += [rate.leak, rate.oracle_leak, rate.covered]
        rows.append(f"| {name} | {rate.n} | " + " | ".join(f"{100 * share:.1f}" for share in shares) + " |")
    rows += ["", "| said | came true | holds × causes | exact 99.9 % interval |", "|---|---|---|---|"]
    rows += [
        f"| {row['said']:.3f} | {row['came true']:.3f} | {row['n']} | {row['low']:.3f}–{row['high']:.3f} |"
        for row in deciles(many)
    ]
    rows += ["", "| named from | named | wrong of these |", "|---|---|---|"]
    rows += [
        f"| {row['named from']:g} | {100 * row['named']:.1f} % | {100 * row['wrong']:.1f} % |"
        for row in risk_coverage(many)
    ]
    before, _, rest = HANDBOOK.read_text(encoding="utf-8").partition(BEGIN)
    _, _, after = rest.partition(END)
    HANDBOOK.write_text(before + BEGIN + "\n" + "\n".join(rows) + "\n" + END + after, encoding="utf-8")


def commit_seed() -> int:
    """Of a benchmark: the hash of the commit, so that nobody chose it."""
    commit = subprocess.run(["git", "rev-parse", "HEAD"], capture_output=True, text=True, check=True)
    return int(commit.stdout.strip()[:8], 16)


def main() -> None:
    """Judge, show, write down."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--holds", type=int, default=20_000)
    parser.add_argument("--verdicts", type=int, default=3_000, help="holds whose verdicts are compared")
    parser.add_argument("--seed", type=int, default=None, help="of the holds; the commit's hash if not given")
    parser.add_argument("--handbook", action="store_true", help="put the tables into the handbook, too")
    given = parser.parse_args()
    seed = commit_seed() if given.seed is None else given.seed
    many = each_hold("judgement", judged, seed, given.holds, reads=[COEFFICIENTS])
    strata = by_stratum(many)
    show(strata)
    print(f"seed {seed}, {len(many)} of {given.holds} holds with enough readings, named from {CERTAIN}")
    found = of_verdicts(seed, given.verdicts) | measures(strata, many, seed)
    if given.handbook:
        into_handbook(found, strata, many, f"{len(many)} holds, seed {seed}")
    write(
        "judgement",
        found,
        seed=seed,
        holds=given.holds,
        scale_sd=SCALE_SD,
        deciles=deciles(many),
        risk_coverage=risk_coverage(many),
        strata={name: json.loads(json.dumps(_plain(one))) for name, one in strata.items()},
    )


def _plain(one: Rates) -> dict[str, float]:
    from dataclasses import asdict

    return {key: round(value, 4) for key, value in asdict(one).items()}


if __name__ == "__main__":
    main()

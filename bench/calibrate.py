"""Makes the coefficients of the judgement's small maps from simulated holds.

``python -m bench.calibrate [--holds 14000]`` writes ``analytics/core/calibration.json``. The seed is not
one that ``bench.judgement`` reports from, and the holds come from models that the analysis does not fit
(`bench.holds`).
"""

from __future__ import annotations

import argparse
import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from rich.progress import track

import analytics.core.estimate as estimate
from analytics.core.binned import binned
from analytics.core.shapes import fit_shapes
from bench.holds import Hold, holds
from physics.types import FloatArray

SEED = 20_260_101
RIDGE = 2e-4
COEFFICIENTS = Path(estimate.__file__).with_name("calibration.json")
MISSED = 0.115
"""Share of the truths that the leak rate's interval may miss; a little more than a tenth, because it always
holds its own estimate, which brings some back."""
MISSED_LOW = 0.065
LEAST = 8


@dataclass(frozen=True, slots=True)
class Seen:
    """What the maps see of a hold, and the truth.

    ``down`` and ``up`` are the shares of the mixture at or below the true leak rate, as far down and as far
    up as may be (`analytics.core.estimate.leak_quantiles`).
    """

    features: FloatArray
    levels: FloatArray
    cause: int
    leak: float
    down: float
    up: float


def seen(hold: Hold) -> Seen | None:
    """As `analytics.core.cause.diagnose` would see it; None where it sees too little."""
    readings = binned(hold.time_s, hold.pressure_pa, hold.temperature_k, hold.settle_s, hold.top_pa)
    if len(readings.t) < LEAST or hold.start_pa >= hold.limit_pa:
        return None
    asked = asked_of(hold)
    fits = fit_shapes(readings, settle_s=asked.settle_s, end_s=asked.end_s)
    raw = estimate.weighed_causes(fits, asked.permitted_pa)
    rates, down, up = estimate.leak_quantiles(fits, asked)
    return Seen(
        estimate.features(readings, fits, asked, raw),
        estimate.level_features(readings, fits, asked),
        estimate.CAUSES.index(hold.cause),
        hold.leak_pa_s,
        float(np.interp(hold.leak_pa_s, rates, down)),
        float(np.interp(hold.leak_pa_s, rates, up)),
    )


def asked_of(hold: Hold) -> estimate.Asked:
    """What was asked of a simulated hold."""
    return estimate.asked(hold.start_pa, hold.limit_pa, hold.settle_s, hold.hold_s)


def cause_map(features: FloatArray, causes: FloatArray) -> FloatArray:
    """Multinomial logistic regression with a small ridge; shape (k + 1, 5)."""
    from scipy.optimize import minimize
    from scipy.special import log_softmax

    n, k = features.shape
    truth = np.eye(len(estimate.CAUSES))[causes]

    def loss(flat: FloatArray) -> tuple[float, FloatArray]:
        table = flat.reshape(k + 1, -1)
        logs = log_softmax(features @ table[:-1] + table[-1], axis=1)
        wrong = (np.exp(logs) - truth) / n
        slope = np.vstack([features.T @ wrong + 2 * RIDGE * table[:-1], wrong.sum(axis=0)])
        return float(-(truth * logs).sum() / n + RIDGE * (table[:-1] ** 2).sum()), slope.ravel()

    best = minimize(
        loss, np.zeros((k + 1) * truth.shape[1]), jac=True, method="L-BFGS-B", options={"maxiter": 500}
    )
    return np.asarray(best.x.reshape(k + 1, -1))


def levels(many: list[Seen]) -> tuple[FloatArray, FloatArray]:
    """Coefficients of both levels of the leak rate's interval, from the holds that leak.

    The lower level goes by what the hold was like alone, not by what the fit found: what looks like a leak
    and is none must not draw it down.
    """
    some = [one for one in many if one.leak > 0]
    given = np.isin(np.arange(len(some[0].levels)), estimate.GIVEN)
    low = quantile([one.levels * given for one in some], [one.down for one in some], MISSED_LOW) * given
    high = quantile([one.levels for one in some], [one.up for one in some], 1 - (MISSED - MISSED_LOW))
    return low, high


def quantile(found: list[FloatArray], shares: list[float], at: float) -> FloatArray:
    """Linear quantile regression of the logit of shares, as a linear programme [Koenker and Bassett 1978]."""
    from scipy.optimize import linprog
    from scipy.sparse import csr_array, eye_array, hstack

    design = np.array(found)
    clipped = np.clip(np.array(shares), 1e-5, 1 - 1e-5)
    n, k = design.shape
    result = linprog(
        np.concatenate([np.zeros(k), np.full(n, at), np.full(n, 1 - at)]),
        A_eq=hstack([csr_array(design), eye_array(n), -eye_array(n)], format="csr"),
        b_eq=np.log(clipped / (1 - clipped)),
        bounds=[(None, None)] * k + [(0, None)] * (2 * n),
        method="highs",
    )
    if result.x is None:
        raise RuntimeError(result.message)
    return np.asarray(result.x[:k])


def main() -> None:
    """Simulate, fit the maps, write them down."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--holds", type=int, default=14_000)
    number = parser.parse_args().holds
    many = [
        one for hold in track(holds(SEED, number), "holds", total=number) if (one := seen(hold)) is not None
    ]
    raw = np.array([one.features for one in many])
    middle, spread = raw.mean(axis=0), np.maximum(raw.std(axis=0), 1e-6)
    scaled = np.clip((raw - middle) / spread, -estimate.FARTHEST, estimate.FARTHEST)
    causes = np.array([one.cause for one in many])
    low, high = levels(many)
    stored = {
        "origin": {
            "made by": "python -m bench.calibrate",
            "holds": number,
            "seed": SEED,
            "models": "bench/holds.py",
        },
        "middle": middle,
        "spread": spread,
        "causes": cause_map(scaled, causes),
        "low": low,
        "high": high,
    }
    rounded = {
        key: np.round(value, 5).tolist() if isinstance(value, np.ndarray) else value
        for key, value in stored.items()
    }
    COEFFICIENTS.write_text(json.dumps(rounded, indent=None, separators=(",", ":")) + "\n", encoding="utf-8")
    print(f"{len(many)} holds, {COEFFICIENTS}")


if __name__ == "__main__":
    main()

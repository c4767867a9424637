"""Makes the coefficients of the judgement's small maps from simulated holds.

``python -m bench.calibrate [--holds 200000]`` writes ``analytics/core/calibration.json``. Five in six of the
holds make the map of the causes; the others, judged with it, the levels of the leak rate's interval. The seed
is not one that ``bench.judgement`` reports from, and the holds come from models that the analysis does not
fit (`bench.holds`). What was seen of them is kept in the temporary directory, and made anew when it changes.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

import analytics.core.estimate as estimate
from analytics.core.binned import Binned, binned
from analytics.core.shapes import Fits, fit_shapes
from analytics.core.small_map import SmallMap
from bench.fit_map import fit_map
from bench.holds import Hold
from bench.kept import each_hold
from physics.types import FloatArray

SEED = 20_260_101
HIDDEN, RIDGE = 64, 5e-5
"""Size of the map and penalty on its coefficients: of 32 to 128 and 3e-5 to 1e-3 the best on other holds."""

COEFFICIENTS = Path(estimate.__file__).with_name("calibration.json")
MISSED = 0.115
"""Share of the truths that the leak rate's interval may miss; a little more than a tenth, because it always
holds its own estimate, which brings some back."""
MISSED_LOW = 0.065
LEAST = 8


@dataclass(frozen=True, slots=True)
class Seen:
    """What the map of the causes sees of a hold, and the truth."""

    features: FloatArray
    cause: int


@dataclass(frozen=True, slots=True)
class Level:
    """What the levels of the leak rate's interval see of a hold.

    ``down`` and ``up`` are the shares of the mixture at or below the true leak rate, as far down and as far
    up as may be (`analytics.core.estimate.leak_quantiles`).
    """

    features: FloatArray
    leak: float
    down: float
    up: float


def fitted(hold: Hold) -> tuple[Binned, Fits, estimate.Asked] | None:
    """As `analytics.core.cause.diagnose` would fit it; None where it sees too little."""
    readings = binned(hold.time_s, hold.pressure_pa, hold.temperature_k, hold.settle_s, hold.top_pa)
    if len(readings.t) < LEAST or hold.start_pa >= hold.limit_pa:
        return None
    asked = estimate.asked(hold.start_pa, hold.limit_pa, hold.settle_s, hold.hold_s)
    return readings, fit_shapes(readings, settle_s=asked.settle_s, end_s=asked.end_s), asked


def seen(hold: Hold) -> Seen | None:
    """Of one hold."""
    if (own := fitted(hold)) is None:
        return None
    readings, fits, asked = own
    raw = estimate.causes_by_member(fits, asked.permitted_pa) @ fits.weights
    return Seen(estimate.features(readings, fits, asked, raw), estimate.CAUSES.index(hold.cause))


def level(hold: Hold) -> Level | None:
    """Of one hold, with the map of the causes that is stored."""
    if (own := fitted(hold)) is None:
        return None
    readings, fits, asked = own
    fits = estimate.weighed(readings, fits, asked, estimate.calibration()).fits
    rates, down, up = estimate.leak_quantiles(fits, asked)
    return Level(
        estimate.level_features(readings, fits, asked),
        hold.leak_pa_s,
        float(np.interp(hold.leak_pa_s, rates, down)),
        float(np.interp(hold.leak_pa_s, rates, up)),
    )


def levels(many: list[Level]) -> tuple[FloatArray, FloatArray]:
    """Coefficients of both levels of the leak rate's interval, from the holds that leak.

    The lower level goes by what the hold was like alone, not by what the fit found: what looks like a leak
    and is none must not draw it down.
    """
    some = [one for one in many if one.leak > 0]
    given = np.isin(np.arange(len(some[0].features)), estimate.GIVEN)
    low = quantile([one.features * given for one in some], [one.down for one in some], MISSED_LOW) * given
    high = quantile([one.features for one in some], [one.up for one in some], 1 - (MISSED - MISSED_LOW))
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


def store(**found: object) -> None:
    """Write the coefficients down, beside what was there, and read them anew."""
    kept = json.loads(COEFFICIENTS.read_text(encoding="utf-8")) if COEFFICIENTS.exists() else {}
    kept |= found
    COEFFICIENTS.write_text(json.dumps(kept, separators=(",", ":")) + "\n", encoding="utf-8")
    estimate.calibration.cache_clear()


def cause_map(many: Sequence[Seen]) -> SmallMap:
    """Map of the causes from these holds."""
    return fit_map(
        np.array([one.features for one in many]),
        np.array([one.cause for one in many]),
        hidden=HIDDEN,
        ridge=RIDGE,
        seed=SEED,
        most=400,
    )


def learning(many: Sequence[Seen]) -> None:
    """Print what more holds to learn from bring, on a tenth of the holds that are kept back."""
    back, rest = many[: len(many) // 10], many[len(many) // 10 :]
    causes = np.array([one.cause for one in back])
    for share in (0.03, 0.1, 0.3, 1.0):
        some = rest[: int(share * len(rest))]
        known = cause_map(some)
        said = np.array([known(one.features) for one in back])
        right = float((said.argmax(axis=1) == causes).mean())
        score = float(-np.log(np.maximum(said[np.arange(len(back)), causes], 1e-6)).mean())
        print(f"{len(some):7} holds: {100 * right:.1f} % right, log score {score:.4f} nat")


def main() -> None:
    """Simulate, fit the maps, write them down."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--holds", type=int, default=200_000)
    parser.add_argument("--learning", action="store_true", help="print what more holds bring, and end")
    given = parser.parse_args()
    number = given.holds
    first = 5 * number // 6
    many = each_hold("seen", seen, SEED, first)
    if given.learning:
        learning(many)
        return
    causes = cause_map(many)
    origin = {
        "made by": "python -m bench.calibrate",
        "holds": number,
        "seed": SEED,
        "models": "bench/holds.py",
    }
    store(origin=origin, causes=causes.stored())
    low, high = levels(each_hold("levels", level, SEED, number - first, first, [COEFFICIENTS]))
    store(low=np.round(low, 5).tolist(), high=np.round(high, 5).tolist())
    print(f"{number} holds, {COEFFICIENTS}")


if __name__ == "__main__":
    main()

"""Makes the coefficients of the judgement's small maps from simulated holds.

``python -m bench.calibrate [--holds 200000]`` writes ``analytics/core/calibration.json``. Five in six of the
holds make the map of the causes; the others, judged with it, the levels of the leak rate's interval
(``--levels``: these alone, for the map that is stored). The seed is not one that ``bench.judgement`` reports
from, and the holds come from models that the analysis does not fit (`bench.holds`). What was seen of them is
kept in the temporary directory, and made anew when it changes.
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
from bench.fit_levels import LEAKING, Level, fit_levels
from bench.fit_map import fit_map
from bench.holds import Hold
from bench.kept import each_hold
from physics.types import FloatArray

SEED = 20_260_101
HIDDEN, RIDGE = 64, 5e-5
"""Size of the map and penalty on its coefficients: of 32 to 128 and 3e-5 to 1e-3 the best on other holds."""

COEFFICIENTS = Path(estimate.__file__).with_name("calibration.json")
LEAST = 8


@dataclass(frozen=True, slots=True)
class Seen:
    """What the map of the causes sees of a hold, and the truth."""

    features: FloatArray
    cause: int


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
    members = estimate.weighed(readings, fits, asked, estimate.calibration())
    rates, down, up = estimate.leak_quantiles(members.fits, asked)
    value = estimate.likeliest_leak(members)
    strata = [f"{name}: {kind}" for name, kind in hold.strata.items()]
    return Level(
        members.figures,
        (*strata, LEAKING if hold.leak_pa_s > 0 else "leak: none at all"),
        float(np.interp(hold.leak_pa_s, rates, down)),
        # No interval ends below nothing.
        float(np.interp(hold.leak_pa_s, rates, up)) if hold.leak_pa_s > 0 else 0.0,
        float(np.interp(value * (1 - estimate.SCALE_ERROR), rates, down)),
        float(np.interp(value * (1 + estimate.SCALE_ERROR), rates, up))
        if estimate.leaks(members.fits)
        else 0.0,
    )


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
    parser.add_argument("--levels", action="store_true", help="make the levels only, for the map as it is")
    given = parser.parse_args()
    number = given.holds
    first = 5 * number // 6
    if given.learning:
        learning(each_hold("seen", seen, SEED, first))
        return
    origin = {
        "made by": "python -m bench.calibrate",
        "holds": number,
        "seed": SEED,
        "models": "bench/holds.py",
    }
    if not given.levels:
        store(origin=origin, causes=cause_map(each_hold("seen", seen, SEED, first)).stored())
    levels = fit_levels(each_hold("levels", level, SEED, number - first, first, [COEFFICIENTS]), SEED)
    store(levels=levels.stored())
    print(f"{number} holds, {COEFFICIENTS}")


if __name__ == "__main__":
    main()

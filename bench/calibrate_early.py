"""Makes the coefficients of the early call's small map from simulated holds.

``python -m bench.calibrate_early [--holds 24000]`` writes ``analytics/core/forecast.json``. The holds come
from models that the forecast does not fit (`bench.early_curves`); their seed is none that ``bench.early``
reports from.
"""

from __future__ import annotations

import argparse
import json
import math
import multiprocessing
from pathlib import Path

import numpy as np
from rich.progress import track

from analytics.core import early, forecast
from analytics.core.curves import Data, Outlook, weigh_curves
from bench.early import follow
from bench.early_curves import make
from bench.fit_map import fit_map
from physics.types import FloatArray

SEED = 900
HIDDEN, RIDGE = 16, 7e-4
"""Size of the map and penalty: of 8 to 24 and 1e-5 to 1e-2 what called earliest at the same rate of false
calls on other holds. A smaller penalty gives likelier probabilities, and more false calls."""

PIECE = 50
COEFFICIENTS = Path(forecast.__file__).with_name("forecast.json")


def looks(number: int) -> tuple[FloatArray, bool]:
    """Figures of every look at a hold, shape (n, k), and whether it fails."""
    seen: list[FloatArray] = []

    def look(data: Data, length_s: float, limit_pa: float) -> Outlook:
        curves = weigh_curves(data, length_s, limit_pa)
        seen.append(forecast.figures(data, length_s, limit_pa, curves))
        return curves.outlook

    # Looked at to the end, by the curves alone: what the map is made from must not depend on the map.
    early.CALL_AT, forecast.look_ahead = math.inf, look
    case = make(np.random.default_rng([SEED, number]))
    follow(case)
    return np.array(seen).reshape(len(seen), -1), case.crossing_s is not None


def main() -> None:
    """Simulate, fit the map, write it down."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--holds", type=int, default=24_000)
    number = parser.parse_args().holds
    with multiprocessing.get_context("spawn").Pool() as pool:
        found = pool.imap(looks, range(number), chunksize=PIECE)
        many = [one for one in track(found, "holds", total=number) if len(one[0])]
    fails = fit_map(
        np.concatenate([figures for figures, _ in many]),
        np.concatenate([np.full(len(figures), fails, dtype=np.intp) for figures, fails in many]),
        hidden=HIDDEN,
        ridge=RIDGE,
        seed=SEED,
        most=200,
    )
    origin = {
        "made by": "python -m bench.calibrate_early",
        "holds": number,
        "seed": SEED,
        "models": "bench/early_curves.py",
    }
    stored = {"origin": origin, "fails": fails.stored()}
    COEFFICIENTS.write_text(json.dumps(stored, separators=(",", ":")) + "\n", encoding="utf-8")
    print(f"{len(many)} holds, {COEFFICIENTS}")


if __name__ == "__main__":
    main()

"""The small map: its sum, its file, and the coefficients of the forecast that come with the program."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from scipy.special import softmax

from analytics.core import forecast
from analytics.core.small_map import FARTHEST, SmallMap
from bench.fit_map import fit_map
from physics.types import FloatArray


def some(rng: np.random.Generator, k: int = 4, h: int = 3, q: int = 5) -> SmallMap:
    return SmallMap(
        rng.standard_normal(k),
        rng.uniform(0.5, 2, k),
        rng.standard_normal((k + 1, h)),
        rng.standard_normal((k + h + 1, q)),
    )


def slowly(known: SmallMap, figures: FloatArray) -> FloatArray:
    """The equation of the module's head, in plain loops."""
    x = [(f - m) / s for f, m, s in zip(figures, known.middle, known.spread, strict=True)]
    x = [min(max(one, -FARTHEST), FARTHEST) for one in x]
    bent = [np.tanh(sum(v * w for v, w in zip([*x, 1.0], column, strict=True))) for column in known.hidden.T]
    whole = [*x, *bent, 1.0]
    return np.asarray(
        softmax([sum(v * w for v, w in zip(whole, column, strict=True)) for column in known.last.T])
    )


@pytest.mark.parametrize("seed", range(5))
def test_probabilities_are_those_of_the_equation(seed: int) -> None:
    rng = np.random.default_rng(seed)
    known, figures = some(rng), 5 * rng.standard_normal(4)
    assert known(figures) == pytest.approx(slowly(known, figures))
    assert known(figures).sum() == pytest.approx(1)


def test_what_is_stored_reads_back(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    known, figures = some(rng), rng.standard_normal(4)
    (tmp_path / "map.json").write_text(json.dumps(known.stored()), encoding="utf-8")
    again = SmallMap.read(json.loads((tmp_path / "map.json").read_text(encoding="utf-8")))
    assert again(figures) == pytest.approx(known(figures), abs=1e-3)


def test_a_fitted_map_finds_what_is_not_straight(capsys: pytest.CaptureFixture[str]) -> None:
    # Inside a circle or not: no straight line parts these.
    rng = np.random.default_rng(2)
    figures = rng.uniform(-2, 2, (3000, 2))
    inside = (np.hypot(*figures.T) < 1.3).astype(np.intp)
    known = fit_map(figures[:2000], inside[:2000], hidden=8, ridge=1e-5, seed=1, most=200)
    said = np.array([known(one)[1] > 0.5 for one in figures[2000:]])
    assert np.mean(said == inside[2000:]) > 0.95
    assert "loss" in capsys.readouterr().out


def test_the_forecasts_coefficients_tell_where_they_come_from() -> None:
    stored = json.loads(Path(forecast.__file__).with_name("forecast.json").read_text(encoding="utf-8"))
    assert stored["origin"]["made by"] == "python -m bench.calibrate_early"
    assert stored["origin"]["holds"] >= 5000
    assert forecast.calibration().last.shape[1] == 2

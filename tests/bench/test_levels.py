"""The levels of the leak rate's interval: fitted to what the interval does, and held to the strata."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import expit, logit

from analytics.core import estimate
from analytics.core.small_map import SmallMap
from bench import fit_levels
from bench.calibrate import fitted, level
from bench.fit_levels import Level
from bench.holds import holds


def invented(seed: int, number: int = 3000) -> list[Level]:
    """Of two kinds that the figures hardly tell apart; one lies lower in its mixtures than the other."""
    rng = np.random.default_rng(seed)
    many = []
    for _ in range(number):
        low = bool(rng.random() < 0.3)
        seen = rng.standard_normal(3)
        seen[0] += 0.7 * low
        share = float(expit(2.0 * rng.standard_normal() - 3.0 * low))
        many.append(Level(seen, ("kind: low" if low else "kind: usual",), share, share, 1.0, 0.0))
    return many


def missed(known: SmallMap, one: Level) -> bool:
    """As the fit reckons it."""
    low, high = expit(known.scores(one.figures))
    return bool(min(low, one.most_low) > one.down or max(high, one.least_high) < one.up)


def shares(many: list[Level], known: SmallMap) -> dict[str, float]:
    kinds = {one.strata[0] for one in many}
    return {
        kind: float(np.mean([missed(known, one) for one in many if one.strata[0] == kind])) for kind in kinds
    }


def test_each_stratum_is_missed_by_a_tenth(monkeypatch: pytest.MonkeyPatch) -> None:
    learnt, fresh = invented(1), invented(2)
    found = shares(fresh, fit_levels.fit_levels(learnt, 3))
    assert all(0.07 < share < 0.13 for share in found.values()), found
    monkeypatch.setattr(fit_levels, "BY_STRATUM", 0.0)
    alone = shares(fresh, fit_levels.fit_levels(learnt, 3))
    assert alone["kind: low"] > 0.13, alone


def test_what_the_levels_are_fitted_to_is_what_the_interval_does() -> None:
    known = estimate.calibration()
    compared = excluded = 0
    for hold in holds(11, 120):
        own, one = fitted(hold), level(hold)
        if own is None or one is None:
            continue
        readings, fits, asked = own
        members = estimate.weighed(readings, fits, asked, known)
        value, low, high = estimate.leak_interval(members, asked, known)
        assert low <= value <= high
        outside = not low <= hold.leak_pa_s <= high
        assert outside == missed(known.levels, one), (hold.cause, hold.leak_pa_s, value, low, high)
        compared += 1
        excluded += outside
    assert compared > 80
    assert excluded > 0


def test_a_level_below_the_least_share_excludes_nothing() -> None:
    for hold in holds(4, 20):
        if (own := fitted(hold)) is None:
            continue
        _, fits, asked = own
        rates, down, _ = estimate.leak_quantiles(fits, asked)
        assert float(np.interp(0.9 * estimate.LEAST_SHARE, down, rates)) == 0.0
        assert logit(down[0]) >= logit(estimate.LEAST_SHARE)

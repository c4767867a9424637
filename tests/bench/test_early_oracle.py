"""The caller that knows each simulated hold's shapes, beside which the early call is measured."""

from __future__ import annotations

import numpy as np
import pytest

from bench.early import oracle_calls, score
from bench.early_curves import Case, make, straight
from bench.early_oracle import probabilities


@pytest.fixture(scope="module")
def cases() -> list[Case]:
    return [make(np.random.default_rng([3, k])) for k in range(120)]


def test_the_parts_make_up_the_curve(cases: list[Case]) -> None:
    for case in cases:
        rest = case.shown_pa / case.shapes[:, 0]
        sizes, *_ = np.linalg.lstsq(case.shapes / case.shapes[:, :1], rest, rcond=None)
        off = case.shown_pa - case.shapes @ sizes
        # Noise, spikes, steps and drift are left; half of the readings lie within twice their size.
        assert np.median(np.abs(off)) < 2 * case.noise * np.median(case.shown_pa) + 20, case.cause


def test_a_plain_leak_is_known_at_once_and_what_stays_below_never() -> None:
    rng = np.random.default_rng(1)
    fails = straight(rng, margin=2.0, noise=0.01, interval=10.0, length=3600.0)
    at, said = probabilities(fails)
    assert at[0] >= fails.settle_s
    assert said[at > 600].min() > 0.99
    stays = straight(rng, margin=0.8, noise=0.01, interval=10.0, length=3600.0)
    assert probabilities(stays)[1][-1] < 0.01


def test_no_leak_is_called_before_it_opens(cases: list[Case]) -> None:
    late = [case for case in cases if case.cause == "late leak" and case.crossing_s is not None]
    assert late
    for case in late:
        opens = float(case.time_s[np.argmax(case.shapes[:, -1] > 0)])
        at, said = probabilities(case)
        assert said[at < opens].max(initial=0.0) < 0.9
        assert said[-1] > 0.9


def test_it_calls_no_more_holds_wrongly_than_it_may(cases: list[Case]) -> None:
    found = {}
    for allowed in (0, 3):
        calls = oracle_calls(cases, allowed)
        found[allowed] = score(cases, calls)
        assert found[allowed]["false_calls"] <= allowed
    assert found[0]["called_share"] > 0.9
    assert found[3]["median_ratio"] <= found[0]["median_ratio"]

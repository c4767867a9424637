"""The simulated holds of the benchmark, and the figures that are made of what was said of them."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.core.estimate import CAUSES
from bench.holds import COUNTS, Hold, cause_of, hold, holds
from bench.judgement import Judged, deciles, rates, risk_coverage
from bench.oracle import oracle
from bench.verdicts import Compared, compared, verdicts_right
from model.judgement import Cause, Verdict
from physics.water import saturation_pressure


@pytest.fixture(scope="module")
def some() -> list[Hold]:
    return list(holds(3, 40))


def test_a_hold_is_made_of_its_seed_and_number_alone(some: list[Hold]) -> None:
    again = hold(np.random.default_rng([3, 17]))
    assert np.array_equal(again.pressure_pa, some[17].pressure_pa)
    assert again.parts == some[17].parts
    assert next(holds(3, 1, first=17)).cause is some[17].cause


def test_a_part_adds_what_it_is_said_to(some: list[Hold]) -> None:
    for one in some:
        whole = one.time_s[-1] > 0.98 * one.hold_s
        after = one.time_s >= one.settle_s
        if not whole or after.sum() < 60:
            continue
        first = int(np.argmax(after))
        # As if it added 1 Pa from settling on, which lies between two readings; but for the temperature.
        least, most = one.shapes[-1, :3] - one.shapes[[first, max(first - 1, 0)], :3]
        rises = np.abs(one.shapes[:, :3]).max(axis=0) > 0
        assert rises[0]
        assert np.all(least[rises] < 1.3), one.strata
        assert np.all(most[rises] > 0.7), one.strata


def test_water_does_not_rise_above_saturation(some: list[Hold]) -> None:
    for one in some:
        assert one.parts[1] <= float(saturation_pressure(303.0 + 12.0))


@pytest.mark.parametrize(
    ("parts", "cause"),
    [
        ((0, 0, 0), Cause.TIGHT),
        ((2, 0, 0), Cause.LEAK),
        ((0, 2, 0), Cause.MOISTURE),
        ((0, 2, 2), Cause.MOISTURE),
        ((2, 2, 0), Cause.LEAK_AND_MOISTURE),
        ((2, 0, 2), Cause.LEAK_AND_MOISTURE),
        ((0, 0, 2), Cause.OUTGASSING),
        ((0.9, 0.9, 0.9), Cause.TIGHT),
    ],
)
def test_the_cause_is_what_counts(parts: tuple[float, float, float], cause: Cause) -> None:
    assert cause_of(parts, COUNTS * 10) is cause


def test_the_oracle_is_seldom_wrong(some: list[Hold]) -> None:
    fair = [one for one in some if one.start_pa < one.limit_pa and len(one.time_s) > 60]
    found = [CAUSES[int(oracle(one).argmax())] for one in fair]
    right = np.mean([said is one.cause for said, one in zip(found, fair, strict=True)])
    assert right > 0.75


def judged(said: list[float], truth: int, leak: float = 0.0) -> Judged:
    values = np.array(said)
    return Judged({"all": "all"}, truth, leak, values, values, bool(values.max() >= 0.7), (0.0, 0.0, 1.0))


def test_deciles_find_what_is_too_sure_of_itself() -> None:
    sure = [0.95, 0.02, 0.01, 0.01, 0.01]
    honest = [judged(sure, 0)] * 95 + [judged(sure, 1)] * 5
    boaster = [judged(sure, 0)] * 60 + [judged(sure, 1)] * 40
    assert all(row["inside"] for row in deciles(honest))
    assert not all(row["inside"] for row in deciles(boaster))


def test_rates_and_risk() -> None:
    many = [judged([0.8, 0.2, 0, 0, 0], 0), judged([0.6, 0.4, 0, 0, 0], 1, leak=2.0)]
    found = rates(many)
    assert (found.n, found.right, found.named, found.right_named) == (2, 0.5, 0.5, 1.0)
    assert found.covered == 0.5
    assert [row["named"] for row in risk_coverage(many)][:3] == [1.0, 1.0, 0.5]


def test_noise_changes_no_verdict_that_is_clear_of_the_limit() -> None:
    both = [one for hold in holds(31, 40) if hold.interval_s >= 10 and (one := compared(hold)) is not None]
    assert {one.clean for one in both} == {Verdict.PASSED, Verdict.FAILED}
    share, clear, missed = verdicts_right(both)
    assert clear > 0.8 * len(both)
    assert (share, missed) == (1.0, 0)


def test_a_verdict_that_differs_is_counted() -> None:
    near = Compared(Verdict.PASSED, Verdict.FAILED, 1.0, 2.0)
    wrong = Compared(Verdict.PASSED, Verdict.FAILED, 5.0, 2.0)
    right = Compared(Verdict.PASSED, Verdict.PASSED, -5.0, 2.0)
    assert verdicts_right([near, right]) == (1.0, 1, 0)
    assert verdicts_right([near, right, wrong]) == (0.5, 2, 1)

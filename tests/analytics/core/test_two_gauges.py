"""Two gauges on one circuit: both are heard."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.core.cause import diagnose
from analytics.core.two_gauges import heard_both
from model.judgement import CERTAIN, Cause, Diagnosis
from physics.types import FloatArray

T = np.arange(0.0, 7201.0, 10.0)
LEAKING = 60 + 0.03 * T
STEADY = np.full(len(T), 293.15)


def of(curve: FloatArray, seed: int, scale: float = 1.0) -> Diagnosis:
    p = scale * curve * (1 + 0.005 * np.random.default_rng(seed).standard_normal(len(T)))
    return diagnose(T, p, STEADY, start_pa=None, limit_pa=200.0, settle_s=120, hold_s=7200, volume_m3=0.01)


def test_two_that_agree_are_said_to() -> None:
    one, other = of(LEAKING, 1), of(LEAKING, 2, scale=1.06)
    both = heard_both(one, other, CERTAIN)
    assert both.cause is Cause.LEAK
    assert both.evidence[-1] == "A second gauge on the circuit says the same."
    assert sum(both.probabilities.values()) == pytest.approx(1)
    assert both.leak_pa_per_s is not None
    assert one.leak_pa_per_s is not None
    assert both.leak_pa_per_s.low <= one.leak_pa_per_s.low < one.leak_pa_per_s.high <= both.leak_pa_per_s.high


def test_two_that_do_not_agree_are_said_to_and_are_less_sure() -> None:
    leaking, flat = of(LEAKING, 1), of(np.full_like(T, 60.0), 2)
    both = heard_both(leaking, flat, CERTAIN)
    assert both.probabilities[Cause.LEAK] < 0.82 < leaking.probabilities[Cause.LEAK]
    assert "does not agree" in both.evidence[-1]
    assert heard_both(leaking, flat, 0.9).cause is Cause.UNCLEAR
    assert both.leak_pa_per_s is not None
    assert flat.leak_pa_per_s is not None
    assert both.leak_pa_per_s.low <= flat.leak_pa_per_s.value


def test_a_second_gauge_that_saw_too_little_changes_nothing() -> None:
    one = of(LEAKING, 1)
    blind = diagnose(T[:3], LEAKING[:3], start_pa=None, limit_pa=200.0, settle_s=120, hold_s=7200)
    assert heard_both(one, blind, CERTAIN) == one

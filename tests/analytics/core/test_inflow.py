"""A backflow through a pump that stands, where nothing reports: told by its size, or said not to be told."""

from __future__ import annotations

import math
import random
from collections.abc import Callable

import numpy as np
import pytest

from analytics.core.advice import RIG, STOPPED_OPEN, UNREPORTED, advise
from analytics.core.inflow import most_held
from analytics.core.pull_model import Known
from analytics.core.track import Sample, TrackSettings, begin, fold, view
from model.judgement import HoldTest, Urgency, Verdict
from model.reading import Valve
from model.rig import NO_RIG, Rig
from simulator.circuit import Rig as Simulated
from simulator.circuit import RigData
from tests.analytics.core.curves import (
    CIRCUIT_GAUGE,
    ISOLATION_VALVE,
    USUAL,
    pressure,
    pull_down,
    report,
)

LOW_PA, VOLUME_M3 = 10.0, 0.010
PUMP = Rig(2.8e-3, None, 6.35e-3, 1.5)
Curve = Callable[[float], float]


def hold_of(
    curve: Curve, rng: random.Random, rig: Rig = PUMP, volume_m3: float | None = VOLUME_M3, *more: Sample
) -> HoldTest:
    """The hold of a rise that sets in after ten minutes at the end pressure."""

    def whole(t: float) -> float:
        return (LOW_PA if t < 600 else curve(t - 600)) * (1 + 0.005 * rng.gauss(0, 1))

    settings = TrackSettings(USUAL, (CIRCUIT_GAUGE, ISOLATION_VALVE), None, volume_m3, rig=rig)
    samples = sorted([*pull_down(LOW_PA, 3600), *pressure(whole, 0, 2400), *more])
    (hold,) = view(fold(begin(settings), settings, samples), settings, samples[-1].time_us).holds
    return hold


def test_what_a_pump_could_hold_agrees_with_the_handbooks_figure_of_the_hose() -> None:
    # 6.35 mm and 1.5 m pass 0.195 l/s at a mean of 133.3 Pa, viscous (vacuum handbooks, trade page). Behind
    # it a far faster pump takes half of that at 133.3 Pa at the gauge, and molecular flow adds a little.
    held = most_held(133.3, Known(VOLUME_M3, 0.1, 6.35e-3, 1.5))
    assert held is not None
    assert 0.5 * 0.195e-3 * 133.3 / VOLUME_M3 < held < 0.7 * 0.195e-3 * 133.3 / VOLUME_M3
    assert most_held(133.3, Known(VOLUME_M3, 0.1)) == pytest.approx(0.1 * 133.3 / VOLUME_M3)
    assert most_held(133.3, Known(None, 0.1)) is None
    assert most_held(133.3, Known(VOLUME_M3)) is None


def backflow(t: float) -> float:
    """1 Pa/s in 10 l: 0.1 mbar l/s. At 10 Pa the pump could hold some 0.03 Pa/s of it behind its hose."""
    return LOW_PA + 1.0 * t


def test_a_straight_rise_that_the_pump_cannot_have_held_is_air_that_was_not_there(rng: random.Random) -> None:
    hold = hold_of(backflow, rng)
    assert hold.new_inflow
    assert hold.verdict is Verdict.FAILED
    assert any("air came in that was not there" in remark for remark in hold.remarks)
    given = advise(hold)
    assert given is not None
    assert given.urgency is Urgency.NOW
    assert given.steps[0] == STOPPED_OPEN


@pytest.mark.parametrize(
    "curve",
    [
        lambda t: LOW_PA + 0.02 * t,
        lambda t: LOW_PA + 600 * -math.expm1(-t / 300),
        lambda t: LOW_PA + 20 * math.sqrt(t),
        lambda t: LOW_PA + 2000 * -math.expm1(-t / 700),
    ],
    ids=["a leak that it held", "evening out", "gas from oil", "water"],
)
def test_what_it_can_have_held_or_what_bends_over_is_not(curve: Curve, rng: random.Random) -> None:
    assert not hold_of(curve, rng).new_inflow


def test_without_volume_or_rating_or_with_the_valve_reported_closed_it_is_not(rng: random.Random) -> None:
    assert not hold_of(backflow, rng, NO_RIG).new_inflow
    assert not hold_of(backflow, rng, PUMP, None).new_inflow
    shut = [report(-3600, Valve.OPEN), report(600, Valve.CLOSED)]
    assert not hold_of(backflow, rng, PUMP, VOLUME_M3, *shut).new_inflow


def test_where_it_cannot_be_told_the_verdict_says_so_and_the_advice_how_to_tell(rng: random.Random) -> None:
    hold = hold_of(backflow, rng, NO_RIG)
    assert any("is not told from an isolation by it" in remark for remark in hold.remarks)
    given = advise(hold)
    assert given is not None
    assert given.steps[:2] == (RIG, UNREPORTED)
    assert "valve stays closed" not in given.line
    shut = [report(-3600, Valve.OPEN), report(600, Valve.CLOSED)]
    reported = hold_of(backflow, rng, NO_RIG, VOLUME_M3, *shut)
    assert not any("told from an isolation" in remark for remark in reported.remarks)
    by_valve = advise(reported)
    assert by_valve is not None
    assert UNREPORTED not in by_valve.steps


def risen(backflow: bool, inflow_pa_m3_s: float) -> np.ndarray:
    """Rise of a simulated circuit of 40 l in an hour, by leak or backflow of the same size [Pa]."""
    leak, back = (0.0, inflow_pa_m3_s / 101_325) if backflow else (inflow_pa_m3_s, 0.0)
    rig = Simulated(RigData(0.04, leak_pa_m3_s=leak, suck_back_m3_s=back))
    rig.setting.pumping, rig.setting.opening = True, 1.0
    rig.advance(3600)
    start_pa = rig.circuit_pa
    rig.disturb()
    rig.setting.pumping, rig.setting.opening = False, 1.0 if backflow else 0.0
    seen = []
    for _ in range(60):
        rig.advance(60)
        seen.append(rig.circuit_pa - start_pa)
    return np.array(seen)


def test_leak_and_backflow_of_one_size_make_one_curve() -> None:
    # Apart by the volume of hose and pump (0.5 of 40 l) once that has filled, and by nothing else.
    share = risen(True, 1e-3)[10:] / risen(False, 1e-3)[10:]
    assert share == pytest.approx(40 / 40.5, abs=0.01)

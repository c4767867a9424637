"""The pump stopped with the valve open: told from an isolation by reports, else by the curve."""

from __future__ import annotations

import random

import pytest

from analytics.core.advice import advise
from analytics.core.track import Sample, View
from model.judgement import Urgency, Verdict
from model.reading import Quantity, Valve
from tests.analytics.core.curves import (
    PUMP,
    at,
    held,
    judge,
    pressure,
    pull_down,
    report,
    settings,
    state,
)

GIVEN = settings()


def pump(seconds: float, runs: bool) -> Sample:
    return state(seconds, Quantity.PUMP, runs, PUMP)


def pumping(*reports: Sample) -> list[Sample]:
    """A pull-down with the valve reported open, at its end pressure from 0 to 600 s."""
    return [report(-1800, Valve.OPEN), *reports, *pull_down(), *pressure(lambda t: 40.0, 0, 600)]


def stops(seen: View) -> list[tuple[str, float, object]]:
    kinds = ("pump-stopped-open", "pump-stop-over")
    return [
        (str(fact.kind), (fact.time_us - at(0)) / 1e6, fact.data.get("by_curve"))
        for fact in seen.facts
        if fact.kind in kinds
    ]


def test_a_pump_that_reports_stopped_with_the_valve_open_is_told_after_half_a_minute() -> None:
    samples = sorted(pumping(pump(-1800, True), pump(300, False)))
    assert stops(judge(samples)) == [("pump-stopped-open", 300, False)]
    first = [one for one in samples if one.time_us <= at(310)]
    early = judge(first)
    assert stops(early) == []
    assert early.wake_us == at(330)
    assert stops(judge(first, now_s=330)) == [("pump-stopped-open", 300, False)]


def test_it_is_over_once_the_pump_runs_or_the_valve_closes() -> None:
    again = sorted(pumping(pump(-1800, True), pump(300, False), pump(400, True)))
    assert stops(judge(again)) == [("pump-stopped-open", 300, False), ("pump-stop-over", 400, None)]
    shut = sorted(pumping(pump(-1800, True), pump(300, False), report(350, Valve.CLOSED)))
    assert stops(judge(shut))[1:] == [("pump-stop-over", 350, None)]


@pytest.mark.parametrize("closed_s", [290, 320])
def test_an_isolation_is_none_in_whichever_order_pump_and_valve_report(closed_s: float) -> None:
    samples = sorted(pumping(pump(-1800, True), pump(300, False), report(closed_s, Valve.CLOSED)))
    assert stops(judge(samples)) == []


def test_a_pump_that_never_reports_running_is_not_believed_to_stand() -> None:
    assert stops(judge(sorted(pumping(pump(-1800, False), pump(300, False))))) == []


def test_without_a_vacuum_nothing_is_told() -> None:
    air = [report(0, Valve.OPEN), pump(0, True), *pressure(lambda t: 1.01e5, 0, 600), pump(300, False)]
    assert stops(judge(sorted(air))) == []


def rising(t: float) -> float:
    """Air that comes back through the pump, as slowly as a leak."""
    return 40.0 if t < 300 else 40.0 + 0.3 * (t - 300)


def test_where_no_pump_reports_the_curve_tells_with_the_valve_open(rng: random.Random) -> None:
    def noisy(t: float) -> float:
        return rising(t) * (1 + 0.01 * rng.gauss(0, 1))

    open_all_through = [report(-1800, Valve.OPEN), *pull_down(), *pressure(noisy, 0, 1500, 5)]
    told = stops(judge(sorted(open_all_through)))
    assert [(kind, by_curve) for kind, _, by_curve in told] == [("pump-stopped-open", True)]
    assert told[0][1] == pytest.approx(300, abs=90)
    assert judge(sorted(open_all_through)).holds == ()
    shut = [*open_all_through, report(300, Valve.CLOSED)]
    assert stops(judge(sorted(shut))) == []
    assert len(judge(sorted(shut)).holds) == 1


def test_by_the_curve_it_is_over_once_the_pressure_is_back() -> None:
    def back(t: float) -> float:
        return rising(t) if t < 900 else 40.0

    samples = [report(-1800, Valve.OPEN), *pull_down(), *pressure(back, 0, 1500, 5)]
    assert [kind for kind, _, _ in stops(judge(sorted(samples)))] == ["pump-stopped-open", "pump-stop-over"]


@pytest.mark.parametrize(
    ("runs", "urgency"), [(False, Urgency.NOW), (True, Urgency.CAN_WAIT), (None, Urgency.CAN_WAIT)]
)
def test_a_hold_that_is_opened_says_whether_the_pump_ran(runs: bool | None, urgency: Urgency) -> None:
    reports = [] if runs is None else [pump(-1700, True), pump(500, runs)]
    (hold,) = judge(sorted([*held(lambda t: 50, length_s=1000, opened_s=900), *reports])).holds
    assert (hold.verdict, hold.reason, hold.opened_to_pump) == (Verdict.INCONCLUSIVE, "reopened", runs)
    advice = advise(hold)
    assert advice is not None
    assert advice.urgency is urgency
    if runs is False:
        assert "Close the isolation valve first." in advice.steps[0]

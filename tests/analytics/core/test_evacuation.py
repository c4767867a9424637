"""Target reached, vacuum broken, evacuation finished or ended unproven: to the letter of the rule's page."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from analytics.core.evacuation import breaks_done
from analytics.core.track import Sample, View
from model.judgement import PhaseKind, Verdict
from model.reading import Valve
from tests.analytics.core.curves import (
    CIRCUIT_GAUGE,
    ISOLATION_VALVE,
    USUAL,
    at,
    held,
    judge,
    pressure,
    pull_down,
    report,
    settings,
)

DAY = 86_400


def shifted(samples: list[Sample], seconds: float) -> list[Sample]:
    return [replace(one, time_us=one.time_us + round(seconds * 1e6)) for one in samples]


def told(seen: View) -> list[str]:
    return [str(fact.kind) for fact in seen.facts]


def when(seen: View, kind: str) -> list[float]:
    return [(fact.time_us - at(0)) / 1e6 for fact in seen.facts if fact.kind == kind]


def broken(start: float, length: float = 600) -> list[Sample]:
    return pressure(lambda t: 1.02e5, start, start + length)


def test_target_is_reached_after_its_dwell_not_touched() -> None:
    opened = [report(-1800, Valve.OPEN), *pull_down(90)]
    samples = opened + pressure(lambda t: 50, 0, 50) + pressure(lambda t: 90, 60, 600)
    assert "target-reached" not in told(judge(samples))
    samples = opened + pressure(lambda t: 50, 0, 600)
    seen = judge(samples)
    # The median of six follows after 30 s (four readings of six), the dwell is 60 s.
    assert when(seen, "target-reached") == [90]
    assert seen.evacuation == "running"
    fact = next(fact for fact in seen.facts if fact.kind == "target-reached")
    assert "finished before" in fact.text


def test_target_reached_is_told_once_a_pull() -> None:
    samples = [report(-1800, Valve.OPEN), *pull_down(90)]
    samples += pressure(lambda t: 50 if (t // 600) % 2 == 0 else 90, 0, 4000)
    assert told(judge(samples)).count("target-reached") == 1


def test_finished_when_an_isolated_hold_passed_after_the_target() -> None:
    seen = judge(held(lambda t: 50))
    assert seen.evacuation == "finished"
    assert when(seen, "evacuation-finished") == [1800]
    assert told(seen) == [
        "pull-down-started", "target-reached", "hold-started", "hold-passed", "evacuation-finished",
    ]  # fmt: skip


def test_a_failed_hold_finishes_nothing_and_pumping_goes_on() -> None:
    seen = judge(held(lambda t: 50 + t))
    assert seen.evacuation == "running"
    assert "hold-failed" in told(seen)


def test_a_second_hold_after_reopening_is_a_new_test() -> None:
    first = held(lambda t: 50 + t, length_s=900, opened_s=900)
    second = shifted([one for one in held(lambda t: 50) if one.time_us >= at(-400)], 1400)
    second = [one for one in second if not (one.quantity == 1 and one.time_us <= at(1000))]
    seen = judge([*first, *second])
    assert [hold.verdict for hold in seen.holds] == [Verdict.FAILED, Verdict.PASSED]
    assert seen.evacuation == "finished"
    assert len({fact.subject_us for fact in seen.facts if fact.kind == "hold-started"}) == 2


def test_broken_without_a_passed_hold_is_ended_unproven() -> None:
    seen = judge([*pull_down(), *pressure(lambda t: 40, 0, 600), *broken(610)])
    assert seen.evacuation == "unproven"
    assert when(seen, "vacuum-broken") == [610]
    assert when(seen, "evacuation-ended-unproven") == [610]


def test_pumped_again_after_ending_unproven_runs_again() -> None:
    samples = [
        *pull_down(),
        *pressure(lambda t: 40, 0, 600),
        *broken(610),
        *shifted(held(lambda t: 50), 3100),
    ]
    seen = judge(samples)
    assert seen.evacuation == "finished"
    assert when(seen, "evacuation-ended-unproven") == [610]


def test_charging_after_a_pass_is_vacuum_broken_and_no_failure() -> None:
    seen = judge([*held(lambda t: 50), *broken(2010, 900)])
    assert seen.evacuation == "finished"
    assert seen.phases[-1].kind is PhaseKind.BROKEN
    assert [hold.verdict for hold in seen.holds] == [Verdict.PASSED]
    assert "evacuation-ended-unproven" not in told(seen)


def test_readings_after_a_finish_never_revise_it() -> None:
    finished = when(judge(held(lambda t: 50)), "evacuation-finished")
    later = judge([*held(lambda t: 50), *pressure(lambda t: 50 + t, 2010, 4000), report(4001, Valve.OPEN)])
    assert later.evacuation == "finished"
    assert when(later, "evacuation-finished") == finished


def test_late_readings_from_before_a_finish_may_revise_it() -> None:
    samples = held(lambda t: 50)
    burst = pressure(lambda t: 900, 601, 900)
    early = [one for one in samples if not at(600) < one.time_us < at(900) or one.quantity != 1]
    assert judge(samples).evacuation == "finished"
    assert judge(sorted([*early, *burst])).evacuation == "running"


def test_triple_evacuation_is_finished_only_after_its_breaks() -> None:
    triple = settings(replace(USUAL, breaks=2))
    pull = [*pull_down(), *pressure(lambda t: 40, 0, 300), *broken(310, 400)]
    samples = [*pull, *shifted(pull, 2600), *shifted(held(lambda t: 50), 5200)]
    seen = judge(samples, triple)
    assert told(seen).count("vacuum-broken") == 2
    assert "evacuation-ended-unproven" not in told(seen)
    assert seen.evacuation == "finished"
    early = judge([*held(lambda t: 50), *broken(2010)], triple)
    assert early.holds[0].verdict is Verdict.PASSED
    assert early.evacuation == "running"


def nitrogen(start: float, open_s: float) -> list[Sample]:
    """A break with nitrogen behind a closed valve, which is opened to the pump again at ``open_s``."""
    rise = pressure(lambda t: min(101_325.0, 50 * math.exp((t - start) / 6)), start, open_s)
    return [*rise, report(open_s, Valve.OPEN)]


@pytest.mark.parametrize("after_closing_s", [10, 300])
def test_a_due_break_behind_the_closed_valve_is_no_failed_hold(after_closing_s: float) -> None:
    samples = [*held(lambda t: 50, length_s=after_closing_s - 10), *nitrogen(after_closing_s, 900)]
    due = judge(samples, settings(replace(USUAL, breaks=1)))
    assert [(hold.verdict, hold.reason) for hold in due.holds] == [(Verdict.INCONCLUSIVE, "broken-as-asked")]
    assert due.evacuation == "running"
    # The same without a break due is a circuit that ran full of gas.
    assert judge(samples).holds[0].verdict is Verdict.FAILED


def test_while_a_break_is_due_a_fail_waits_until_it_can_be_told_from_one() -> None:
    triple = settings(replace(USUAL, breaks=2))
    leak = held(lambda t: 50 + t, length_s=1700)
    fails_s = (judge(leak).holds[0].decided_us or 0) - at(0)
    first = [one for one in leak if one.time_us <= at(0) + fails_s]
    assert judge(first, triple).holds[0].verdict is Verdict.RUNNING
    assert judge(first, triple).wake_us == at(0) + fails_s + 120_000_000
    assert judge(leak, triple).holds[0].verdict is Verdict.FAILED


def test_broken_while_readings_are_awaited_is_not_unproven_yet() -> None:
    samples = held(lambda t: 50, length_s=3000)
    hole = [one for one in samples if not at(1700) < one.time_us < at(1900)] + broken(3010)
    seen = judge(hole)
    assert seen.holds[0].verdict is Verdict.AWAITING
    assert seen.evacuation == "running"
    assert judge([*samples, *broken(3010)]).evacuation == "finished"
    assert judge(hole, now_s=1800 + 86_400).evacuation == "unproven"


def test_the_target_is_reached_again_only_after_its_dwell_under_the_pump() -> None:
    samples = [
        *held(lambda t: 40, length_s=1900),
        report(1900, Valve.OPEN),
        *pressure(lambda t: 40, 1900, 1950),
    ]
    assert len(when(judge(samples), "target-reached")) == 1


def test_a_series_that_is_gone_without_a_passed_hold_is_unproven() -> None:
    samples = [*pull_down(), *pressure(lambda t: 40, 0, 600)]
    seen = judge(samples, now_s=600 + DAY - 1)
    assert (seen.evacuation, seen.wake_us) == ("running", at(600 + DAY))
    assert judge(samples, now_s=600 + DAY).evacuation == "unproven"
    assert judge(held(lambda t: 50), now_s=10 * DAY).evacuation == "finished"


def test_awaited_readings_are_awaited_before_the_series_is_given_up() -> None:
    samples = held(lambda t: 50, length_s=600)
    assert judge(samples, now_s=600 + DAY + 60).evacuation == "running"
    assert judge(samples, now_s=1800 + DAY).evacuation == "unproven"


def test_a_valve_closed_at_atmosphere_is_no_hold() -> None:
    samples = [*pressure(lambda t: 1.01e5, 0, 900), report(300, Valve.CLOSED), report(600, Valve.OPEN)]
    seen = judge(samples)
    assert (seen.holds, seen.evacuation) == ((), "none")


def test_a_valve_closed_far_above_any_target_is_no_hold() -> None:
    samples = [report(-1800, Valve.OPEN), *pull_down(8_000), report(0, Valve.CLOSED)]
    assert judge([*samples, *pressure(lambda t: 8_000, 0, 900)]).holds == ()


def test_a_first_report_of_closed_in_a_vacuum_begins_a_hold() -> None:
    seen = judge([*pull_down(), *pressure(lambda t: 40, 0, 2000), report(5, Valve.CLOSED)])
    assert [hold.start_us for hold in seen.holds] == [at(5)]


def test_a_job_that_begins_with_a_closed_valve_in_a_vacuum_begins_with_a_hold() -> None:
    samples = [report(-5, Valve.CLOSED), *pressure(lambda t: 40, 0, 2000)]
    seen = judge(samples)
    assert [hold.start_us for hold in seen.holds] == [at(-5)]
    # Nothing shows yet whether the target was held; one day after the end nothing will.
    assert seen.holds[0].reason == "awaiting-readings"
    assert judge(samples, now_s=1795 + 86_400).holds[0].reason == "target-unseen"


def test_a_hold_beyond_its_length_is_judged_at_its_end() -> None:
    seen = judge(held(lambda t: 50 if t <= 2200 else 900, length_s=4000))
    assert seen.holds[0].verdict is Verdict.PASSED
    assert seen.phases[-1].kind is PhaseKind.HOLD
    assert seen.phases[-1].end_us is None


def test_nothing_is_known_before_the_first_reading() -> None:
    seen = judge([report(0, Valve.OPEN)])
    assert (seen.phases, seen.holds, seen.facts, seen.evacuation) == ((), (), (), "none")


def gas(start: float, length: float, to_pa: float, flow_pa_per_s: float = 500.0) -> list[Sample]:
    """Dry gas let in through a regulator up to a pressure, which then stands."""
    return pressure(lambda t: min(50 + flow_pa_per_s * (t - start), to_pa), start, start + length)


TRIPLE = replace(USUAL, breaks=2)


@pytest.mark.parametrize("valve", [True, False], ids=["valve open", "no valve"])
@pytest.mark.parametrize("to_pa", [7_000.0, 15_000.0, 115_000.0])
def test_gas_let_in_to_a_break_pressure_is_a_break_and_no_hold(to_pa: float, valve: bool) -> None:
    # Triple evacuation: pull, break with dry nitrogen, three times; common practice (trade page).
    given = settings(TRIPLE, CIRCUIT_GAUGE, ISOLATION_VALVE) if valve else settings(TRIPLE, CIRCUIT_GAUGE)
    pull = [*pull_down(), *pressure(lambda t: 40, 0, 290), *gas(300, 600, to_pa)]
    again = shifted([*pull_down(), *pressure(lambda t: 40, 0, 290), *gas(300, 600, to_pa)], 2700)
    last = shifted([*pull_down(), *pressure(lambda t: 40, 0, 2500)], 5400)
    reports = [report(-1800, Valve.OPEN), report(5700, Valve.CLOSED)] if valve else []
    seen = judge(sorted([*pull, *again, *last, *reports]), given)
    phases = [phase for phase in seen.phases if phase.kind is not PhaseKind.IDLE]
    kinds = [phase.kind.value for phase in phases]
    assert kinds[:5] == ["pull-down", "vacuum-broken", "pull-down", "vacuum-broken", "pull-down"]
    assert [phase.start_us for phase in phases[1:4:2]] == pytest.approx([at(300), at(3000)], abs=60e6)
    assert breaks_done([(phase.kind, phase.start_us) for phase in seen.phases]) == 2
    assert not [hold for hold in seen.holds if hold.start_us < at(5400)]
    assert seen.evacuation == ("finished" if valve else "running")


def test_a_break_is_counted_in_words() -> None:
    pull = [*pull_down(), *pressure(lambda t: 40, 0, 290), *gas(300, 600, 15_000)]
    texts = [
        fact.text for fact in judge(pull, settings(TRIPLE, CIRCUIT_GAUGE)).facts if "broken" in fact.kind
    ]
    assert texts == ["Vacuum broken: gas was let into the circuit. Break 1 of 2 that the procedure asks for."]


def test_a_due_break_to_less_than_a_fifth_of_the_atmosphere_behind_a_closed_valve_is_no_failed_hold() -> None:
    samples = [*held(lambda t: 50, length_s=290), *gas(300, 600, 12_000), report(905, Valve.OPEN)]
    due = judge(sorted(samples), settings(replace(USUAL, breaks=1)))
    assert [(hold.verdict, hold.reason) for hold in due.holds] == [(Verdict.INCONCLUSIVE, "broken-as-asked")]
    # The same without a break due is a circuit that ran full of gas.
    assert judge(sorted(samples)).holds[0].verdict is Verdict.FAILED


def test_a_gross_leak_in_an_isolated_circuit_is_no_break() -> None:
    # As fast as a leak that the pump had just held: k·p, k the fastest relative fall (1/120 s), p 45 Pa.
    leak = pressure(lambda t: 45 + 45 / 120 * t, 0, 40_000, 30)
    seen = judge([*pull_down(), *leak], settings(USUAL, CIRCUIT_GAUGE))
    assert [phase.kind.value for phase in seen.phases[1:]] == ["pull-down", "hold"]
    assert seen.holds[0].verdict is Verdict.FAILED


def test_two_spikes_of_a_slow_gauge_are_no_break() -> None:
    def spikes(t: float) -> float:
        return 12_000.0 if t in (300, 360) else 40.0

    samples = [*pull_down(), *pressure(spikes, 0, 1200, 60)]
    assert "vacuum-broken" not in told(judge(samples, settings(USUAL, CIRCUIT_GAUGE)))

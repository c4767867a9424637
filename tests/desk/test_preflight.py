"""The checks before leaving: beside the interlocks, and each by what makes it right or wrong."""

from __future__ import annotations

from dataclasses import replace

import pytest

from desk.core import interlocks, preflight
from desk.core.interlocks import Deed
from desk.core.preflight import Found, State
from model.clock import US
from model.order import Report
from model.preflight import PreflightFacts, Proof, Rhythm, Route, Stage, Travel, TravelResult
from model.reading import Valve
from model.valve_facts import Battery, PumpReport, ValveFacts
from tests.desk.test_interlocks import NOW_US, READY, ROWS, VALVE, ago

DAY = 86_400.0
OPEN = replace(READY, valve=replace(VALVE, report=Report(Valve.OPEN, ago(30), ago(7200), ago(29))))
GOOD = PreflightFacts(
    OPEN,
    has_valve=True,
    stage=Stage.WAITING,
    rig=Proof(ago(4 * 3600), True, "The rig stands.", "Tarik"),
    travel=Travel(TravelResult.PROVED, 4, ago(DAY), 12.0),
    power=Proof(ago(60 * DAY), True, "It closed.", "Tarik"),
    rhythm=Rhythm(ago(5), 20.0, ago(900), 1800.0),
    ahead_s=0.4,
    volume_m3=0.01,
    route=Route(3600.0),
)


def found(check: str, facts: PreflightFacts) -> Found:
    (one,) = [one.found for one in preflight.look(facts) if one.check.id == check]
    return one


def of_valve(**changes: object) -> PreflightFacts:
    return replace(GOOD, valve=replace(OPEN, **changes))  # type: ignore[arg-type]


def test_all_is_right_and_it_says_so_in_a_line() -> None:
    results = preflight.look(GOOD)
    assert {one.found.state for one in results} == {State.RIGHT}
    assert not any(one.found.todo for one in results)
    assert (preflight.ready(results), preflight.line(results)) == (True, "Ready to leave.")


def test_every_interlock_of_a_plans_close_stands_behind_one_check() -> None:
    behind = [name for check in preflight.TABLE for name in check.interlocks]
    # A page that is read has nothing of a form that was left open.
    of_plans = {row.id for row in interlocks.TABLE if row.deeds & {Deed.CLOSE, Deed.HOLD}} - {"stale-page"}
    assert sorted(behind) == sorted(of_plans)
    assert len({check.id for check in preflight.TABLE}) == len(preflight.TABLE)


@pytest.mark.parametrize("accepted", [frozenset(), frozenset({"battery", "above-target"})])
@pytest.mark.parametrize(("name", "facts"), [(row[0], row[1]) for row in ROWS])
def test_what_hinders_a_close_for_a_hold_hinders_leaving(
    name: str, facts: ValveFacts, accepted: frozenset[str]
) -> None:
    """Over every case of the table of interlocks, which was written from what must never happen."""
    facts = replace(facts, automatic=True, page=None)
    want = {
        one.id
        for deed in (Deed.CLOSE, Deed.HOLD)
        for one in interlocks.hindrances(deed, facts)
        if one.id not in accepted
    }
    for stage in (Stage.NOTHING, Stage.WAITING):
        results = preflight.look(replace(GOOD, valve=facts, stage=stage, accepted=accepted))
        hinders = {one.check.id for one in results if one.found.state is State.HINDERS}
        for one in results:
            barred = want & set(one.check.interlocks)
            if stage is Stage.WAITING:
                # That is what a plan waits for.
                barred -= {"above-target"}
            if barred:
                assert one.check.id in hinders, name
                assert one.found.todo, name
            elif one.check.interlocks and one.check.id in hinders:
                # What the interlocks do not know of: how regularly a gauge is heard.
                assert one.check.id in {"radio", "valve"}, name


WRONG: list[tuple[str, PreflightFacts, State, str]] = [
    ("hold", replace(GOOD, stage=Stage.NOTHING), State.HINDERS, "no plan begins one"),
    ("hold", replace(GOOD, stage=Stage.NOTHING, has_valve=False), State.HINDERS, "closed from afar"),
    ("target", of_valve(target_reached=False), State.CARE, "The plan waits for it"),
    ("target", replace(of_valve(target_reached=False), stage=Stage.NOTHING), State.HINDERS, "proves nothing"),
    ("gauge", of_valve(circuit=None), State.HINDERS, "on the pump's side"),
    ("rig", replace(GOOD, rig=None), State.CARE, "Nothing is written down"),
    ("rig", replace(GOOD, rig=Proof(ago(60), False, "It rises.", None)), State.HINDERS, "It rises."),
    ("battery", of_valve(battery=Battery("g1", NOW_US + 8 * 3600 * US)), State.HINDERS, "may be flat"),
    (
        "battery",
        replace(of_valve(battery=Battery("g1", None)), accepted=frozenset({"battery"})),
        State.CARE,
        "told to close all the same",
    ),
    ("radio", replace(GOOD, rhythm=Rhythm(None)), State.HINDERS, "Nothing was heard"),
    ("radio", replace(GOOD, rhythm=Rhythm(ago(5), 300.0, ago(900), 1800.0)), State.CARE, "came for 5 min"),
    ("radio", replace(GOOD, rhythm=Rhythm(ago(5), 20.0, ago(60), 120.0)), State.CARE, "for 2 min only"),
    ("clock", replace(GOOD, ahead_s=None), State.CARE, "not known"),
    ("clock", replace(GOOD, ahead_s=-90.0), State.CARE, "behind ours"),
    ("clock", replace(GOOD, ahead_s=400.0), State.HINDERS, "ahead of ours"),
    ("pump", of_valve(pump=None), State.CARE, "not known"),
    ("pump", of_valve(pump=PumpReport(False, ago(60), ago(10), ago(9))), State.HINDERS, "It stands"),
    ("pump", of_valve(pump=PumpReport(True, ago(900), ago(600), ago(599))), State.CARE, "not known"),
    ("valve", replace(GOOD, travel=None), State.HINDERS, "never seen to close"),
    (
        "valve",
        replace(GOOD, travel=Travel(TravelResult.NOT_HOLDING, 4, ago(60))),
        State.HINDERS,
        "went on falling",
    ),
    ("valve", replace(GOOD, travel=Travel(TravelResult.NOT_CLOSED, 4, ago(60))), State.HINDERS, "did not"),
    ("valve", replace(GOOD, travel=Travel(TravelResult.FAILED, 4, ago(60))), State.HINDERS, "could not"),
    (
        "valve",
        replace(GOOD, travel=Travel(TravelResult.REPORTED, 4, ago(60), 5.0)),
        State.CARE,
        "told nothing",
    ),
    ("valve", replace(GOOD, travel=Travel(TravelResult.WATCHED, 4, ago(60), 5.0)), State.CARE, "looked at"),
    (
        "valve",
        replace(GOOD, travel=Travel(TravelResult.PROVED, 4, ago(31 * DAY), 5.0)),
        State.CARE,
        "more than 30 days ago",
    ),
    ("power", replace(GOOD, power=None), State.CARE, "Nothing is written down"),
    (
        "power",
        replace(GOOD, power=Proof(ago(400 * DAY), True, "It closed.", None)),
        State.CARE,
        "more than a year ago",
    ),
    ("free", of_valve(hands=True), State.HINDERS, "local hands"),
    ("volume", replace(GOOD, volume_m3=None), State.CARE, "not entered"),
    ("route", replace(GOOD, route=Route(None)), State.HINDERS, "ever been delivered"),
    ("route", replace(GOOD, route=Route(60.0, failing=True)), State.HINDERS, "not taken now"),
    ("route", replace(GOOD, route=Route(3 * DAY)), State.CARE, "3 days ago"),
    ("route", replace(GOOD, route=Route(40 * DAY)), State.HINDERS, "40 days ago"),
]


@pytest.mark.parametrize(("check", "facts", "state", "words"), WRONG)
def test_what_is_not_right_is_said_with_what_to_do(
    check: str, facts: PreflightFacts, state: State, words: str
) -> None:
    one = found(check, facts)
    assert (one.state, words in one.said) == (state, True), one.said
    assert one.todo
    assert preflight.ready(preflight.look(facts)) is (state is not State.HINDERS)


def test_the_line_names_what_hinders_and_counts_what_could_be_better() -> None:
    bad = replace(GOOD, route=Route(None), rig=None, valve=replace(OPEN, hands=True))
    assert preflight.line(preflight.look(bad)) == "Not ready to leave: valve not free, alert route."
    care = replace(GOOD, rig=None, volume_m3=None)
    assert preflight.line(preflight.look(care)) == "Ready to leave. 2 checks could be better."


def test_once_the_hold_runs_the_valve_is_closed_and_that_is_right() -> None:
    holding = replace(GOOD, valve=replace(READY, target_reached=False), stage=Stage.HOLDING)
    assert preflight.ready(preflight.look(holding))
    moved = replace(holding, valve=OPEN)
    assert found("valve", moved).state is State.HINDERS
    stands = replace(holding, valve=replace(READY, pump=PumpReport(False, ago(60), ago(10), ago(9))))
    assert found("pump", stands).state is State.RIGHT


def test_without_a_valve_from_afar_nothing_of_it_hinders() -> None:
    by_hand = replace(GOOD, has_valve=False, stage=Stage.HOLDING, travel=None, power=None)
    by_hand = replace(by_hand, valve=replace(OPEN, valve=replace(VALVE, report=None, online=None)))
    results = preflight.look(by_hand)
    assert preflight.ready(results)
    assert found("valve", by_hand).state is State.CARE

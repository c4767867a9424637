"""The one next step: from what is known to what is to be done, with its cautions."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from desk.core.next_step import (
    NEVER_OPEN,
    NO_COMPRESSOR,
    NO_PRESSURE_TEST,
    Guide,
    Situation,
    Step,
    Tone,
    next_step,
)
from model.job import JobState
from model.judgement import Advice, Cause, Diagnosis, EarlyCall, HoldTest, PhaseKind, Urgency, Verdict
from model.pull_down import PullDown, Stall, Standing, State, Until
from model.reading import Valve

PULLING = Situation(
    JobState.RUNNING, phase=PhaseKind.PULL_DOWN, valve=Valve.OPEN, pump=True, pull=PullDown(State.FALLING)
)
HOLDING = Situation(JobState.RUNNING, phase=PhaseKind.HOLD, valve=Valve.CLOSED, pump=True)


def hold(verdict: Verdict, **shares: float) -> HoldTest:
    names = {name.replace("_and_", "+"): share for name, share in shares.items()}
    found = Diagnosis(Cause.UNCLEAR, names) if shares else None
    return HoldTest(0, 7_000, None, verdict, "", "", diagnosis=found)


def stalled(named: Standing) -> PullDown:
    return PullDown(State.STANDING, 600.0, stall=Stall(600.0, 900.0, 0.9, named, True, 2339.0, 0.0))


NOW = {
    "no gauge": (replace(PULLING, gauge=False), "gauge"),
    "gauge never heard": (Situation(JobState.PLANNED, heard=False), "listen"),
    "gauge read once, long ago": (Situation(JobState.RUNNING, heard=False, read=True), "listen"),
    "gauge fell silent": (replace(PULLING, heard=False), "listen"),
    "before the pull-down": (Situation(JobState.RUNNING, phase=PhaseKind.IDLE), "pump"),
    "pump runs against the closed valve": (
        Situation(JobState.RUNNING, phase=PhaseKind.IDLE, valve=Valve.CLOSED, pump=True),
        "open",
    ),
    "valve closed, pump stands": (
        Situation(JobState.RUNNING, phase=PhaseKind.IDLE, valve=Valve.CLOSED, pump=False),
        "pump",
    ),
    "valve closed, no pump reports": (
        Situation(JobState.RUNNING, phase=PhaseKind.IDLE, valve=Valve.CLOSED),
        "pump",
    ),
    "it falls": (PULLING, "wait"),
    "nothing estimated yet": (replace(PULLING, pull=None), "wait"),
    "pump stopped behind the closed valve": (replace(PULLING, valve=Valve.CLOSED, pump=False), "pump"),
    "pump stopped behind the open valve": (replace(PULLING, pump=False), "close"),
    "not by this curve": (
        replace(PULLING, pull=PullDown(State.FALLING, until=Until(None, 60.0, None, 0.9))),
        "tell",
    ),
    "free water": (replace(PULLING, pull=stalled(Standing.WATER)), "water"),
    "stands, who knows why": (replace(PULLING, pull=stalled(Standing.UNCLEAR)), "tell"),
    "below the target": (replace(PULLING, below=True), "dwell"),
    "target held": (replace(PULLING, below=True, reached=True), "isolate"),
    "target held at the pump's side": (replace(PULLING, reached=True, on_circuit=False), "gauge"),
    "hold runs": (replace(HOLDING, hold=hold(Verdict.RUNNING)), "leave"),
    "hold runs, gauge silent": (replace(HOLDING, heard=False, hold=hold(Verdict.RUNNING)), "listen-hold"),
    "pump felt": (replace(HOLDING, hold=replace(hold(Verdict.RUNNING), pump_felt=True)), "seat"),
    "readings to come": (replace(HOLDING, hold=hold(Verdict.AWAITING)), "await"),
    "failed, leak": (replace(HOLDING, hold=hold(Verdict.FAILED, leak=0.6, leak_and_moisture=0.2)), "find"),
    "failed, wet": (replace(HOLDING, hold=hold(Verdict.FAILED, moisture=0.8, leak=0.2)), "dry"),
    "failed, unclear": (replace(HOLDING, hold=hold(Verdict.FAILED, moisture=0.5, leak=0.5)), "rig"),
    "failed, nothing estimated": (replace(HOLDING, hold=hold(Verdict.FAILED)), "rig"),
    "passed": (replace(HOLDING, state=JobState.FINISHED, hold=hold(Verdict.PASSED, tight=0.9)), "passed"),
    "passed, leak suspected": (replace(HOLDING, hold=hold(Verdict.PASSED, leak=0.8)), "suspect"),
    "proved nothing": (replace(HOLDING, hold=hold(Verdict.INCONCLUSIVE)), "again"),
    "pumped down again after a fail": (replace(PULLING, hold=hold(Verdict.FAILED, leak=0.9)), "wait"),
    "vacuum let up": (Situation(JobState.RUNNING, phase=PhaseKind.BROKEN), "pump"),
    "closed": (Situation(JobState.CLOSED, gauge=False), "closed"),
    "not judged": (Situation(JobState.RUNNING, parked=True), "parked"),
}


@pytest.mark.parametrize("name", NOW)
def test_each_situation_has_its_step(name: str) -> None:
    now, key = NOW[name]
    assert next_step(now).key == key


def test_a_running_hold_says_until_when_it_is_left_alone() -> None:
    for early in (None, EarlyCall(1, 0.9, 2, 1, 3)):
        step = next_step(replace(HOLDING, hold=replace(hold(Verdict.RUNNING), early_call=early)))
        assert step.until_us == 7_000
        assert step.act.startswith("Leave")


def test_a_suspected_leak_leads_to_the_rig_first_and_then_by_sections() -> None:
    step = next_step(replace(HOLDING, hold=hold(Verdict.FAILED, leak=0.95)))
    assert step.act == "Leak suspected: isolate by sections"
    assert step.guides == (Guide.RIG, Guide.FIND)
    assert step.why.startswith("First test the rig alone")


def test_a_pass_is_called_no_pressure_test() -> None:
    assert NO_PRESSURE_TEST in next_step(replace(HOLDING, hold=hold(Verdict.PASSED, tight=0.99))).cautions


def test_a_hold_that_proved_nothing_says_what_its_judgement_advises() -> None:
    advice = Advice(Urgency.CAN_WAIT, "Line.", ("Clean the gauge, then hold again.",))
    now = replace(HOLDING, hold=replace(hold(Verdict.INCONCLUSIVE), advice=advice))
    assert next_step(now).why == "Clean the gauge, then hold again."


def any_situation() -> st.SearchStrategy[Situation]:
    verdicts = st.sampled_from(Verdict)
    holds = st.builds(lambda verdict, leak: hold(verdict, leak=leak), verdicts, st.floats(0, 1))
    pulls = st.sampled_from(
        [
            None,
            PullDown(State.EARLY),
            PullDown(State.FALLING),
            stalled(Standing.WATER),
            stalled(Standing.UNCLEAR),
        ]
    )
    return st.builds(
        Situation,
        state=st.sampled_from(JobState),
        gauge=st.booleans(),
        heard=st.booleans(),
        on_circuit=st.booleans(),
        phase=st.none() | st.sampled_from(PhaseKind),
        phase_over=st.booleans(),
        reached=st.booleans(),
        below=st.booleans(),
        valve=st.none() | st.sampled_from(Valve),
        pump=st.none() | st.booleans(),
        hold=st.none() | holds,
        pull=pulls,
        parked=st.booleans(),
    )


def check(now: Situation, step: Step) -> None:
    assert step.act
    assert step.why.endswith(".")
    if step.runs_pump:
        assert NEVER_OPEN in step.cautions
        assert NO_COMPRESSOR in step.cautions
    if step.key == "open":
        assert now.pump is True
    if step.tone is Tone.WAIT:
        # Nobody waits beside a pump that stands behind an open valve.
        assert not (
            now.phase is PhaseKind.PULL_DOWN
            and not now.phase_over
            and now.pump is False
            and now.valve is Valve.OPEN
        )


@settings(max_examples=500)
@given(any_situation())
def test_nothing_proposes_to_open_to_a_pump_that_is_not_known_to_run(now: Situation) -> None:
    check(now, next_step(now))


def test_of_a_gauge_that_has_read_before_it_is_not_said_that_it_said_nothing() -> None:
    never = next_step(Situation(JobState.RUNNING, heard=False))
    once = next_step(Situation(JobState.RUNNING, heard=False, read=True))
    assert "said nothing" in never.why
    assert "said nothing" not in once.why
    assert "last reading is too old" in once.why

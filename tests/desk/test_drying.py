"""Drying rounds of a hold plan against a plain model: when may it open, and is the valve closed at the end?

What must hold is written here a second time. That the test can fail is shown by mutants.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace

import pytest
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, precondition, rule, run_state_machine_as_test

from desk.core import drying, plan
from desk.core.plan_look import Ground, HoldSeen, Seen, Step
from model.clock import US
from model.event import EventKind
from model.fluid import Fluid
from model.hold_plan import Confirmed, Drying, HoldPlan, PlanEnd, PlanState, Progress
from model.judgement import Verdict
from model.order import Order, OrderAction, OrderResult, OrderState, Outcome, Report, Watch
from model.reading import Valve
from tests.desk.facts import NIGHT_US

HOUR = 3600 * US
ROUNDS, PUMP_S, SURE = 2, 3600.0, 0.9
CHOSEN = Drying(ROUNDS, PUMP_S, SURE)
PLAN = HoldPlan(
    5, 1, 2, "v1", "gw1", 1, "Europe/Berlin", 7, "Tarik", NIGHT_US, 1800.0, None, NIGHT_US + 14 * HOUR,
    drying=CHOSEN,
    progress=Progress(PlanState.HOLDING, order_id=1, asked_us=NIGHT_US, attempts=1, closed_us=NIGHT_US),
)  # fmt: skip
WET = HoldSeen(4, Verdict.FAILED, "It failed.", moisture=0.95, leak=0.02)
GROUND = Ground(Fluid.of("R-410A"), pump_ran=True, pump_now="", coldest_k=290.0, leak=0.0)
CLOSED = Report(Valve.CLOSED, NIGHT_US, NIGHT_US, NIGHT_US + US)
SEEN = Seen(
    True, True, 8 * 3600.0, 86400.0, 0.0, CLOSED, True, NIGHT_US, hold=WET, ground=GROUND
)  # fmt: skip
BURNS = Fluid.of("R-32")
CONFIRMED = Confirmed(7, "Tarik", NIGHT_US, "R-32")


def order(action: OrderAction, state: OrderState, asked_us: int, ended_us: int = 0) -> Order:
    outcome = None
    if state.value in set(OrderResult):
        outcome = Outcome(OrderResult(state.value), "", ended_us, ended_us)
    return Order(
        9, "t", 2, "v1", "gw1", 1, "Europe/Berlin", 1, action, state, "", None, asked_us, "s",
        None, 30.0, asked_us + 30 * US, outcome=outcome,
    )  # fmt: skip


def weighing(of: HoldPlan = PLAN) -> HoldPlan:
    """After the fail was seen."""
    done = plan.step(of, SEEN, NIGHT_US + HOUR)
    assert done.progress.state is PlanState.WEIGHING
    return replace(of, progress=done.progress)


def pumping() -> HoldPlan:
    """In its first round."""
    asked = drying.asked(weighing(), 9, NIGHT_US + HOUR)
    seen = replace(SEEN, report=opened(NIGHT_US + HOUR), order=order(OrderAction.OPEN, OrderState.SENT, 0))
    done = plan.step(replace(PLAN, progress=asked.progress), seen, NIGHT_US + HOUR + 10 * US)
    assert done.progress.state is PlanState.DRYING
    return replace(PLAN, progress=done.progress)


def opened(at_us: int) -> Report:
    return Report(Valve.OPEN, at_us + 5 * US, at_us + 5 * US, at_us + 6 * US)


def test_a_hold_that_fails_by_moisture_is_dried_and_held_again() -> None:
    now_us = NIGHT_US + HOUR
    assert plan.step(weighing(), SEEN, now_us).ask_open
    dries = pumping()
    assert dries.progress.pump_until_us == now_us + 5 * US + round(PUMP_S * US)
    before = plan.step(dries, replace(SEEN, report=opened(now_us)), dries.progress.pump_until_us - US)
    assert (before.progress, before.ask_close) == (dries.progress, False)
    after_us = dries.progress.pump_until_us
    assert plan.step(dries, replace(SEEN, report=opened(now_us)), after_us).ask_close
    closing = replace(dries, progress=plan.asked(dries.progress, 10, after_us).progress)
    shut = Report(Valve.CLOSED, after_us + US, after_us + US, after_us + 2 * US)
    again = plan.step(closing, replace(SEEN, report=shut), after_us + 3 * US).progress
    assert (again.state, again.closed_us, again.rounds) == (PlanState.HOLDING, after_us + US, 1)
    passed = HoldSeen(5, Verdict.PASSED, "It passed.")
    ended = plan.step(
        replace(dries, progress=again), replace(SEEN, report=shut, hold=passed), after_us + HOUR
    )
    assert (ended.progress.end, ended.progress.hold_id) == (PlanEnd.PASSED, 5)
    text = plan.report_text(replace(dries, progress=ended.progress), 1.0, passed)
    assert text == "Plan 5: It passed. Drying rounds: 1 of 2 at most."


def test_without_a_choice_a_hold_that_fails_is_the_end() -> None:
    done = plan.step(replace(PLAN, drying=None), SEEN, NIGHT_US + HOUR)
    assert (done.progress.end, done.tells) == (PlanEnd.FAILED, ())


WRONG: dict[str, tuple[Seen, str]] = {
    "moisture": (replace(SEEN, hold=replace(WET, moisture=0.89)), "not moisture with 90% or more"),
    "leak": (replace(SEEN, hold=replace(WET, leak=0.2)), "A leak is suspected"),
    "an earlier leak": (replace(SEEN, ground=replace(GROUND, leak=0.8)), "A leak is suspected"),
    "flammable": (replace(SEEN, ground=replace(GROUND, fluid=BURNS)), "R-32 is flammable (A2L), and nobody"),
    "unknown": (replace(SEEN, ground=replace(GROUND, fluid=Fluid.of(None))), "refrigerant is not known"),
    "not listed": (replace(SEEN, ground=replace(GROUND, fluid=Fluid.of("R-1"))), "R-1 is not in our table"),
    "pump ran": (replace(SEEN, ground=replace(GROUND, pump_ran=False)), "been reported running all along"),
    "pump now": (replace(SEEN, ground=replace(GROUND, pump_now="It stands.")), "It stands."),
    "cold": (replace(SEEN, ground=replace(GROUND, coldest_k=278.15)), "A spot may be at 0 °C"),
    "not a number": (replace(SEEN, ground=replace(GROUND, coldest_k=float("nan"))), "ice gives off"),
    "no thermometer": (replace(SEEN, ground=replace(GROUND, coldest_k=None)), "temperature is not known"),
}  # fmt: skip


@pytest.mark.parametrize("name", list(WRONG))
def test_what_must_be_so_hinders_in_words_and_in_the_end_leaves_it_closed(name: str) -> None:
    seen, said = WRONG[name]
    now_us = NIGHT_US + HOUR
    first = plan.step(weighing(), seen, now_us)
    assert not first.ask_open
    assert said in first.lines[0]
    # The same again says nothing new.
    at = replace(PLAN, progress=first.progress)
    assert plan.step(at, seen, now_us + 10 * US).lines == ()
    # It may come to be so: a cause until the planned end of the hold, anything else for ten minutes.
    patience_us = (7 * 3600 + 900) * US if name in ("moisture", "leak", "an earlier leak") else 600 * US
    assert plan.step(at, seen, now_us + patience_us - US).progress.state is PlanState.WEIGHING
    assert plan.step(at, SEEN, now_us + patience_us - US).ask_open
    last = plan.step(at, seen, now_us + patience_us)
    assert (last.progress.state, last.progress.end) == (PlanState.ENDED, PlanEnd.FAILED)
    (tell,) = last.tells
    assert (tell.kind, tell.hold_id) == (EventKind.PLAN_DRIES_NO_MORE, 4)
    assert said in tell.text


def test_of_what_was_not_looked_at_nothing_is_said() -> None:
    seen = replace(SEEN, hold=replace(WET, moisture=0.1), ground=None)
    done = plan.step(weighing(), seen, NIGHT_US + HOUR)
    said = "Not opened for drying yet: The estimated cause is not moisture with 90% or more (so far 10%)."
    assert done.lines == (said,)
    assert not plan.step(weighing(), replace(SEEN, ground=None), NIGHT_US + HOUR).ask_open


def test_a_named_person_who_confirmed_the_exhaust_lets_a_flammable_one_be_pumped_and_no_other() -> None:
    chosen = replace(PLAN, drying=replace(CHOSEN, confirmed=CONFIRMED))
    burns = replace(SEEN, ground=replace(GROUND, fluid=BURNS))
    assert plan.step(weighing(chosen), burns, NIGHT_US + HOUR).ask_open
    other = replace(SEEN, ground=replace(GROUND, fluid=Fluid.of("R-290")))
    assert not plan.step(weighing(chosen), other, NIGHT_US + HOUR).ask_open


def test_no_round_begins_that_would_not_be_over_by_the_report() -> None:
    last_us = PLAN.report_us - round(PUMP_S * US)
    late = replace(SEEN, hold_s=24 * 3600.0)
    assert plan.step(weighing(), late, last_us).ask_open
    done = plan.step(weighing(), late, last_us + US)
    assert (done.ask_open, done.progress.end) == (False, PlanEnd.FAILED)
    assert "by the time of the report" in done.tells[0].text


OPEN = replace(SEEN, report=opened(NIGHT_US + HOUR), order=order(OrderAction.OPEN, OrderState.DONE, 0))


@pytest.mark.parametrize(
    ("seen", "said"),
    [
        (replace(OPEN, ground=replace(GROUND, pump_now="The pump has not reported.")), "has not reported"),
        (replace(OPEN, ground=None), "Nothing is known of the pump."),
        (replace(OPEN, ground=replace(GROUND, coldest_k=270.0)), "A spot may be at -8 °C"),
        (replace(OPEN, hold=replace(WET, leak=0.5)), "A leak is suspected"),
        (replace(OPEN, order=replace(OPEN.order, watch=Watch.UNSAFE)), "did not fall"),  # type: ignore[type-var]
        (replace(OPEN, serves=False), "serves the job no more"),
    ],
)
def test_what_is_no_longer_so_closes_the_valve_at_once_and_wakes_somebody(seen: Seen, said: str) -> None:
    now_us = NIGHT_US + HOUR + 60 * US
    stopped = plan.step(pumping(), seen, now_us)
    assert said in stopped.tells[0].text
    at = replace(PLAN, progress=stopped.progress)
    assert plan.step(at, OPEN, now_us).ask_close
    closing = replace(PLAN, progress=plan.asked(stopped.progress, 10, now_us).progress)
    shut = Report(Valve.CLOSED, now_us + US, now_us + US, now_us + 2 * US)
    ended = plan.step(closing, replace(seen, report=shut), now_us + 3 * US)
    assert not ended.progress.state.live
    assert ended.tells == ()


def test_a_valve_that_closes_by_itself_ends_it() -> None:
    shut = Report(
        Valve.CLOSED, NIGHT_US + HOUR + 60 * US, NIGHT_US + HOUR + 60 * US, NIGHT_US + HOUR + 61 * US
    )
    done = plan.step(pumping(), replace(OPEN, report=shut), NIGHT_US + HOUR + 70 * US)
    assert (done.progress.end, done.tells[0].kind) == (PlanEnd.FAILED, EventKind.PLAN_DRIES_NO_MORE)


def test_a_refused_opening_is_no_round_and_is_asked_for_again() -> None:
    asked = drying.asked(weighing(), 9, NIGHT_US + HOUR)
    refused = order(OrderAction.OPEN, OrderState.REFUSED, NIGHT_US + HOUR, NIGHT_US + HOUR + 2 * US)
    seen = replace(SEEN, order=refused, order_text="It was refused.")
    # Its gateway's word is not enough.
    waits = plan.step(replace(PLAN, progress=asked.progress), seen, NIGHT_US + HOUR + 5 * US)
    assert waits.progress == asked.progress
    closed_us = NIGHT_US + HOUR + 3 * US
    seen = replace(seen, report=Report(Valve.CLOSED, closed_us, NIGHT_US, closed_us))
    back = plan.step(replace(PLAN, progress=asked.progress), seen, NIGHT_US + HOUR + 5 * US)
    assert (back.progress.state, back.progress.rounds) == (PlanState.WEIGHING, 0)
    at = replace(PLAN, progress=back.progress)
    assert not plan.step(at, seen, NIGHT_US + HOUR + 64 * US).ask_open
    assert plan.step(at, seen, NIGHT_US + HOUR + 65 * US).ask_open


def test_an_opening_that_nobody_answered_may_still_come_and_is_closed_then() -> None:
    asked_us = NIGHT_US + HOUR
    asked = drying.asked(weighing(), 9, asked_us)
    expired = replace(order(OrderAction.OPEN, OrderState.EXPIRED, asked_us), expired_us=asked_us + 30 * US)
    told = Report(Valve.CLOSED, asked_us + 60 * US, NIGHT_US, asked_us + 61 * US)
    seen = replace(SEEN, order=expired, order_text="It expired.", report=told)
    stopped = plan.step(replace(PLAN, progress=asked.progress), seen, asked_us + 70 * US)
    at = replace(PLAN, progress=stopped.progress)
    waits = plan.step(at, seen, asked_us + 90 * US)
    assert (waits.progress.state, waits.ask_close) == (PlanState.DRYING, False)
    assert plan.step(at, replace(seen, report=opened(asked_us + 100 * US)), asked_us + 120 * US).ask_close
    much = replace(told, at_us=asked_us + 640 * US, arrived_us=asked_us + 641 * US)
    assert plan.step(at, replace(seen, report=much), asked_us + 650 * US).progress.end is PlanEnd.FAILED


def test_called_off_with_the_valve_open_it_is_closed_first() -> None:
    done = plan.call_off(pumping(), "Mara")
    at = replace(PLAN, progress=done.progress)
    now_us = NIGHT_US + HOUR + 60 * US
    assert plan.step(at, OPEN, now_us).ask_close
    closing = replace(PLAN, progress=plan.asked(done.progress, 10, now_us).progress)
    shut = Report(Valve.CLOSED, now_us + US, now_us + US, now_us + 2 * US)
    ended = plan.step(closing, replace(OPEN, report=shut), now_us + 3 * US)
    assert (ended.progress.state, ended.tells) == (PlanState.CALLED_OFF, ())


class Rounds(RuleBasedStateMachine):
    """A site whose hold failed, a desk that is killed at will, and people who change their minds."""

    def __init__(self) -> None:
        super().__init__()
        self.now_us = NIGHT_US + HOUR
        self.plan = PLAN
        self.seen = SEEN
        self.order: Order | None = None
        self.openings = 0
        self.called_off = False
        self.told_no_more = 0

    # What is seen -------------------------------------------------------------------------------------

    @rule(seconds=st.sampled_from([1, 10, 61, 601, 1800, 3600, 12 * 3600]))
    def time_goes_on(self, seconds: int) -> None:
        self.now_us += seconds * US

    @rule(moisture=st.sampled_from([0.0, 0.89, 0.95]), leak=st.sampled_from([0.0, 0.19, 0.2, 0.8]))
    def estimated(self, moisture: float, leak: float) -> None:
        if self.seen.hold is not None:
            self.seen = replace(self.seen, hold=replace(self.seen.hold, moisture=moisture, leak=leak))

    @rule(verdict=st.sampled_from([Verdict.FAILED, Verdict.FAILED, *Verdict]))
    def judged(self, verdict: Verdict) -> None:
        hold = HoldSeen(4 + self.openings, verdict, "Said.", 0.95, 0.02)
        self.seen = replace(self.seen, hold=hold)

    @rule(ran=st.booleans(), now=st.booleans())
    def pump(self, ran: bool, now: bool) -> None:
        self.ground(pump_ran=ran, pump_now="" if now else "Not known to run.")

    @rule(kelvin=st.sampled_from([290.0, 278.16, 278.15, 260.0, None]))
    def temperature(self, kelvin: float | None) -> None:
        self.ground(coldest_k=kelvin)

    @rule(written=st.sampled_from(["R-410A", "R-32", "R-290", "R-0815", None]))
    def refrigerant(self, written: str | None) -> None:
        self.ground(fluid=Fluid.of(written))

    @rule(confirmed=st.sampled_from([None, CONFIRMED]), rounds=st.sampled_from([1, 2]))
    def chosen(self, confirmed: Confirmed | None, rounds: int) -> None:
        if self.plan.progress.rounds == 0:
            self.plan = replace(self.plan, drying=replace(CHOSEN, rounds=rounds, confirmed=confirmed))

    @rule()
    def all_is_well(self) -> None:
        """So that rounds come about often."""
        hold = None if self.seen.hold is None else replace(WET, id=self.seen.hold.id)
        self.seen = replace(self.seen, hold=hold, ground=GROUND, job_open=True, serves=True, taken=False)
        self.look(lost=False, hinder=False)

    @rule(trouble=st.sampled_from(list(WRONG)))
    def all_is_well_but(self, trouble: str) -> None:
        """One thing is not so, where everything else is."""
        wrong, hold = WRONG[trouble][0], self.seen.hold
        if hold is not None and wrong.hold is not None:
            self.seen = replace(self.seen, hold=replace(wrong.hold, id=hold.id), ground=wrong.ground)
            self.look(lost=False, hinder=False)

    @rule(trouble=st.sampled_from(list(WRONG)))
    def opened_but(self, trouble: str) -> None:
        """The same while the valve is open."""
        self.all_is_well()
        if self.order is not None and self.order.state.open:
            self.order_ends("done")
        self.all_is_well()
        self.all_is_well_but(trouble)

    @rule()
    def a_round(self) -> None:
        """As it should be, and the hold after it fails again."""
        for _ in range(2):
            self.all_is_well()
            if self.order is not None and self.order.state.open:
                self.order_ends("done")
            self.all_is_well()
            if self.plan.progress.state is PlanState.DRYING:
                self.time_goes_on(3600)
        self.judged(Verdict.FAILED)
        self.look(lost=False, hinder=False)

    def ground(self, **more: object) -> None:
        assert self.seen.ground is not None
        self.seen = replace(self.seen, ground=replace(self.seen.ground, **more))  # type: ignore[arg-type]

    @rule(
        open_=st.sampled_from([True, True, True, False]),
        serves=st.sampled_from([True, True, True, False]),
        taken=st.booleans(),
    )
    def job(self, open_: bool, serves: bool, taken: bool) -> None:
        self.seen = replace(self.seen, job_open=open_, serves=serves, taken=taken and not serves)

    # The valve ----------------------------------------------------------------------------------------

    def reports(self, position: Valve) -> None:
        self.seen = replace(self.seen, report=Report(position, self.now_us, self.now_us, self.now_us + 1))
        self.now_us += US

    @rule(position=st.sampled_from([Valve.CLOSED, Valve.CLOSED, Valve.OPEN, Valve.MOVING, Valve.UNKNOWN]))
    def valve_reports(self, position: Valve) -> None:
        """By hand, by itself, or because of an order; it is known to have stood still before the first."""
        if position is Valve.CLOSED or self.openings:
            self.reports(position)

    @precondition(lambda self: self.order is not None and self.order.state.open)
    @rule(state=st.sampled_from(["done", "done", "refused", "failed", "expired"]), told=st.booleans())
    def order_ends(self, state: str, told: bool = True) -> None:
        assert self.order is not None
        action = self.order.action
        if state == "done":
            self.reports(Valve.OPEN if action is OrderAction.OPEN else Valve.CLOSED)
        self.order = order(action, OrderState(state), self.order.asked_us, self.now_us)
        if state == "refused" and told:
            self.reports(Valve.CLOSED)

    @precondition(lambda self: self.order is not None and self.order.state is OrderState.DONE)
    @rule()
    def pressure_did_not_fall(self) -> None:
        assert self.order is not None
        if self.order.action is OrderAction.OPEN:
            self.order = replace(self.order, watch=Watch.UNSAFE)

    # The desk -----------------------------------------------------------------------------------------

    @precondition(lambda self: self.plan.progress.state.live)
    @rule(really=st.integers(0, 3))
    def call_off(self, really: int) -> None:
        if really:
            return
        self.called_off = True
        self.take(plan.call_off(self.plan, "Mara"))

    @rule(lost=st.booleans(), hinder=st.booleans())
    def look(self, lost: bool, hinder: bool) -> None:
        before = self.plan.progress
        self.seen = replace(self.seen, order=self.order, order_text="What became of it.")
        done = plan.step(self.plan, self.seen, self.now_us)
        assert not (done.ask_open and done.ask_close)
        if done.ask_open:
            self.may_open(before)
        self.must_close(before, done)
        if lost:
            return  # killed before the commit: neither state nor order
        if done.ask_open or done.ask_close:
            done = self.ask(before, done, hinder or (self.order is not None and self.order.state.open))
        self.leaves_it_closed(before, done.progress)
        self.take(done)

    def ask(self, before: Progress, done: Step, hinder: bool) -> Step:
        if hinder and done.ask_open:
            return drying.hindered(self.plan, self.seen, {"order-open": "Hindered."}, self.now_us)
        if hinder:
            return plan.hindered(self.plan, ["Hindered."], self.now_us)
        action = OrderAction.OPEN if done.ask_open else OrderAction.CLOSE
        self.order = order(action, OrderState.SENT, self.now_us)
        if done.ask_close:
            return plan.asked(before, 9, self.now_us)
        self.openings += 1
        return drying.asked(self.plan, 9, self.now_us)

    def take(self, done: Step) -> None:
        # State is data: nothing else survives.
        progress = Progress.of_json(json.loads(json.dumps(done.progress.as_json())))
        assert progress == done.progress
        refused = self.plan.progress.state is PlanState.OPENING and progress.state is PlanState.WEIGHING
        if refused:
            assert self.order is not None
            assert self.order.state is OrderState.REFUSED, "not counted though it may have opened"
            assert self.order.outcome is not None
            assert self.seen.report is not None
            assert self.seen.report.position is Valve.CLOSED, "not counted though it is open"
            assert self.seen.report.arrived_us > self.order.outcome.arrived_us, "not counted by an old word"
            self.openings -= 1
        self.plan = replace(self.plan, progress=progress)
        self.told_no_more += sum(tell.kind is EventKind.PLAN_DRIES_NO_MORE for tell in done.tells)
        assert self.told_no_more <= 1

    # What must hold -----------------------------------------------------------------------------------

    def may_open(self, before: Progress) -> None:
        seen, ground, chosen = self.seen, self.seen.ground, self.plan.drying
        assert ground is not None
        assert chosen is not None
        assert seen.hold is not None
        assert seen.report is not None
        assert before.state is PlanState.WEIGHING
        assert not self.called_off, "called off"
        assert (seen.job_open, seen.serves) == (True, True), "another job"
        assert seen.hold.verdict is Verdict.FAILED, "no fail"
        assert seen.hold.moisture >= 0.9, "no moisture"
        assert max(seen.hold.leak, ground.leak) < 0.2, "a leak is suspected"
        assert ground.pump_ran, "the pump's report was lost"
        assert ground.pump_now == "", "the pump is not known to run"
        assert (ground.coldest_k or 0.0) - 5 > 273.15, "ice"
        confirmed = [] if chosen.confirmed is None else [chosen.confirmed.refrigerant]
        assert ground.fluid.written in ["R-410A", *confirmed], "it burns"
        assert self.openings < chosen.rounds, "more rounds than chosen"
        assert self.now_us + 3600 * US <= self.plan.report_us, "not over by the report"
        assert seen.report.position in (Valve.CLOSED, Valve.UNKNOWN), "open already"

    def must_close(self, before: Progress, done: Step) -> None:
        """Open, and no longer to be: this look orders it closed, or the next one does."""
        if before.state is not PlanState.DRYING or self.seen.report is None or self.seen.taken:
            return
        if self.seen.report.position is not Valve.OPEN or self.now_us < before.not_again_before_us:
            return
        assert self.seen.ground is not None
        watched = self.order is not None and self.order.watch is Watch.UNSAFE
        stops = {
            "time is over": self.now_us >= before.pump_until_us,
            "called off": self.called_off,
            "did not fall": watched,
            "pump lost": self.seen.ground.pump_now != "",
            "not its job": not (self.seen.serves and self.seen.job_open),
        }
        for why, stops_now in stops.items():
            assert not stops_now or done.ask_close or done.progress.stop, f"left open: {why}"
        if before.stop:
            assert done.ask_close, "left open: stopped"

    def leaves_it_closed(self, before: Progress, after: Progress) -> None:
        open_before = before.state in (PlanState.OPENING, PlanState.DRYING) or (
            before.state is PlanState.CLOSING and before.rounds > 0
        )
        if not open_before or after.state.live or self.seen.taken:
            return
        assert self.seen.report is not None
        assert self.seen.report.position is Valve.CLOSED, "over with an open valve"
        if self.order is not None and self.order.action is OrderAction.OPEN:
            assert not self.order.state.open, "over, and an order to open is under way"

    def teardown(self) -> None:
        """Whatever happened: once orders are carried out it is over, with a closed valve."""
        for _ in range(40):
            if not self.plan.progress.state.live:
                return
            self.now_us += 700 * US
            hold = HoldSeen(99, Verdict.PASSED, "It passed.")
            self.seen = replace(self.seen, taken=False, serves=True, hold=hold)
            if self.order is not None and self.order.state.open:
                self.order_ends("done")
            elif self.seen.report is not None and self.seen.report.position is not Valve.OPEN:
                self.reports(Valve.CLOSED)
            self.look(lost=False, hinder=False)
        raise AssertionError("it never ends")


USUAL = settings(max_examples=150, stateful_step_count=40, suppress_health_check=list(HealthCheck))
MUTANTS = settings(
    USUAL, max_examples=800, stateful_step_count=25, derandomize=True, report_multiple_bugs=False,
    database=None, phases=[Phase.generate], print_blob=False,
)  # fmt: skip


def test_no_sequence_opens_what_may_not_be_opened_or_leaves_it_open() -> None:
    run_state_machine_as_test(Rounds, settings=USUAL)


def test_rounds_do_come_about_in_this_model() -> None:
    """Else it would prove nothing."""
    machine = Rounds()
    for _ in range(ROUNDS):
        machine.judged(Verdict.FAILED)
        machine.all_is_well()
        machine.all_is_well()
        machine.order_ends("done")
        machine.all_is_well()
        machine.time_goes_on(3600)
        machine.all_is_well()
        machine.order_ends("done")
        machine.all_is_well()
    assert machine.openings == ROUNDS
    machine.judged(Verdict.FAILED)
    machine.all_is_well()
    assert machine.plan.progress.end is PlanEnd.FAILED
    assert machine.plan.progress.stop == ("All 2 drying rounds are used up.",)


def without(*names: str) -> Callable[[pytest.MonkeyPatch], None]:
    rows = [row for row in drying.CONDITIONS if row.id not in names]
    return lambda patch: patch.setattr(drying, "CONDITIONS", rows)


def not_while_open(name: str) -> Callable[[pytest.MonkeyPatch], None]:
    rows = [replace(row, while_open=row.while_open and row.id != name) for row in drying.CONDITIONS]
    return lambda patch: patch.setattr(drying, "CONDITIONS", rows)


def counts_nothing(patch: pytest.MonkeyPatch) -> None:
    real = drying.asked

    def asked(plan_: HoldPlan, order_id: int, now_us: int) -> Step:
        done = real(plan_, order_id, now_us)
        return replace(done, progress=replace(done.progress, rounds=1))

    patch.setattr(drying, "asked", asked)


def forgets_that_it_was_called_off(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(plan, "call_off", lambda plan_, who: Step(plan_.progress))


def takes_it_for_shut(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(drying, "_shut", lambda progress, seen: bool(progress.stop))


def pumps_on(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(
        drying,
        "pumping",
        lambda plan_, seen, now_us: (
            drying.finish(plan_, seen)
            if drying._shut(plan_.progress, seen)
            else Step(plan_.progress, ask_close=bool(plan_.progress.stop))
        ),
    )


def forgets_refusals(patch: pytest.MonkeyPatch) -> None:
    """An order that expired is taken for refused: its round is not counted."""
    real = drying.opening

    def opening(plan_: HoldPlan, seen: Seen, now_us: int) -> Step:
        if seen.order is not None and seen.order.state is OrderState.EXPIRED:
            told = Outcome(OrderResult.REFUSED, "", 0, 0)
            seen = replace(seen, order=replace(seen.order, state=OrderState.REFUSED, outcome=told))
        return real(plan_, seen, now_us)

    patch.setattr(drying, "opening", opening)


def takes_the_gateways_word(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(drying, "_says_closed", lambda report, since_us: True)


CAUGHT: dict[str, tuple[Callable[[pytest.MonkeyPatch], None], str]] = {
    "moisture": (without("moisture"), "no moisture"),
    "leak": (without("leak"), "a leak is suspected"),
    "exhaust": (without("exhaust"), "it burns"),
    "pump-ran": (without("pump-ran"), "the pump's report was lost"),
    "pump-now": (without("pump-now"), "the pump is not known to run|left open: pump lost"),
    "cold-spot": (without("cold-spot"), "ice"),
    "in-time": (without("in-time"), "not over by the report"),
    "rounds": (counts_nothing, "more rounds than chosen"),
    "called off": (forgets_that_it_was_called_off, "called off"),
    "pump lost while open": (not_while_open("pump-now"), "left open: pump lost"),
    "the valve's report": (takes_it_for_shut, "over with an open valve|left open: stopped"),
    "an end": (pumps_on, "left open"),
    "the valve's word": (takes_the_gateways_word, "not counted|left open"),
    "what may have opened": (forgets_refusals, "not counted though it may have opened"),
}


def test_there_is_a_mutant_for_every_condition() -> None:
    assert {row.id for row in drying.CONDITIONS} <= CAUGHT.keys()


@pytest.mark.parametrize("name", list(CAUGHT))
def test_each_rule_of_drying_is_missed_when_it_is_gone(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    change, missed = CAUGHT[name]
    change(monkeypatch)
    with pytest.raises(AssertionError, match=missed):
        run_state_machine_as_test(Rounds, settings=MUTANTS)

"""The state machine of hold plans against a plain model, through restarts, lost news and people who change
their minds."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from desk.core import battery, plan
from desk.core.plan import HoldSeen, Seen, Step
from model.clock import US
from model.event import EventKind
from model.hold_plan import HoldPlan, PlanEnd, PlanState, Progress
from model.instants import instant
from model.judgement import Verdict
from model.order import Order, OrderAction, OrderResult, OrderState, Outcome, Report
from model.reading import Valve
from tests.desk.facts import NIGHT_US

HOUR = 3600 * US
PLAN = HoldPlan(
    5,
    1,
    2,
    "v1",
    "gw1",
    1,
    "Europe/Berlin",
    7,
    "Tarik",
    NIGHT_US,
    1800.0,
    NIGHT_US + HOUR,
    NIGHT_US + 12 * HOUR,
)
SEEN = Seen(True, True, 8 * 3600.0, 86400.0, 0.0, None, True, NIGHT_US)


def report(position: Valve, since_us: int, at_us: int | None = None) -> Report:
    at_us = since_us if at_us is None else at_us
    return Report(position, at_us, since_us, at_us + US)


def order(state: OrderState, asked_us: int, ended_us: int = 0) -> Order:
    outcome = (
        Outcome(OrderResult(state.value), "", ended_us, ended_us) if state.value in set(OrderResult) else None
    )
    return Order(
        9, "t", 2, "v1", "gw1", 1, "Europe/Berlin", 1, OrderAction.CLOSE, state, "", None, asked_us, "s",
        None, 300.0, asked_us + 300 * US, outcome=outcome,
    )  # fmt: skip


def at(progress: Progress) -> HoldPlan:
    return replace(PLAN, progress=progress)


HOLDING = Progress(
    PlanState.HOLDING, order_id=9, asked_us=NIGHT_US + HOUR, attempts=1, closed_us=NIGHT_US + HOUR
)


@pytest.mark.parametrize(
    ("held_s", "after_s", "asks"),
    [(1800, 3600, True), (1799, 3600, False), (1800, 3599, False), (7200, 12 * 3600, False)],
)
def test_it_closes_when_the_target_was_held_and_not_before_its_hour(
    held_s: float, after_s: int, asks: bool
) -> None:
    done = plan.step(PLAN, replace(SEEN, held_s=held_s), NIGHT_US + after_s * US)
    assert done.ask_close is asks


def test_a_close_that_came_to_nothing_is_asked_for_again_and_told_after_ten_minutes() -> None:
    now_us = NIGHT_US + HOUR
    current, told = PLAN, []
    for minute in range(15):
        seen = replace(SEEN, held_s=1800.0, report=report(Valve.OPEN, NIGHT_US, now_us))
        done = plan.step(current, seen, now_us)
        if done.ask_close:
            done = plan.asked(current.progress, 9, now_us)
            current = replace(current, progress=done.progress)
            seen = replace(seen, order=order(OrderState.FAILED, now_us, now_us), order_text="It failed.")
            done = plan.step(current, seen, now_us + US)
        current = replace(current, progress=done.progress)
        told += [(minute, tell.kind) for tell in done.tells]
        now_us += 61 * US
    assert told == [(10, EventKind.PLAN_BLOCKED)]
    assert current.progress.attempts == 15
    begun = plan.step(current, replace(SEEN, report=report(Valve.CLOSED, now_us)), now_us + 2 * US)
    assert (begun.progress.state, begun.progress.closed_us) == (PlanState.HOLDING, now_us)
    assert [tell.kind for tell in begun.tells] == [EventKind.PLAN_WENT_ON]


def test_the_gateways_word_alone_begins_no_hold() -> None:
    progress = plan.asked(PLAN.progress, 9, NIGHT_US + HOUR).progress
    seen = replace(
        SEEN,
        report=report(Valve.OPEN, NIGHT_US),
        order=order(OrderState.DONE, NIGHT_US + HOUR, NIGHT_US + HOUR),
        order_text="The gateway says done.",
    )
    early = plan.step(at(progress), seen, NIGHT_US + HOUR + 100 * US)
    assert early.progress == progress
    late = plan.step(at(progress), seen, NIGHT_US + HOUR + 200 * US)
    assert (late.progress.state, late.progress.blocked) == (
        PlanState.WAITING, ("The gateway says done. But the valve does not report closed.",)
    )  # fmt: skip


def test_a_gateway_out_of_reach_leaves_the_valve_believed_closed_and_the_verdict_comes_late() -> None:
    closed = report(Valve.CLOSED, NIGHT_US + HOUR)
    gone = replace(SEEN, report=closed, online=False, presence_us=NIGHT_US + 2 * HOUR)
    away = plan.step(at(HOLDING), gone, NIGHT_US + 3 * HOUR)
    assert "is out of reach since" in away.lines[0]
    assert "believed closed since" in away.lines[0]
    told = plan.step(at(away.progress), gone, PLAN.report_us)
    assert told.tells[-1].kind is EventKind.PLAN_REPORTED
    assert "awaiting readings" in told.tells[-1].text
    assert told.progress.state is PlanState.HOLDING
    back = replace(SEEN, report=closed, hold=HoldSeen(4, Verdict.PASSED, "It passed."))
    ended = plan.step(at(told.progress), back, PLAN.report_us + HOUR)
    assert (ended.progress.end, ended.progress.hold_id, ended.tells) == (PlanEnd.PASSED, 4, ())
    assert plan.next_look_us(at(ended.progress), PLAN.report_us + HOUR) is None


def test_a_valve_that_opens_during_the_hold_ends_the_plan_and_somebody_is_told() -> None:
    done = plan.step(
        at(HOLDING), replace(SEEN, report=report(Valve.OPEN, NIGHT_US + 2 * HOUR)), NIGHT_US + 2 * HOUR
    )
    assert done.progress.end is PlanEnd.VALVE_MOVED
    assert [tell.kind for tell in done.tells] == [EventKind.PLAN_BLOCKED]


def test_a_close_that_fails_after_the_report_is_the_last() -> None:
    progress = plan.asked(PLAN.progress, 9, PLAN.report_us - US).progress
    told = plan.step(at(progress), replace(SEEN, order=order(OrderState.SENT, 0)), PLAN.report_us)
    assert (told.progress.state, told.progress.reported) == (PlanState.CLOSING, True)
    failed = replace(SEEN, held_s=9000.0, order=order(OrderState.EXPIRED, 0), order_text="It expired.")
    over = plan.step(at(told.progress), failed, PLAN.report_us + 400 * US)
    assert (over.progress.end, over.ask_close, over.tells) == (PlanEnd.NOT_BEGUN, False, ())


def test_until_the_report_without_a_hold_it_ends_and_never_closes_by_day() -> None:
    done = plan.step(PLAN, SEEN, PLAN.report_us)
    assert (done.progress.state, done.progress.end) == (PlanState.ENDED, PlanEnd.NOT_BEGUN)
    assert "no hold has begun" in done.tells[0].text


@pytest.mark.parametrize(
    ("gaps", "pressures", "held"),
    [
        ([0, 10, 20, 30], [90, 90, 90, 90], 30),
        ([0, 10, 20, 30], [90, 110, 90, 90], 10),
        ([0, 10, 20, 30], [90, 90, 90, 110], 0),
        ([0, 100, 110, 120], [90, 90, 90, 90], 20),
        ([0, 10], [90, float("inf")], 0),
        ([], [], 0),
    ],
)
def test_the_target_is_held_without_a_gap(gaps: list[int], pressures: list[float], held: float) -> None:
    samples = [(NIGHT_US + s * US, pa) for s, pa in zip(gaps, pressures, strict=True)]
    now_us = NIGHT_US + (gaps[-1] if gaps else 0) * US
    assert plan.held_s(samples, 100.0, 10.0, now_us) == held
    assert plan.held_s(samples, 100.0, 10.0, now_us + 61 * US) == 0


def test_a_battery_is_counted_on_by_its_own_discharge_only() -> None:
    flat = battery.lasts_until([(NIGHT_US, 0.8), (NIGHT_US + 10 * HOUR, 0.62)])
    assert flat == NIGHT_US + 36 * HOUR
    assert battery.lasts_until([(NIGHT_US, 0.8), (NIGHT_US + HOUR // 2, 0.8)]) is None
    assert battery.lasts_until([]) is None
    assert battery.lasts_until([(NIGHT_US, 0.05)]) == NIGHT_US


class Plans(RuleBasedStateMachine):
    """A site, a desk that is killed at will, and the plain model: may it close, has it told?"""

    def __init__(self) -> None:
        super().__init__()
        self.now_us = NIGHT_US
        self.plan = PLAN
        self.seen = SEEN
        self.order: Order | None = None
        self.orders = 0
        self.reports = 0
        self.was_over = False
        self.ended_with: Verdict | None = None

    def _take(self, done: Step) -> None:
        # State is data: nothing else survives.
        progress = Progress.of_json(json.loads(json.dumps(done.progress.as_json())))
        assert progress == done.progress
        self.plan = replace(self.plan, progress=progress)
        self.reports += sum(tell.kind is EventKind.PLAN_REPORTED for tell in done.tells)

    @rule(lost=st.booleans(), hinder=st.booleans())
    def look(self, lost: bool, hinder: bool) -> None:
        before = self.plan.progress
        self.seen = replace(self.seen, order=self.order, order_text="What became of it.")
        done = plan.step(self.plan, self.seen, self.now_us)
        if done.ask_close:
            assert before.state is PlanState.WAITING
            assert self.seen.held_s >= self.plan.held_s
            assert self.plan.not_before_us is None or self.now_us >= self.plan.not_before_us
            assert self.now_us < self.plan.report_us
            assert self.order is None or not self.order.state.open
        if lost:
            return  # killed before the commit: neither state nor order
        if done.ask_close:
            if hinder:
                done = plan.hindered(self.plan, ["Hindered."], self.now_us)
            else:
                self.orders += 1
                self.order = order(OrderState.SENT, self.now_us)
                done = plan.asked(before, 9, self.now_us)
        if (
            before.state.live
            and done.progress.state is PlanState.HOLDING
            and before.state is not PlanState.HOLDING
        ):
            assert self.seen.report is not None
            assert self.seen.report.position is Valve.CLOSED
        self._take(done)

    @rule(seconds=st.sampled_from([1, 10, 61, 601, 3600, 3 * 3600, 30 * 3600]))
    def time_goes_on(self, seconds: int) -> None:
        self.now_us += seconds * US

    @rule(held_s=st.sampled_from([0.0, 1799.0, 1800.0, 9000.0]))
    def pressure(self, held_s: float) -> None:
        self.seen = replace(self.seen, held_s=held_s)

    @rule(position=st.sampled_from(list(Valve)), back_s=st.sampled_from([0, 1000]))
    def valve_reports(self, position: Valve, back_s: int) -> None:
        at_us = self.now_us - back_s * US
        self.seen = replace(self.seen, report=replace(report(position, at_us), arrived_us=self.now_us))

    @rule(online=st.booleans())
    def gateway(self, online: bool) -> None:
        self.seen = replace(self.seen, online=online, presence_us=self.now_us)

    @precondition(lambda self: self.order is not None and self.order.state.open)
    @rule(state=st.sampled_from([OrderState.DONE, OrderState.REFUSED, OrderState.FAILED, OrderState.EXPIRED]))
    def order_ends(self, state: OrderState) -> None:
        assert self.order is not None
        self.order = order(state, self.order.asked_us, self.now_us)

    @precondition(lambda self: self.plan.progress.closed_us is not None)
    @rule(verdict=st.sampled_from(list(Verdict)))
    def judged(self, verdict: Verdict) -> None:
        self.seen = replace(self.seen, hold=HoldSeen(4, verdict, "Said."))

    @precondition(lambda self: self.plan.progress.state.live)
    @rule()
    def called_off(self) -> None:
        self._take(plan.call_off(self.plan, "Tarik"))

    @invariant()
    def what_is_over_stays_over(self) -> None:
        over = not self.plan.progress.state.live
        assert over or not self.was_over
        self.was_over = over
        assert self.reports <= 1
        assert self.plan.progress.attempts == self.orders
        if self.reports:
            assert self.now_us >= self.plan.report_us
        if self.plan.progress.reported:
            assert self.plan.progress.state is not PlanState.WAITING


TestPlans = Plans.TestCase
TestPlans.settings = settings(max_examples=150, stateful_step_count=40)


def test_what_hinders_is_logged_once_though_its_moment_moves() -> None:
    lines: list[str] = []
    current = PLAN
    for minute in range(5):
        reason = f"The battery of g1 may be flat {instant(NIGHT_US + minute * 60 * US)}."
        done = plan.hindered(current, [reason], NIGHT_US + minute * 60 * US)
        lines += done.lines
        current = at(done.progress)
    assert lines == [f"Hindered: The battery of g1 may be flat {instant(NIGHT_US)}."]
    assert plan.hindered(current, ["Another."], NIGHT_US).lines == ("Hindered: Another.",)

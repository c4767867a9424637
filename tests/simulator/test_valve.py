"""Orders, refusals and interlocks of the motorised valve."""

from __future__ import annotations

from dataclasses import replace

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from simulator.valve import Action, Inputs, Order, Outcome, Require, Valve, decode

READY = Inputs(uptime_s=1000.0, session="s1", boot="b1", pump_running_s=300.0, circuit_pa=50.0)
OPEN = Order(id="o1", action="open", session="s1", boot="b1", ttl_s=30.0)
CLOSE = Order(id="c1", action="close", session="s1", boot="b1", ttl_s=30.0)


def later(seconds: float, inputs: Inputs = READY) -> Inputs:
    return replace(inputs, uptime_s=inputs.uptime_s + seconds)


def changed(order: Order, **fields: object) -> Order:
    values = {name: getattr(order, name) for name in order.__struct_fields__}
    return Order(**{**values, **fields})


def carried_out(order: Order, inputs: Inputs = READY, valve: Valve | None = None) -> list[Outcome]:
    """Receive it now and let 20 s pass."""
    valve = valve or Valve()
    valve.advance(inputs)
    refused = valve.receive(order, inputs.uptime_s)
    found = [refused] if refused else []
    for second in range(20):
        found += valve.advance(later(second, inputs))
    return found


def opened() -> Valve:
    valve = Valve()
    assert carried_out(changed(OPEN, id="first"), valve=valve) == [Outcome("first", "done")]
    assert valve.position == "open"
    return valve


def test_open_travels_and_is_done() -> None:
    valve = Valve(travel_s=6.0)
    valve.advance(READY)
    valve.receive(OPEN, READY.uptime_s)
    assert valve.advance(READY) == []
    assert valve.advance(later(3)) == []
    assert valve.opening == pytest.approx(0.5)
    assert str(valve.position) == "moving"
    assert valve.advance(later(6)) == [Outcome("o1", "done")]
    assert str(valve.position) == "open"


@pytest.mark.parametrize(
    ("order", "inputs", "reason"),
    [
        (changed(OPEN, session="old"), READY, "another session"),
        (changed(OPEN, boot="old"), READY, "another boot"),
        (OPEN, replace(READY, hands=True), "local hands"),
        (OPEN, replace(READY, pump_running_s=None), "pump is not running"),
        (changed(OPEN, require=Require(pump_running_s=301.0)), READY, "pump has run"),
        (changed(OPEN, require=Require(max_circuit_pa=49.0)), READY, "circuit is at 50 Pa"),
        (changed(OPEN, require=Require(max_circuit_pa=49.0)), replace(READY, circuit_pa=None), "no fresh"),
        (changed(OPEN, require=Require(position="open")), READY, "valve is closed"),
        (changed(CLOSE, session="old"), READY, "another session"),
    ],
)
def test_refusals(order: Order, inputs: Inputs, reason: str) -> None:
    valve = Valve()
    outcomes = carried_out(order, inputs, valve)
    assert [outcome.result for outcome in outcomes] == ["refused"]
    assert reason in outcomes[0].reason
    assert valve.opening == 0.0


def test_confirmed_requirements_let_an_open_through() -> None:
    order = changed(OPEN, require=Require(pump_running_s=120.0, max_circuit_pa=80.0, position="closed"))
    assert carried_out(order) == [Outcome("o1", "done")]


def test_a_repeated_id_never_acts_again_and_is_answered_with_what_became_of_it() -> None:
    valve = opened()
    outcomes = carried_out(changed(CLOSE, id="first"), later(100), valve)
    assert outcomes == [Outcome("first", "done")]
    # When that was, not when it was asked again.
    assert outcomes[0].at_s < later(100).uptime_s
    assert valve.position == "open"


def test_a_repeated_id_that_is_still_being_carried_out_is_answered_once() -> None:
    valve = opened()
    assert valve.receive(CLOSE, later(100).uptime_s) is None
    assert valve.advance(later(100)) == []
    assert valve.receive(CLOSE, later(101).uptime_s) is None
    assert valve.advance(later(110)) == [Outcome("c1", "done")]
    assert valve.receive(CLOSE, later(111).uptime_s) == Outcome("c1", "done")


def test_a_refusal_is_remembered_too() -> None:
    valve = opened()
    stale = changed(CLOSE, session="old")
    assert carried_out(stale, later(100), valve) == [Outcome("c1", "refused", "made for another session")]
    # Its id comes again under the session of now: it stays refused.
    assert carried_out(CLOSE, later(200), valve) == [Outcome("c1", "refused", "made for another session")]
    assert valve.position == "open"


def test_an_open_that_waited_longer_than_its_time_to_live_is_refused_but_a_close_is_not() -> None:
    for order, result in ((OPEN, "refused"), (CLOSE, "done")):
        valve = Valve()
        valve.advance(READY)
        valve.receive(order, READY.uptime_s)
        (outcome,) = valve.advance(later(31))
        assert outcome.result == result


def test_a_close_interrupts_an_opening() -> None:
    valve = Valve()
    valve.advance(READY)
    valve.receive(OPEN, READY.uptime_s)
    valve.advance(READY)
    valve.advance(later(2))
    valve.receive(CLOSE, READY.uptime_s + 2)
    outcomes = valve.advance(later(2)) + valve.advance(later(10))
    assert [(outcome.id, outcome.result) for outcome in outcomes] == [("o1", "failed"), ("c1", "done")]
    assert valve.position == "closed"


def test_pump_that_stops_while_opening_turns_the_valve_round() -> None:
    valve = Valve()
    valve.advance(READY)
    valve.receive(OPEN, READY.uptime_s)
    valve.advance(READY)
    valve.advance(later(3))
    stopped = replace(READY, pump_running_s=None)
    (outcome,) = valve.advance(later(4, stopped))
    assert (outcome.id, outcome.result) == ("o1", "failed")
    valve.advance(later(20, stopped))
    assert valve.position == "closed"


def test_open_valve_closes_when_the_pump_stops() -> None:
    valve = opened()
    stopped = replace(READY, pump_running_s=None)
    valve.advance(later(30, stopped))
    assert valve.position == "closed"


def test_an_open_valve_closes_when_the_pump_s_report_is_lost() -> None:
    valve = opened()
    valve.advance(later(30, replace(READY, pump_age_s=2.0)))
    assert valve.position == "open"
    for age_s in (2.1, float("nan")):
        valve = opened()
        valve.advance(later(30, replace(READY, pump_age_s=age_s)))
        assert str(valve.position) == "closed"


def test_a_pump_of_which_nothing_is_known_opens_nothing() -> None:
    (outcome,) = carried_out(OPEN, replace(READY, pump_age_s=3.0))
    assert (outcome.result, outcome.reason) == ("refused", "nothing is known of the pump")


def test_an_old_pressure_of_the_circuit_confirms_nothing() -> None:
    order = changed(OPEN, require=Require(max_circuit_pa=80.0))
    (outcome,) = carried_out(order, replace(READY, circuit_age_s=61.0))
    assert (outcome.result, outcome.reason) == ("refused", "no fresh pressure of the circuit")


def test_the_key_closes_what_an_order_opened_and_not_what_a_hand_did() -> None:
    valve = opened()
    in_hands = replace(READY, hands=True)
    valve.advance(later(30, in_hands))
    assert valve.position == "closed"
    valve.by_hand("open")
    valve.advance(later(60, in_hands))
    valve.advance(later(70, in_hands))
    assert str(valve.position) == "open"


def test_after_a_restart_it_closes_and_stays_closed_whatever_comes_again() -> None:
    valve = opened()
    valve.receive(changed(OPEN, id="waits"), later(20).uptime_s)
    valve.restart()
    again = replace(READY, session="s2", boot="b2", uptime_s=0.0)
    valve.advance(again)
    for order in (changed(OPEN, id="first"), changed(OPEN, id="waits", boot=None)):
        valve.receive(order, 0.0)
    outcomes = valve.advance(later(10, again))
    assert [(one.result, one.reason) for one in outcomes] == [("refused", "made for another session")] * 2
    assert valve.position == "closed"


def test_a_requirement_that_is_not_understood_refuses() -> None:
    order = decode(
        b'{"id": "o1", "action": "open", "session": "s1", "ttl_s": 30, "require": '
        b'{"pump_running_s": 120, "later": null, "exhaust_proved": true}}'
    )
    assert order.require == Require(pump_running_s=120.0, unknown=("exhaust_proved",))
    (outcome,) = carried_out(order)
    assert (outcome.result, outcome.reason) == ("refused", "it requires what this gateway cannot confirm")


@pytest.mark.parametrize(
    "payload",
    [
        b"",
        b"[]",
        b'{"id": "o1"}',
        b'{"id": "o1", "action": "open", "session": "s1", "ttl_s": 1, "require": 3}',
    ],
)
def test_what_is_no_order_is_none(payload: bytes) -> None:
    with pytest.raises(msgspec.DecodeError):
        decode(payload)


def test_a_time_to_live_that_is_no_number_refuses() -> None:
    (outcome,) = carried_out(changed(OPEN, ttl_s=float("nan")))
    assert (outcome.result, outcome.reason) == ("refused", "past its time to live")


def test_a_gateway_without_a_session_obeys_nobody() -> None:
    (outcome,) = carried_out(changed(OPEN, session=""), replace(READY, session=""))
    assert outcome.result == "refused"


class AnyOrders(RuleBasedStateMachine):
    """No sequence of orders, switches and pump stops opens a valve while the pump does not run."""

    def __init__(self) -> None:
        super().__init__()
        self.valve = Valve()
        self.now_s = 0.0
        self.running_since_s: float | None = None
        self.number = 0
        self.opening = 0.0
        self.ran = False

    @rule(
        action=st.sampled_from(["open", "close"]),
        session=st.sampled_from(["s1", "s1", "s0"]),
        ttl_s=st.floats(0.0, 60.0),
        again=st.booleans(),
        position=st.sampled_from([None, "open", "closed"]),
    )
    def order(self, action: Action, session: str, ttl_s: float, again: bool, position: str | None) -> None:
        self.number += not again
        require = Require(position=position)
        name = f"order-{self.number}"
        self.valve.receive(Order(name, action, session, ttl_s, None, require), self.now_s)

    @rule(action=st.sampled_from(["open", "close"]))
    def by_hand(self, action: Action) -> None:
        self.valve.by_hand(action)

    @precondition(lambda self: self.running_since_s is None)
    @rule()
    def start(self) -> None:
        self.running_since_s = self.now_s

    @precondition(lambda self: self.running_since_s is not None)
    @rule()
    def stop(self) -> None:
        self.running_since_s = None

    @rule(seconds=st.floats(0.0, 20.0))
    def pass_time(self, seconds: float) -> None:
        self.now_s += seconds
        self.opening = self.valve.opening
        running = None if self.running_since_s is None else self.now_s - self.running_since_s
        self.ran = running is not None
        self.valve.advance(Inputs(self.now_s, "s1", "b1", running, 50.0))

    @invariant()
    def never_opens_towards_a_stopped_pump(self) -> None:
        assert self.ran or self.valve.opening <= self.opening


TestAnyOrders = AnyOrders.TestCase
TestAnyOrders.settings = settings(max_examples=200, stateful_step_count=30)


@given(st.lists(st.sampled_from(["a", "b", "c"]), max_size=12))
@settings(deadline=None)
def test_every_id_has_exactly_one_outcome_however_often_it_comes(ids: list[str]) -> None:
    valve = Valve()
    outcomes: list[Outcome] = []
    repeated: list[Outcome] = []
    for number, name in enumerate(ids):
        told = valve.receive(changed(OPEN if number % 2 else CLOSE, id=name), READY.uptime_s + number)
        repeated += [told] if told else []
        outcomes += valve.advance(later(number))
    for second in range(200):
        outcomes += valve.advance(later(len(ids) + second))
    assert sorted(outcome.id for outcome in outcomes) == sorted(set(ids))
    assert all(told in outcomes for told in repeated)

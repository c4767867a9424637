"""Server and gateway together, as a machine of all that can go wrong between them.

No sequence of orders, reports, losses, doublings, delays, wrong clocks and restarts of both opens a valve to
a pump that is not running. The server is its pure core with the real encoder of orders; the gateway is the
simulator's. What must hold is written here a second time, against what is true at the site and not against
what anybody believes. That the test can fail is shown by mutants: each check of the gateway, taken away, is
caught.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import msgspec
import pytest
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, rule, run_state_machine_as_test

from desk.core import interlocks, order_life
from desk.core.interlocks import Deed
from ingest.courier import payload
from model.clock import US
from model.equipment import Role
from model.errors import Hindered
from model.order import KnownValve, Order, OrderAction, OrderState, Report, Require
from model.reading import Valve as Position
from model.valve_facts import GaugeReport, Page, PumpReport, ValveFacts
from simulator import valve as gateway_code
from simulator.valve import PUMP_LOST_S, Inputs, Valve, decode

STEP_S = 1.0
TRAVEL_S = 6.0
SLACK_S = PUMP_LOST_S + STEP_S
"""So late a gateway may notice that its pump has stopped while its input is dead; the wiring covers it."""
FIRST_S = 10_000.0


@dataclass(slots=True)
class Heard:
    """What the server has stored: it survives the server."""

    valve: Report | None = None
    pump: PumpReport | None = None
    circuit_pa: tuple[float, int, int] | None = None
    hands: bool = False
    online: bool = False
    session: str = ""
    boot: str = ""


class Server:
    """Asks for orders by what it has heard; its orders are committed before they are sent."""

    def __init__(self, *, careless: bool) -> None:
        self.careless = careless
        self.heard = Heard()
        self.orders: list[Order] = []

    def facts(self, now_us: int, page: Page | None = None) -> ValveFacts:
        """As `store.valve_facts` would gather them."""
        heard = self.heard
        gauge = None
        if heard.circuit_pa is not None:
            pa, at_us, arrived_us = heard.circuit_pa
            gauge = GaugeReport("g1", 10.0, 0.1, pa, at_us, arrived_us)
        known = KnownValve(
            instrument_id=1, name="v1", role=Role.VALVE, interval_s=60.0, gateway="gw", revoked=False,
            site_id=1, time_zone="UTC", job_id=1, online=heard.online, session=heard.session, boot=heard.boot,
            presence_us=now_us, report=heard.valve, latest=self.orders[-1] if self.orders else None,
        )  # fmt: skip
        return ValveFacts(
            now_us, known, opening_allowed=True, may_open_here=True, hands=heard.hands, pump=heard.pump,
            circuit=gauge, pump_side=None if gauge is None else replace(gauge, name="g2", pressure_pa=1.0),
            page=page,
        )  # fmt: skip

    def ask(self, action: OrderAction, ttl_s: float, now_us: int, page: Page | None = None) -> bytes | None:
        """The order as it is sent; None: an interlock hinders it."""
        facts = self.facts(now_us, page)
        require = Require()
        try:
            if not self.careless:
                interlocks.check(order_life.DEEDS[action], facts)
            if action is OrderAction.OPEN:
                require = interlocks.requirements(facts)
        except Hindered:
            return None
        order = Order(
            id=len(self.orders) + 1, token=f"order-{len(self.orders)}", instrument_id=1, valve="v1",
            gateway="gw", site_id=1, time_zone="UTC", job_id=1, action=action, state=OrderState.SENT,
            reason="", asked_by=None, asked_us=now_us, session=self.heard.session, boot=self.heard.boot,
            ttl_s=ttl_s, expires_us=now_us + round(ttl_s * US), require=require,
        )  # fmt: skip
        self.orders.append(order)
        return payload(order, now_us)

    def outcome(self, token: str, result: str) -> None:
        """What the gateway says; the first stands."""
        for number, order in enumerate(self.orders):
            if order.token == token and order.state.open:
                self.orders[number] = replace(order, state=OrderState(result))


Message = dict[str, Any]
TROUBLES = (
    "none", "pump stops", "pump stops and starts", "nothing known of the pump", "circuit filled",
    "key turned", "new session", "power lost", "opened by hand", "comes twice", "gateway hangs",
    "power lost when open", "input dies when open", "key turned when open",
)  # fmt: skip


class Night(RuleBasedStateMachine):
    """A site, its gateway, the network and the server."""

    careless = False

    def __init__(self) -> None:
        super().__init__()
        self.server = Server(careless=self.careless)
        self.valve = Valve(TRAVEL_S)
        self.now_s = FIRST_S
        # What is true at the site.
        self.pump_since_s: float | None = None
        self.pump_stopped_s = 0.0
        self.circuit_pa = 300.0
        self.hands_since_s: float | None = None
        self.turned_by_hand = False
        # The gateway.
        self.boots = 0
        self.sessions = 0
        self.began_s = self.now_s
        self.session = ""
        self.clock_s = 0.0
        self.input_at_s: float | None = None
        self.input_since_s: float | None = None
        # The network: whatever was said may come, twice, late, in any order, or never.
        self.up: list[Message] = []
        self.down: list[bytes] = []
        self.sent: dict[str, Message] = {}
        self.came: dict[str, tuple[int, float]] = {}
        self.begun: set[str] = set()
        self.opened = 0

    # Time ---------------------------------------------------------------------------------------------

    def now_us(self) -> int:
        return round(self.now_s * US)

    def gateway_us(self) -> int:
        return round((self.now_s + self.clock_s) * US)

    @property
    def boot(self) -> str:
        return f"b{self.boots}"

    def inputs(self) -> Inputs:
        if self.input_at_s is None:
            at_s, since_s = self.now_s, self.pump_since_s
        else:
            at_s, since_s = self.input_at_s, self.input_since_s
        return Inputs(
            uptime_s=self.now_s - self.began_s,
            session=self.session,
            boot=self.boot,
            pump_running_s=None if since_s is None else self.now_s - since_s,
            circuit_pa=self.circuit_pa,
            hands=self.hands_since_s is not None,
            pump_age_s=self.now_s - at_s,
        )

    def step(self, seconds: float) -> None:
        """Let the gateway look once, and compare what it did with what is true."""
        self.now_s += seconds
        before = self.valve.opening
        at_work = self.valve.acting_on
        outcomes = self.valve.advance(self.inputs())
        acted = [one.id for one in outcomes if one.result != "refused"]
        if self.valve.acting_on is not None:
            acted.append(self.valve.acting_on.id)
        for token in acted:
            begins = at_work is None or token != at_work.id
            if begins:
                self.turned_by_hand = False
            if begins and self.sent[token]["action"] == "open":
                self.begins(token)
            self.begun.add(token)
        for one in outcomes:
            self.up.append({"outcome": (one.id, one.result)})
        if self.valve.opening > before:
            assert self.pump_ran_until() >= self.now_s - SLACK_S - seconds, "opens to a stopped pump"
        self.closes_by_itself()

    def pump_ran_until(self) -> float:
        return self.now_s if self.pump_since_s is not None else self.pump_stopped_s

    def begins(self, token: str) -> None:
        """Everything that must be true when a gateway begins to open by an order."""
        body = self.sent[token]
        assert token not in self.begun, "twice"
        assert self.pump_ran_until() >= self.now_s - SLACK_S, "the pump does not run"
        assert self.input_at_s is None or self.now_s - self.input_at_s <= SLACK_S, "nothing known of the pump"
        if self.pump_since_s is not None and self.input_at_s is None:
            assert self.now_s - self.pump_since_s >= body["require"]["pump_running_s"], "too short"
        assert self.circuit_pa <= body["require"]["max_circuit_pa"], "another circuit than was decided on"
        assert (body["session"], body["boot"]) == (self.session, self.boot), "made for another time"
        boot, came_s = self.came[token]
        assert boot == self.boots, "came before the restart"
        assert self.now_s - came_s <= body["ttl_s"] + STEP_S, "too late"
        assert self.hands_since_s is None, "local hands"
        # It has moved up to the act and not since.
        assert self.valve.opening == 0.0, "did not stand as it was decided on"
        assert body["require"]["position"] == "closed"
        assert body["require"].keys() <= {"pump_running_s", "max_circuit_pa", "position"}, "not understood"
        self.opened += 1

    def closes_by_itself(self) -> None:
        """Whatever was ordered: without its pump, or in local hands, it is closed soon."""
        if self.pump_since_s is None and self.now_s - self.pump_stopped_s > SLACK_S + TRAVEL_S + STEP_S:
            assert self.valve.opening == 0.0, "open to a stopped pump"
        if self.input_at_s is not None and self.now_s - self.input_at_s > SLACK_S + TRAVEL_S + STEP_S:
            assert self.valve.opening == 0.0, "open, and nothing known of the pump"
        hands_s = None if self.hands_since_s is None else self.now_s - self.hands_since_s
        if hands_s is not None and hands_s > TRAVEL_S + 2 * STEP_S and not self.turned_by_hand:
            assert self.valve.opening == 0.0, "open from afar in local hands"

    # Rules: the site ----------------------------------------------------------------------------------

    @rule(seconds=st.sampled_from([1, 1, 2, 5, 10, 40]))
    def pass_time(self, seconds: int) -> None:
        for _ in range(seconds):
            self.step(STEP_S)

    @rule(seconds=st.sampled_from([3.0, 40.0, 200.0]))
    def stall(self, seconds: float) -> None:
        """The gateway hangs with a closed valve; its uptime goes on."""
        if self.valve.opening == 0.0 and self.valve.position == "closed":
            self.now_s += seconds
            if self.input_at_s is None:
                self.step(0.0)

    @rule()
    def start_pump(self) -> None:
        if self.pump_since_s is None:
            self.pump_since_s = self.now_s

    @rule()
    def stop_pump(self) -> None:
        if self.pump_since_s is not None:
            self.pump_since_s, self.pump_stopped_s = None, self.now_s

    @rule(dead=st.booleans())
    def input_of_the_pump(self, dead: bool) -> None:
        if not dead:
            self.input_at_s = None
        elif self.input_at_s is None:
            self.input_at_s, self.input_since_s = self.now_s, self.pump_since_s

    @rule(pa=st.sampled_from([20.0, 300.0, 2000.0, 100_000.0]))
    def circuit(self, pa: float) -> None:
        self.circuit_pa = pa

    @rule(on=st.booleans())
    def key(self, on: bool) -> None:
        if on != (self.hands_since_s is not None):
            self.hands_since_s = self.now_s if on else None

    @rule(action=st.sampled_from(["open", "close"]))
    def by_hand(self, action: gateway_code.Action) -> None:
        self.valve.by_hand(action)
        self.turned_by_hand = True

    # Rules: the gateway -------------------------------------------------------------------------------

    @rule()
    def connect(self) -> None:
        """A new session; a board may draw the same nonces after each boot."""
        self.sessions += 1
        self.session = f"s{self.sessions}"
        self.up.append({"presence": (self.session, self.boot)})

    @rule(seconds=st.sampled_from([0.0, 3.0]))
    def restart(self, seconds: float) -> None:
        """Power lost and back; the spring closes meanwhile, as far as it comes."""
        self.boots += 1
        self.sessions = 0
        self.session = ""
        self.began_s = self.now_s
        self.valve.restart()
        self.turned_by_hand = False
        before = self.valve.opening
        self.step(seconds)
        assert self.valve.opening <= max(before - seconds / TRAVEL_S, 0.0), "returning power reopens"

    @rule(seconds=st.sampled_from([-7200.0, -3.0, 0.0, 100.0, 7200.0]))
    def clock(self, seconds: float) -> None:
        self.clock_s = seconds

    @rule()
    def report(self) -> None:
        at_us = self.gateway_us()
        since_s = self.pump_since_s
        self.up.append({"valve": (self.valve.position, at_us)})
        self.up.append({"pump": (since_s, at_us, round((self.clock_s + (since_s or 0.0)) * US))})
        self.up.append({"circuit": (self.circuit_pa, at_us)})
        self.up.append({"hands": self.hands_since_s is not None})

    # Rules: the network and the server ----------------------------------------------------------------

    @rule(which=st.integers(0, 7))
    def hear(self, which: int) -> None:
        """Something comes; the oldest of it is the likeliest."""
        if self.up:
            self.listen(self.up.pop(min(which, len(self.up) - 1)))

    @rule()
    def hear_all(self) -> None:
        while self.up:
            self.listen(self.up.pop(0))

    @rule(which=st.integers(0, 7))
    def lose(self, which: int) -> None:
        if self.up:
            self.up.pop(min(which, len(self.up) - 1))

    def listen(self, message: Message) -> None:
        heard, now_us = self.server.heard, self.now_us()
        match message:
            case {"presence": (session, boot)}:
                heard.session, heard.boot, heard.online = session, boot, True
            case {"valve": (position, at_us)}:
                if heard.valve is None or at_us >= heard.valve.at_us:
                    heard.valve = Report(Position[position.upper()], at_us, at_us, now_us)
            case {"pump": (since_s, at_us, since_us)}:
                if heard.pump is None or at_us >= heard.pump.at_us:
                    heard.pump = PumpReport(since_s is not None, since_us, at_us, now_us)
            case {"circuit": (pa, at_us)}:
                if heard.circuit_pa is None or at_us >= heard.circuit_pa[1]:
                    heard.circuit_pa = (pa, at_us, now_us)
            case {"hands": on}:
                heard.hands = on
            case {"outcome": (token, result)}:
                self.server.outcome(token, result)

    @rule(
        action=st.sampled_from([OrderAction.OPEN, OrderAction.OPEN, OrderAction.CLOSE]),
        ttl_s=st.sampled_from([10.0, 30.0, 120.0]),
        page_age_s=st.sampled_from([None, None, 0.0, 500.0]),
        newer=st.integers(0, 9),
    )
    def ask(self, action: OrderAction, ttl_s: float, page_age_s: float | None, newer: int) -> None:
        now_us = self.now_us()
        page = None
        if page_age_s is not None:
            page = Page(now_us - round(page_age_s * US), self.server.facts(now_us).version)
        told = self.server.ask(action, ttl_s, now_us, page)
        if told is None:
            return
        body = msgspec.json.decode(told)
        if newer == 0 and action is OrderAction.OPEN:
            # A server of a later version requires something that this gateway does not know.
            body["require"]["exhaust_proved"] = True
        self.sent[body["id"]] = body
        self.down.append(msgspec.json.encode(body))

    @rule(which=st.integers(0, 7), again=st.booleans())
    def deliver(self, which: int, again: bool) -> None:
        """An order comes, however old; the newest is the likeliest, and it may come again."""
        if not self.down or not self.session:
            return
        index = max(len(self.down) - 1 - which, 0)
        message = self.down[index] if again else self.down.pop(index)
        order = decode(message)
        self.came.setdefault(order.id, (self.boots, self.now_s))
        self.valve.receive(order, self.now_s - self.began_s)

    @rule()
    def restart_server(self) -> None:
        """What was under way is lost, what is open is sent again."""
        for order in self.server.orders:
            if order.state.open and self.now_us() < order.expires_us:
                self.down.append(msgspec.json.encode(self.sent[order.token]))

    @rule()
    def quiet_evening(self) -> None:
        """The usual case, so that orders to open come about often: a pump that has run, all reported."""
        if self.pump_since_s is None:
            self.pump_since_s = self.now_s
        self.input_at_s, self.hands_since_s, self.clock_s, self.circuit_pa = None, None, 0.0, 300.0
        if not self.session:
            self.connect()
        self.by_hand("close")
        for _ in range(13):
            self.step(10.0)
        self.report()
        self.hear_all()

    @rule(trouble=st.sampled_from(TROUBLES), newer=st.integers(0, 4))
    def evening_with(self, trouble: str, newer: int) -> None:
        """An order that was right when it was given, and something that happens before it is carried out."""
        self.quiet_evening()
        self.ask(OrderAction.OPEN, 30.0, None, newer)
        match trouble:
            case "pump stops":
                self.stop_pump()
            case "pump stops and starts":
                self.stop_pump()
                self.start_pump()
            case "nothing known of the pump":
                self.input_of_the_pump(True)
                self.pass_time(5)
            case "circuit filled":
                self.circuit(100_000.0)
            case "key turned":
                self.key(True)
            case "new session":
                self.connect()
            case "power lost":
                self.restart(0.0)
                self.connect()
            case "opened by hand":
                self.by_hand("open")
                self.pass_time(10)
            case "comes twice":
                self.deliver(0, True)
                self.pass_time(10)
                self.by_hand("close")
                self.pass_time(10)
        self.deliver(0, False)
        if trouble == "gateway hangs":
            self.stall(200.0)
        self.pass_time(2)
        if trouble == "power lost when open":
            self.pass_time(10)
            self.restart(3.0)
        if trouble == "input dies when open":
            self.pass_time(10)
            self.input_of_the_pump(True)
            self.pass_time(20)
        if trouble == "key turned when open":
            self.pass_time(10)
            self.key(True)
            self.pass_time(20)


def night(*, careless: bool) -> type[Night]:
    """The machine, with a server that looks at its interlocks or with one that does not."""

    return type("OneNight", (Night,), {"careless": careless})


USUAL = settings(
    max_examples=100,
    stateful_step_count=30,
    suppress_health_check=list(HealthCheck),
)
MUTANTS = settings(
    USUAL,
    max_examples=500,
    derandomize=True,
    report_multiple_bugs=False,
    database=None,
    phases=[Phase.generate],
    print_blob=False,
)


@pytest.mark.parametrize("careless", [False, True], ids=["server", "careless server"])
def test_nothing_that_happens_opens_a_valve_to_a_pump_that_is_not_running(careless: bool) -> None:
    """With a careless server too: the gateway alone is enough."""
    run_state_machine_as_test(night(careless=careless), settings=USUAL)


def test_valves_do_open_in_this_model() -> None:
    """Else it would prove nothing."""
    machine = night(careless=False)()
    machine.quiet_evening()
    machine.ask(OrderAction.OPEN, 30.0, 0.0, 1)
    machine.deliver(0, False)
    machine.pass_time(10)
    assert (machine.opened, machine.valve.position) == (1, "open")
    machine.hear_all()
    assert machine.server.orders[-1].state is OrderState.DONE
    machine.stop_pump()
    machine.pass_time(10)
    assert str(machine.valve.position) == "closed"


def without_check(name: str) -> Callable[[pytest.MonkeyPatch], None]:
    return lambda patch: patch.delitem(gateway_code.CHECKS, name)


def by_hands(inputs: Inputs, *, by_hand: bool) -> str:
    return "hands" if inputs.hands and not by_hand else ""


def never_lost(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(gateway_code, "permission_lost", by_hands)


def only_stopped(patch: pytest.MonkeyPatch) -> None:
    """It closes when the pump stops, not when its report is lost."""
    patch.setattr(
        gateway_code,
        "permission_lost",
        lambda inputs, *, by_hand: (
            "stopped" if inputs.pump_running_s is None else by_hands(inputs, by_hand=by_hand)
        ),
    )


def deaf_to_the_key(patch: pytest.MonkeyPatch) -> None:
    """It refuses orders in local hands, and leaves open what is open."""
    lost = gateway_code.permission_lost
    patch.setattr(
        gateway_code,
        "permission_lost",
        lambda inputs, *, by_hand: lost(replace(inputs, hands=False), by_hand=by_hand),
    )


def forgets_ids(patch: pytest.MonkeyPatch) -> None:
    def receive(self: Valve, order: gateway_code.Order, uptime_s: float) -> None:
        self._waiting.append((uptime_s, order))

    patch.setattr(Valve, "receive", receive)


def goes_on_after_restart(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(Valve, "restart", lambda self: None)


MUTANTS_OF_THE_GATEWAY: dict[str, tuple[Callable[[pytest.MonkeyPatch], None], str]] = {
    "session": (without_check("session"), "made for another time"),
    "boot": (without_check("boot"), "made for another time"),
    "hands": (without_check("hands"), "local hands"),
    "position": (without_check("position"), "did not stand as it was decided on"),
    "understood": (without_check("understood"), "not understood"),
    "time to live": (without_check("time to live"), "too late"),
    "pump runs": (without_check("pump runs"), "nothing known of the pump"),
    "pump long enough": (without_check("pump long enough"), "too short|the pump does not run"),
    "circuit": (without_check("circuit"), "another circuit"),
    "closes when the pump stops": (never_lost, "to a stopped pump|nothing known of the pump"),
    "closes when the pump's report is lost": (only_stopped, "open, and nothing known of the pump"),
    "closes in local hands": (deaf_to_the_key, "open from afar in local hands"),
    "knows ids": (forgets_ids, "twice"),
    "stays closed after a restart": (
        goes_on_after_restart,
        "returning power reopens|came before|another time",
    ),
}


def test_there_is_a_mutant_for_every_check() -> None:
    assert gateway_code.CHECKS.keys() <= MUTANTS_OF_THE_GATEWAY.keys()


@pytest.mark.parametrize("name", list(MUTANTS_OF_THE_GATEWAY))
def test_each_interlock_of_the_gateway_is_missed_when_it_is_gone(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    without, missed = MUTANTS_OF_THE_GATEWAY[name]
    if name in gateway_code.OF_A_CLOSE:
        left = tuple(one for one in gateway_code.OF_A_CLOSE if one != name)
        monkeypatch.setattr(gateway_code, "OF_A_CLOSE", left)
    without(monkeypatch)
    with pytest.raises(AssertionError, match=missed):
        run_state_machine_as_test(night(careless=True), settings=MUTANTS)


@pytest.mark.parametrize("name", ["pump", "not-closed", "local-hands", "order-open", "circuit-unknown"])
def test_what_the_server_knows_it_does_not_even_ask(name: str) -> None:
    """Its interlocks are the same ones, by what it has heard."""
    machine = night(careless=False)()
    machine.quiet_evening()
    now_us = machine.now_us()
    heard = machine.server.heard
    match name:
        case "pump":
            heard.pump = PumpReport(False, now_us, now_us, now_us)
        case "not-closed":
            heard.valve = Report(Position.OPEN, now_us, now_us, now_us)
        case "local-hands":
            heard.hands = True
        case "order-open":
            machine.ask(OrderAction.OPEN, 30.0, None, 1)
        case "circuit-unknown":
            heard.circuit_pa = None
    assert name in {one.id for one in interlocks.hindrances(Deed.OPEN, machine.server.facts(now_us))}

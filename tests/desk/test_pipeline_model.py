"""Life and way of an alert against a plain model: who is told what, and is nothing lost, doubled or told in
vain?

What must hold is written here a second time, with flags and times instead of states, editions and stages.
That the test can fail is shown by mutants.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import pytest
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    precondition,
    rule,
    run_state_machine_as_test,
)

from desk.core import life, pipeline
from desk.core.life import Change, Told
from desk.core.pipeline import Known, Scene, Shelf, Stop
from model.alert import Alert, AlertState, Held, How, Priority
from model.clock import US

MINUTE = 60 * US
START = 10**15
KINDS = ("hold-failed", "series-silent", "pump-stopped-open", "gateway-refused")
RANK = {Priority.URGENT: 0, Priority.HIGH: 1, Priority.MEDIUM: 2, Priority.LOW: 3}


@dataclass
class Message:
    """What people got."""

    at: int
    active: bool
    priority: Priority


class Telling(RuleBasedStateMachine):
    """The alert as the desk has it, and beside it the plain model."""

    def __init__(self) -> None:
        super().__init__()
        self.now = START
        self.kind = KINDS[0]
        # The desk's
        self.alert: Alert | None = None
        self.event = 0
        self.due: int | None = None
        self.log: list[Known] = []
        self.history: list[int] = []
        self.scene = Scene()
        # The model's
        self.told: list[Message] = []
        self.active = self.acknowledged = self.there = False
        self.priority = Priority.LOW
        self.raised: list[int] = []
        self.turned = START
        self.fresh = False
        """There is something that people do not know."""
        self.out = False
        self.hands: int | None = None
        self.whole = False
        self.back: int | None = None
        self.shelf: tuple[int, Priority] | None = None
        self.was = ""

    @initialize(kind=st.sampled_from(KINDS))
    def begins(self, kind: str) -> None:
        self.kind = kind

    # The model --------------------------------------------------------------------------------------

    def over(self) -> bool:
        return not self.there or (not self.active and self.acknowledged)

    def why_held(self) -> str:
        if self.kind == "pump-stopped-open":
            return ""
        if self.out:
            return "out"
        if self.kind == "series-silent" and self.whole:
            return "suppressed"
        if self.hands is not None and self.kind in ("hold-failed", "series-silent"):
            end = self.hands + 12 * 60 * MINUTE
            if self.priority is Priority.URGENT:
                end = min(end, max(self.hands, self.raised[-1] if self.raised else 0) + 30 * MINUTE)
            if self.now < end:
                return "suppressed"
        if self.shelf and self.now < self.shelf[0] and RANK[self.priority] >= RANK[self.shelf[1]]:
            return "shelved"
        return ""

    def people_think(self) -> Message | None:
        return self.told[-1] if self.told and self.told[-1].active else None

    def flutters(self) -> bool:
        think = self.people_think()
        if think is None or (self.active and RANK[self.priority] < RANK[think.priority]):
            return False
        lately = [at for at in self.raised if self.now - at < 30 * MINUTE]
        return len(lately) >= 2 and self.now - self.turned < 10 * MINUTE

    def waits(self) -> bool:
        if self.kind != "series-silent" or not self.active:
            return False
        back = self.back is not None and self.now - self.back < 5 * MINUTE
        return back or self.now - self.raised[-1] < 30 * US

    def look_of_the_model(self) -> None:
        why = self.why_held() if not self.over() else self.was
        if self.was and why != self.was and self.active:
            if self.was == "shelved":
                self.acknowledged = False
            self.fresh |= not self.acknowledged
        self.was = why

    # The desk ---------------------------------------------------------------------------------------

    def took(self, change: Change | None) -> None:
        if change is None:
            return
        if change.what == "raised":
            self.log = []
        if change.what in ("raised", "raised-again"):
            self.history.append(self.now)
        self.alert = replace(change.alert, id=1)

    def look(self) -> None:
        if self.alert is None:
            return
        was_over = self.over()
        self.look_of_the_model()
        lately = tuple(at for at in self.history if at > self.now - pipeline.CHATTER_US)
        scene = replace(self.scene, raised_us=lately, known=self.log[-1] if self.log else None)
        change, way = pipeline.look(self.alert, scene, self.now)
        self.took(change)
        if way.again_us is not None:
            assert way.again_us > self.now, "looks again and again at once"
            self.due = way.again_us
        if way.say is not None:
            self.hears(way.say)
        self.agrees(was_over)

    def hears(self, say: str) -> None:
        assert self.alert is not None
        active = self.alert.state.active
        known = Known(self.alert.edition, active, self.alert.priority)
        assert known not in self.log, "told twice"
        assert (say == "cleared") == (not active)
        if active:
            assert not self.why_held(), "told though it is held back"
            assert not self.flutters(), "told though it comes and goes"
            assert not self.waits(), "told though it may be over in a moment"
            assert self.fresh or self.people_think() is None, "told in vain"
            self.fresh = False
        else:
            assert self.people_think() is not None, "the end of what nobody was told"
            assert not self.flutters(), "the end of what may come again"
        self.log.append(known)
        self.told.append(Message(self.now, active, self.priority))

    def agrees(self, was_over: bool) -> None:
        alert = self.alert
        assert alert is not None
        assert alert.state.active == self.active
        assert alert.state.acknowledged == self.acknowledged, "somebody has it who does not know it is so"
        assert alert.priority is self.priority
        if not was_over:
            how = {"out": How.OUT_OF_SERVICE, "suppressed": How.SUPPRESSED, "shelved": How.SHELVED, "": None}
            assert (alert.held.how if alert.held else None) is how[self.was], "shown as something else"
        think = self.people_think()
        if self.active and not self.why_held() and not self.flutters() and not self.waits():
            assert think is not None, "lost: nobody was told"
            assert not self.fresh, "lost: nobody was told the news"
        if not self.active and think is not None:
            assert self.flutters(), "lost: nobody was told that it is over"

    def fact(self) -> int:
        self.event += 1
        return self.event

    # What may happen --------------------------------------------------------------------------------

    @rule(priority=st.sampled_from(Priority))
    def raise_it(self, priority: Priority) -> None:
        if self.kind == "pump-stopped-open":
            priority = Priority.URGENT
        if self.over() and self.people_think() is not None:
            self.told.append(Message(self.now, False, self.priority))  # told of the one before, by its timer
        begins = self.over()
        again = begins or not self.active
        if again or priority is not self.priority:
            self.fresh = True
        if again or RANK[priority] < RANK[self.priority]:
            self.acknowledged = False
        if again:
            self.raised.append(self.now)
            self.turned = self.now
        if begins:
            self.was = ""
            self.due = None
        self.there, self.active, self.priority = True, True, priority
        told = Told("k", self.kind, priority, "So.", "Do.", 1, 1, self.now, self.fact())
        self.took(life.tell(self.alert, told, self.now))
        self.look()

    @precondition(lambda self: self.active)
    @rule()
    def clear_it(self) -> None:
        assert self.alert is not None
        self.active = False
        self.turned = self.now
        self.took(life.clear(self.alert, "it went away.", self.fact(), self.now))
        self.look()

    @precondition(lambda self: self.there)
    @rule()
    def acknowledge_it(self) -> None:
        assert self.alert is not None
        self.acknowledged = True
        self.took(life.acknowledge(self.alert, "Ada", "", self.now))

    @rule(minutes=st.sampled_from([0.2, 1, 4, 9, 15, 31, 200, 800]))
    def time_goes_on(self, minutes: float) -> None:
        """Timers go off in their time."""
        end = self.now + round(minutes * MINUTE)
        while self.due is not None and self.due <= end:
            self.now, self.due = self.due, None
            self.look()
        self.now = end
        self.agrees_now()

    def agrees_now(self) -> None:
        """What held it or made it wait is over by now, and a timer has seen to it."""
        if self.alert is not None and not self.over():
            was = self.was
            assert self.why_held() == was, "no timer for the end of what held it"
            self.agrees(False)

    @rule(minutes=st.sampled_from([10, 60, 600]))
    def shelve_it(self, minutes: int) -> None:
        if not self.active or self.kind == "pump-stopped-open":
            return
        self.shelf = (self.now + minutes * MINUTE, self.priority)
        self.scene = replace(self.scene, shelf=Shelf(*self.shelf, "Crew North is there"))
        self.look()

    @precondition(lambda self: self.shelf)
    @rule()
    def unshelve_it(self) -> None:
        self.shelf = None
        self.scene = replace(self.scene, shelf=None)
        self.look()

    @rule()
    def key_is_turned(self) -> None:
        self.hands = self.now if self.hands is None else None
        self.scene = replace(self.scene, hands_since_us=self.hands)
        self.look()

    @rule()
    def service_is_changed(self) -> None:
        self.out = not self.out
        self.scene = replace(self.scene, out_of_service="Being mended" if self.out else None)
        self.look()

    @rule()
    def whole_gateway_changes(self) -> None:
        self.whole = not self.whole
        if not self.whole:
            self.back = self.now
        self.scene = replace(self.scene, gateway="gw1" if self.whole else None, gateway_back_us=self.back)
        self.look()

    @rule()
    def somebody_looks_too_often(self) -> None:
        self.look()


USUAL = settings(max_examples=200, stateful_step_count=40, suppress_health_check=list(HealthCheck))
MUTANTS = settings(
    USUAL, max_examples=2000, stateful_step_count=25, derandomize=True, report_multiple_bugs=False,
    database=None, phases=[Phase.generate], print_blob=False,
)  # fmt: skip


def test_nothing_is_lost_doubled_or_told_in_vain_whatever_happens() -> None:
    run_state_machine_as_test(Telling, settings=USUAL)


Patch = Callable[[pytest.MonkeyPatch], None]


def having(name: str, value: object) -> Patch:
    return lambda patch: patch.setattr(pipeline, name, value)


def stages(*left_out: pipeline.Stage) -> Patch:
    def change(patch: pytest.MonkeyPatch) -> None:
        patch.setattr(pipeline, "HOLDING", tuple(one for one in pipeline.HOLDING if one not in left_out))
        patch.setattr(pipeline, "TELLING", tuple(one for one in pipeline.TELLING if one not in left_out))

    return change


def silent_ends(patch: pytest.MonkeyPatch) -> None:
    """That it is over is held back, too."""
    real = pipeline.through
    patch.setattr(
        pipeline,
        "through",
        lambda *given: replace(real(*given), say=None) if real(*given).held else real(*given),
    )


def forgets_its_timers(patch: pytest.MonkeyPatch) -> None:
    real = pipeline.through
    patch.setattr(pipeline, "through", lambda *given: replace(real(*given), again_us=None))


def tells_nobody_when_it_ends(patch: pytest.MonkeyPatch) -> None:
    real = life.hold

    def hold(alert: Alert, held: Held | None, now_us: int) -> Change | None:
        change = real(alert, held, now_us)
        return change and replace(change, alert=replace(change.alert, edition=alert.edition))

    patch.setattr(life, "hold", hold)


def leaves_it_taken(patch: pytest.MonkeyPatch) -> None:
    """After shelving, who acknowledged it before has it still."""
    patch.setattr(life, "_unacknowledged", lambda alert, act: alert)


def forgets_the_turns(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(pipeline, "turns", lambda scene, now_us: 0)


def holds_first_telling(patch: pytest.MonkeyPatch) -> None:
    def group(alert: Alert, scene: Scene, now_us: int) -> Stop | None:
        if pipeline.turns(scene, now_us) < 2 or now_us >= alert.raised_us + pipeline.STAYS_US:
            return None
        return Stop(again_us=alert.raised_us + pipeline.STAYS_US)

    patch.setattr(pipeline, "TELLING", (group, pipeline.wait, pipeline.deduplicate))


def shelves_what_got_worse(patch: pytest.MonkeyPatch) -> None:
    def shelve(alert: Alert, scene: Scene, now_us: int) -> Stop | None:
        shelf = scene.shelf
        if shelf is None or now_us >= shelf.until_us:
            return None
        return Stop(Held(How.SHELVED, shelf.because, shelf.until_us), shelf.until_us)

    patch.setattr(pipeline, "HOLDING", (pipeline.inhibit, pipeline.suppress, shelve))


def shelves_first(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(pipeline, "HOLDING", (pipeline.shelve, pipeline.inhibit, pipeline.suppress))


def tells_every_end(patch: pytest.MonkeyPatch) -> None:
    real = pipeline.deduplicate

    def deduplicate(alert: Alert, scene: Scene, now_us: int) -> Stop | None:
        return None if alert.state is AlertState.CLEARED_UNACKNOWLEDGED else real(alert, scene, now_us)

    patch.setattr(pipeline, "TELLING", (pipeline.group, pipeline.wait, deduplicate))


NEVER = 10**9 * US
MUTATIONS: dict[str, Patch] = {
    "what is never held is suppressed": having("ON_SITE", pipeline.ON_SITE | {"pump-stopped-open"}),
    "what is never held is out of service": having("NEVER_HELD", frozenset()),
    "what nobody at the site can mend is suppressed": having(
        "ON_SITE", pipeline.ON_SITE | {"gateway-refused"}
    ),
    "nobody has to react": having("REACT_US", NEVER),
    "a switch is never forgotten": having("LONGEST_HANDS_US", NEVER),
    "no inhibit": stages(pipeline.inhibit),
    "no suppress": stages(pipeline.suppress),
    "no shelve": stages(pipeline.shelve),
    "no group": stages(pipeline.group),
    "no wait": stages(pipeline.wait),
    "no deduplicate": stages(pipeline.deduplicate),
    "another order": shelves_first,
    "no turns": forgets_the_turns,
    "turns for ever": having("STAYS_US", NEVER),
    "every turn is two": having("CHATTER_TURNS", 1),
    "first telling held": holds_first_telling,
    "worse and shelved": shelves_what_got_worse,
    "silent ends": silent_ends,
    "every end": tells_every_end,
    "no timers": forgets_its_timers,
    "no news when it ends": tells_nobody_when_it_ends,
    "still taken": leaves_it_taken,
}


@pytest.mark.parametrize("name", list(MUTATIONS))
def test_each_mistake_is_noticed(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    MUTATIONS[name](monkeypatch)
    with pytest.raises(AssertionError):
        run_state_machine_as_test(Telling, settings=MUTANTS)

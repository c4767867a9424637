"""Ways of alerts on the real store: shelved, suppressed, out of service, chattering; two desks, one of them
killed."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import Any

import pytest

from desk.config import DeskConfig
from desk.core import pipeline
from desk.worker import alerting, gathering, passing
from desk.worker.passing import Outlets
from model.alert import Alert, AlertState, Answer, How
from model.channel import Kind, Tells
from model.clock import US, HandClock, to_datetime
from model.equipment import Position, Role
from model.errors import BadInput, Conflict, NotFound
from model.event import EventKind
from model.reading import Quantity
from store import alerts, channels, equipment, events, jobs, people, readings, shelving, timers
from store.audit import By
from store.channels import NewChannel
from store.database import Connection, connect
from store.events import NewEvent
from tests.desk.conftest import Running
from tests.desk.facts import NIGHT_US, all_alerts, outbox
from tests.waiting import wait_until

OUTLETS = Outlets((), "urn:test")
MINUTE = 60.0
HOUR = 3600.0


class Killed(Exception):
    """The process died here."""


@dataclass
class Desk:
    """A site with a desk that works when it is told to."""

    conn: Connection
    job_id: int
    ada: int
    clock: HandClock

    def tell(self, kind: EventKind, subject: str = "hold:a", **data: object) -> None:
        """Something happens, and the desk works."""
        site = jobs.by_id(self.conn, self.job_id).site_id
        with self.conn.transaction():
            new = NewEvent(kind, self.clock.us, "The hold of Rack B.", subject, site, self.job_id, dict(data))
            events.record(self.conn, [new], self.clock.us)
        self.work()

    def work(self, conn: Connection | None = None) -> None:
        """As the service does, until nothing is left."""
        conn = conn or self.conn
        for _ in range(5):
            gathering.work_off(conn, self.clock)
            passing.work_off(conn, self.clock, OUTLETS)
            alerting.work_off(conn, self.clock, OUTLETS)

    def later(self, seconds: float) -> None:
        self.clock.advance(seconds)
        self.work()

    def alert(self, kind: str | None = None) -> Alert:
        (found,) = [one for one in all_alerts(self.conn) if kind in (None, one.kind)]
        return found

    def said(self) -> list[tuple[str, str]]:
        """Kind and reason of everything that was told."""
        return [(row["body"]["data"]["kind"], row["reason"]) for row in outbox(self.conn)]

    def reasons(self) -> list[str]:
        return [reason for _, reason in self.said()]

    def history(self, alert: Alert) -> list[str]:
        return [entry.what for entry in alerts.history(self.conn, alert.id)]

    def shelve(self, seconds: float, reason: str = "Crew North is on its way") -> Alert:
        with self.conn.transaction():
            until_us = self.clock.us + round(seconds * US)
            done = shelving.shelve(self.conn, self.alert().id, self.ada, reason, until_us, self.clock.us)
        self.work()
        return done

    def instrument(self, name: str, role: Role = Role.GAUGE, gateway: str = "gw1") -> int:
        """An instrument that serves the job."""
        site = jobs.by_id(self.conn, self.job_id).site_id
        found = self.conn.execute("SELECT id FROM gateway WHERE name = %s", (gateway,)).fetchone()
        number = found["id"] if found else 0
        if not found:
            number = equipment.add_gateway(self.conn, gateway, site, to_datetime(NIGHT_US))[0].id
        made = equipment.add_instrument(self.conn, number, name, role, Position.CIRCUIT)
        jobs.assign(self.conn, self.job_id, made.id, NIGHT_US)
        return made.id

    def silent(self, instrument: int, name: str) -> None:
        """The judgement notes and tells that a gauge is silent in a running hold."""
        self.conn.execute(
            "INSERT INTO track (job_id, settings, head_at, goal_at, state_at, state, written_at, silent) "
            "VALUES (%s, '', now(), now(), now(), '', now(), ARRAY[%s]::int[]) "
            "ON CONFLICT (job_id) DO UPDATE SET silent = track.silent || excluded.silent",
            (self.job_id, instrument),
        )
        self.tell(EventKind.SERIES_SILENT, f"series:{instrument}", instrument=f"gw1/{name}", phase="hold")

    def back(self, instrument: int) -> None:
        self.conn.execute("UPDATE track SET silent = array_remove(silent, %s)", (instrument,))
        self.tell(EventKind.SERIES_BACK, f"series:{instrument}")

    def switch(self, instrument: int, on: bool) -> None:
        """The switch of the site reports, through the ingest's own writing."""
        rows = readings.in_order(
            _rows([(instrument, int(Quantity.HANDS), 1, self.clock.us, float(on), self.clock.us)])
        )
        with self.conn.transaction():
            readings.prepare(self.conn)
            readings.write(self.conn, rows)
        self.work()


def _rows(values: list[tuple[int, int, int, int, float, int]]) -> Any:
    import numpy as np

    return np.array(values, readings.ROW)


@pytest.fixture
def desk(conn: Connection, job_id: int) -> Desk:
    new = NewChannel(Kind.MAIL, "Dispatch", "desk@example.org", (Tells.ALERTS,), address="desk@example.org")
    channels.add(conn, None, new, By(to_datetime(NIGHT_US)))
    ada, _ = people.add(conn, "ada", "Ada Quill", "dispatcher", to_datetime(NIGHT_US))
    return Desk(conn, job_id, ada.id, HandClock(NIGHT_US + 60 * US))


# Shelved ------------------------------------------------------------------------------------------------


def test_shelved_alert_is_told_when_its_time_is_over_and_it_still_holds(desk: Desk) -> None:
    desk.tell(EventKind.HOLD_FAILED)
    assert alerts.acknowledge(desk.conn, desk.alert().id, desk.ada, "", desk.clock.us)
    shelved = desk.shelve(HOUR)
    assert shelved.held is not None
    assert (shelved.held.how, shelved.held.because) == (How.SHELVED, "Crew North is on its way")
    desk.later(HOUR - 1)
    assert (desk.reasons(), desk.alert().state) == (["raised"], AlertState.ACTIVE_ACKNOWLEDGED)
    desk.later(1)
    alert = desk.alert()
    assert (desk.reasons(), alert.state, alert.held) == (
        ["raised", "changed"], AlertState.ACTIVE_UNACKNOWLEDGED, None,
    )  # fmt: skip
    assert outbox(desk.conn)[-1]["body"]["data"]["because"] == "No longer shelved."
    assert desk.history(alert) == ["raised", "acknowledged", "shelved", "returned"]
    desk.later(24 * HOUR)
    assert len(outbox(desk.conn)) == 2


def test_shelving_ended_by_a_person_is_told_at_once(desk: Desk) -> None:
    desk.tell(EventKind.HOLD_FAILED)
    desk.shelve(HOUR)
    with desk.conn.transaction():
        shelving.unshelve(desk.conn, desk.alert().id, desk.ada, desk.clock.us)
    desk.work()
    assert desk.reasons() == ["raised", "changed"]
    assert desk.history(desk.alert()) == ["raised", "shelved", "unshelved", "returned"]
    with pytest.raises(Conflict):
        shelving.unshelve(desk.conn, desk.alert().id, desk.ada, desk.clock.us)


def test_what_comes_and_goes_while_shelved_is_told_to_nobody_but_its_end(desk: Desk) -> None:
    desk.tell(EventKind.HOLD_FAILED)
    desk.shelve(HOUR)
    desk.tell(EventKind.HOLD_REVISED, verdict="passed", because="late readings")
    assert desk.reasons() == ["raised", "cleared"]
    desk.tell(EventKind.HOLD_FAILED)
    assert desk.reasons() == ["raised", "cleared"]
    desk.later(HOUR)
    assert desk.reasons() == ["raised", "cleared", "raised-again"]


def test_shelf_goes_with_the_key_when_the_alert_was_over_in_between(desk: Desk) -> None:
    desk.tell(EventKind.HOLD_FAILED)
    desk.shelve(2 * HOUR)
    alerts.acknowledge(desk.conn, desk.alert().id, desk.ada, "", desk.clock.us)
    desk.tell(EventKind.HOLD_REVISED, verdict="passed", because="late readings")
    desk.later(HOUR)
    desk.tell(EventKind.HOLD_FAILED)
    first, second = all_alerts(desk.conn)
    assert (first.state, second.held and second.held.how) == (AlertState.NORMAL, How.SHELVED)
    assert desk.reasons() == ["raised", "cleared"]
    desk.later(HOUR)
    assert desk.reasons() == ["raised", "cleared", "raised"]


def test_what_becomes_more_urgent_than_what_was_shelved_is_told(desk: Desk) -> None:
    desk.tell(EventKind.HOLD_INCONCLUSIVE)
    desk.shelve(HOUR)
    desk.tell(EventKind.HOLD_REVISED, verdict="failed", because="late readings")
    assert (desk.reasons(), desk.alert().held) == (["raised", "changed"], None)


@pytest.mark.parametrize(
    ("seconds", "reason", "error"),
    [
        (HOUR, "  ", BadInput),
        (0.0, "Soon", BadInput),
        (24 * HOUR + 1, "On holiday", BadInput),
    ],
)
def test_shelving_needs_a_reason_and_an_end_within_a_day(
    desk: Desk, seconds: float, reason: str, error: type[Exception]
) -> None:
    desk.tell(EventKind.HOLD_FAILED)
    with pytest.raises(error):
        desk.shelve(seconds, reason)
    assert desk.alert().held is None


def test_pump_that_stopped_open_cannot_be_put_aside(desk: Desk) -> None:
    desk.tell(EventKind.PUMP_STOPPED, "pump:1")
    with pytest.raises(Conflict, match="never put aside"):
        desk.shelve(HOUR)


def test_what_is_over_cannot_be_shelved(desk: Desk) -> None:
    desk.tell(EventKind.HOLD_FAILED)
    desk.tell(EventKind.HOLD_REVISED, verdict="passed", because="late readings")
    with pytest.raises(Conflict):
        desk.shelve(HOUR)


# Suppressed ---------------------------------------------------------------------------------------------


def test_local_hands_suppress_what_is_for_somebody_at_the_site_and_nothing_else(desk: Desk) -> None:
    switch = desk.instrument("v1", Role.VALVE)
    desk.switch(switch, True)
    desk.tell(EventKind.HOLD_INCONCLUSIVE)
    desk.tell(EventKind.PUMP_STOPPED, "pump:1")
    desk.tell(EventKind.SERIES_PARKED, "job:1")
    assert desk.said() == [("pump-stopped-open", "raised"), ("series-parked", "raised")]
    held = desk.alert("hold-inconclusive").held
    assert held is not None
    assert (held.how, "local hands" in held.because) == (How.SUPPRESSED, True)
    desk.clock.advance(HOUR)
    desk.switch(switch, False)
    assert desk.said()[2:] == [("hold-inconclusive", "raised")]
    kinds = [event.kind for event in events.after(desk.conn, 0)]
    assert (kinds.count(EventKind.LOCAL_HANDS), kinds.count(EventKind.LOCAL_HANDS_OVER)) == (1, 1)


def test_urgent_fail_to_which_nobody_at_the_site_reacts_is_told_after_half_an_hour(desk: Desk) -> None:
    desk.switch(desk.instrument("v1", Role.VALVE), True)
    desk.later(HOUR)
    desk.tell(EventKind.HOLD_FAILED)
    desk.later(29 * MINUTE)
    assert desk.said() == []
    desk.later(MINUTE)
    assert desk.said() == [("hold-failed", "raised")]


def test_forgotten_switch_suppresses_nothing_after_twelve_hours(desk: Desk) -> None:
    desk.switch(desk.instrument("v1", Role.VALVE), True)
    desk.tell(EventKind.HOLD_INCONCLUSIVE)
    desk.later(12 * HOUR - 1)
    assert desk.said() == []
    desk.later(1)
    assert desk.said() == [("hold-inconclusive", "raised")]


def test_silent_gateway_is_one_alert_and_its_gauges_are_none(desk: Desk) -> None:
    gauges = {name: desk.instrument(name) for name in ("g1", "g2")}
    for name, number in gauges.items():
        desk.silent(number, name)
    desk.later(31)
    assert desk.said() == [("gateway-silent", "raised")]
    whole = desk.alert("gateway-silent")
    assert whole.key == "gateway:gw1/silent"
    children = [one for one in all_alerts(desk.conn) if one.kind == "series-silent"]
    assert [one.held and one.held.how for one in children] == [How.SUPPRESSED] * 2
    # The gateway is heard again, one of its gauges is not.
    desk.back(gauges["g1"])
    desk.later(MINUTE)
    assert desk.said()[1:] == [("gateway-silent", "cleared")]
    desk.later(5 * MINUTE)
    assert desk.said()[2:] == [("series-silent", "raised")]


def test_one_silent_gauge_of_a_gateway_that_is_heard_is_told_itself(desk: Desk) -> None:
    desk.instrument("g2")
    desk.silent(desk.instrument("g1"), "g1")
    assert desk.said() == []
    desk.later(30)
    assert desk.said() == [("series-silent", "raised")]


def test_last_will_that_comes_after_the_silence_makes_it_the_gateways(desk: Desk) -> None:
    desk.silent(desk.instrument("g1"), "g1")
    desk.later(31)
    desk.conn.execute(
        "INSERT INTO gateway_presence (gateway_id, online, session, arrived_at) "
        "SELECT id, false, 's', now() FROM gateway"
    )
    desk.later(MINUTE)
    assert desk.said() == [("series-silent", "raised"), ("gateway-silent", "raised")]
    desk.tell(EventKind.HOLD_PASSED)
    desk.later(MINUTE)
    assert ("gateway-silent", "cleared") in desk.said()


# Out of service -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["instrument", "gateway"])
def test_out_of_service_tells_nothing_until_it_is_put_back(desk: Desk, kind: str) -> None:
    gauge = desk.instrument("g1")
    row = desk.conn.execute("SELECT gateway_id FROM instrument").fetchone()
    assert row is not None
    number = gauge if kind == "instrument" else row["gateway_id"]
    with desk.conn.transaction():
        shelving.take_out(
            desk.conn, kind, number, "Being calibrated", By(to_datetime(desk.clock.us), desk.ada)
        )
    desk.silent(gauge, "g1")
    desk.later(10 * HOUR)
    assert desk.said() == []
    held = desk.alert().held
    assert held is not None
    assert (held.how, held.because) == (
        How.OUT_OF_SERVICE,
        f"This {kind} is out of service: Being calibrated",
    )
    with desk.conn.transaction():
        shelving.put_back(desk.conn, kind, number, By(to_datetime(desk.clock.us), desk.ada))
    desk.work()
    assert desk.said() == [("series-silent", "raised")]
    with pytest.raises(Conflict):
        shelving.put_back(desk.conn, kind, number, By(to_datetime(desk.clock.us), desk.ada))


# Chattering ---------------------------------------------------------------------------------------------


def test_chattering_alert_is_held_together_and_counted_and_told_when_it_stays(desk: Desk) -> None:
    for _ in range(6):
        desk.tell(EventKind.PUMP_STOPPED, "pump:1")
        desk.later(MINUTE)
        desk.tell(EventKind.PUMP_STOP_OVER, "pump:1")
        desk.later(MINUTE)
    assert desk.reasons() == ["raised", "cleared", "raised-again"]
    desk.tell(EventKind.PUMP_STOPPED, "pump:1")
    desk.later(9 * MINUTE)
    assert len(outbox(desk.conn)) == 3
    desk.later(MINUTE)
    assert (desk.reasons()[3:], desk.alert().turns) == (["changed"], 7)
    assert "raised 7 times" in outbox(desk.conn)[-1]["body"]["data"]["because"]
    desk.later(HOUR)
    assert len(outbox(desk.conn)) == 4


def test_chattering_alert_that_stays_over_is_told_to_be_over(desk: Desk) -> None:
    for _ in range(3):
        desk.tell(EventKind.PUMP_STOPPED, "pump:1")
        desk.tell(EventKind.PUMP_STOP_OVER, "pump:1")
        desk.later(MINUTE)
    alerts.acknowledge(desk.conn, desk.alert().id, desk.ada, "", desk.clock.us)
    desk.later(8 * MINUTE)
    assert desk.reasons() == ["raised", "cleared", "raised-again"]
    desk.later(MINUTE)
    assert desk.reasons()[3:] == ["cleared"]


def test_pump_that_stops_again_is_told_at_once_each_time_people_think_it_runs(desk: Desk) -> None:
    for _ in range(4):
        desk.tell(EventKind.PUMP_STOPPED, "pump:1")
        assert desk.said()[-1][1] != "cleared"
        desk.later(11 * MINUTE)
        desk.tell(EventKind.PUMP_STOP_OVER, "pump:1")
        desk.later(11 * MINUTE)


# Awaiting readings --------------------------------------------------------------------------------------


def test_awaiting_readings_is_no_alarm(desk: Desk) -> None:
    gauge = desk.instrument("g1")
    desk.tell(EventKind.HOLD_STARTED)
    desk.tell(EventKind.HOLD_AWAITING)
    desk.later(23 * HOUR)
    assert (all_alerts(desk.conn), desk.said(), gauge > 0) == ([], [], True)


# What people say of it ----------------------------------------------------------------------------------


def test_answer_is_kept_for_each_person_and_may_be_changed(desk: Desk) -> None:
    desk.tell(EventKind.HOLD_FAILED)
    number = desk.alert().id
    ben, _ = people.add(desk.conn, "ben", "Ben Aske", "dispatcher", to_datetime(NIGHT_US))
    shelving.judge(desk.conn, number, desk.ada, Answer.NO, "The rig leaked.", NIGHT_US)
    shelving.judge(desk.conn, number, ben.id, Answer.CANNOT_SAY, "", NIGHT_US + 1)
    shelving.judge(desk.conn, number, desk.ada, Answer.YES, "", NIGHT_US + 2)
    found = {row["person"]: (row["answer"], row["note"]) for row in shelving.opinions(desk.conn, number)}
    assert found == {"Ada Quill": ("yes", "The rig leaked."), "Ben Aske": ("cannot-say", "")}
    with pytest.raises(NotFound):
        shelving.judge(desk.conn, 999, desk.ada, Answer.YES, "", NIGHT_US)


# Two desks ----------------------------------------------------------------------------------------------


def fails(desk: Desk) -> None:
    with desk.conn.transaction():
        new = NewEvent(EventKind.HOLD_FAILED, desk.clock.us, "It failed.", "hold:a", None, desk.job_id)
        events.record(desk.conn, [new], desk.clock.us)


def chatters(desk: Desk) -> None:
    for _ in range(2):
        desk.tell(EventKind.PUMP_STOPPED, "pump:1")
        desk.tell(EventKind.PUMP_STOP_OVER, "pump:1")


def shelved(desk: Desk) -> None:
    desk.tell(EventKind.HOLD_FAILED)
    desk.shelve(HOUR)


def unshelved(desk: Desk) -> None:
    shelved(desk)
    with desk.conn.transaction():
        shelving.unshelve(desk.conn, desk.alert().id, desk.ada, desk.clock.us)


def cleared(desk: Desk) -> None:
    desk.tell(EventKind.HOLD_FAILED)
    with desk.conn.transaction():
        data: dict[str, object] = {"verdict": "passed", "because": "late readings"}
        new = NewEvent(EventKind.HOLD_REVISED, desk.clock.us, "It passed.", "hold:a", None, desk.job_id, data)
        events.record(desk.conn, [new], desk.clock.us)


def forgotten_hands(desk: Desk) -> None:
    desk.switch(desk.instrument("v1", Role.VALVE), True)
    desk.tell(EventKind.HOLD_FAILED)


def gauge_waits(desk: Desk) -> None:
    desk.instrument("g2")
    desk.silent(desk.instrument("g1"), "g1")


@dataclass(frozen=True)
class Transition:
    """How it comes about, after how long, and what is told then."""

    prepare: Callable[[Desk], None]
    seconds: float
    told: list[str]


TRANSITIONS = {
    "raised": Transition(fails, 0.0, ["raised"]),
    "cleared": Transition(cleared, 0.0, ["raised", "cleared"]),
    "shelving over by itself": Transition(shelved, HOUR, ["raised", "changed"]),
    "shelving ended by a person": Transition(unshelved, 0.0, ["raised", "changed"]),
    "suppression over by time": Transition(forgotten_hands, HOUR, ["raised"]),
    "chattering over": Transition(chatters, 11 * MINUTE, ["raised", "cleared", "raised-again", "cleared"]),
    "gauge waited": Transition(gauge_waits, MINUTE, ["raised"]),
}
STEPS = ("store.notifications.enqueue", "store.alerts._remember", "store.timers.take")


@contextmanager
def dying(monkeypatch: pytest.MonkeyPatch, step: str, after: bool) -> Iterator[None]:
    """Whoever comes to that step is killed there, before or after it."""
    module, name = step.rsplit(".", 1)
    real = getattr(__import__(module, fromlist=[name]), name)

    def die(*given: Any, **named: Any) -> None:
        if after:
            real(*given, **named)
        raise Killed

    with monkeypatch.context() as patch:
        patch.setattr(step, die)
        yield


@pytest.mark.parametrize("after", [False, True])
@pytest.mark.parametrize("step", STEPS)
@pytest.mark.parametrize("name", list(TRANSITIONS))
def test_desk_killed_at_a_step_of_a_transition_leaves_it_to_the_other_which_tells_it_once(
    database: str, desk: Desk, monkeypatch: pytest.MonkeyPatch, name: str, step: str, after: bool
) -> None:
    change = TRANSITIONS[name]
    change.prepare(desk)
    desk.clock.advance(change.seconds)
    before = outbox(desk.conn)
    with connect(database, application="killed", autocommit=True) as own, dying(monkeypatch, step, after):
        try:
            desk.work(own)
        except Killed:
            assert outbox(desk.conn) == before
    desk.work()
    assert desk.reasons() == change.told
    desk.work()
    assert desk.reasons() == change.told


def test_two_desks_at_work_tell_the_end_of_every_shelf_once(
    database: str, desk: Desk, running: Running
) -> None:
    for number in range(30):
        desk.tell(EventKind.HOLD_FAILED, f"hold:{number}")
    with desk.conn.transaction():
        for alert in all_alerts(desk.conn):
            shelving.shelve(desk.conn, alert.id, desk.ada, "For a minute", desk.clock.us + US, desk.clock.us)
    desk.work()
    # The clock of these desks is past the end of all shelves.
    first = DeskConfig(database, instance="first")
    desk.conn.execute("UPDATE timer SET due = due - interval '1 hour' WHERE kind = %s", (shelving.LOOK,))
    desk.conn.execute(
        "UPDATE alert_shelf SET since = since - interval '1 hour', until = until - interval '1 hour'"
    )
    with running(first), running(replace(first, instance="second")):
        wait_until(lambda: len(outbox(desk.conn)) >= 60, what="all told again")
        wait_until(lambda: timers.next_due_us(desk.conn, (shelving.LOOK,)) is None, what="no timer left")
    assert desk.reasons().count("changed") == 30
    assert all(desk.history(alert)[-1] == "returned" for alert in all_alerts(desk.conn))


def test_two_looks_at_one_alert_wait_for_each_other(database: str, desk: Desk) -> None:
    desk.tell(EventKind.HOLD_FAILED)
    desk.shelve(HOUR)
    desk.clock.advance(HOUR)
    with connect(database, application="other", autocommit=True) as other, other.transaction():
        passing.work_off(other, desk.clock, OUTLETS)
        desk.conn.execute("SET lock_timeout = '200ms'")
        with pytest.raises(Exception, match="lock timeout"):
            passing.work_off(desk.conn, desk.clock, OUTLETS)
    desk.conn.execute("SET lock_timeout = 0")
    desk.work()
    assert desk.reasons() == ["raised", "changed"]


def test_numbers_of_the_handbook_are_those_of_the_program() -> None:
    minutes = {
        "react": pipeline.REACT_US,
        "hands": pipeline.LONGEST_HANDS_US,
        "chatter": pipeline.CHATTER_US,
        "stays": pipeline.STAYS_US,
        "settle": pipeline.SETTLE_US,
        "shelf": shelving.LONGEST_US,
    }
    assert {name: us // (60 * US) for name, us in minutes.items()} == {
        "react": 30, "hands": 720, "chatter": 30, "stays": 10, "settle": 5, "shelf": 1440,
    }  # fmt: skip

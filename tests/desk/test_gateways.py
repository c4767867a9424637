"""Gateways in trouble: each one alert while it lasts, and an end."""

from __future__ import annotations

from dataclasses import replace

import pytest

from api.letters import SUBJECTS, Writer
from desk.core import gateways
from desk.core.gateways import LOOK_US, QUIET_US, SURE_US
from desk.core.rules import RULES, Raising
from desk.worker import alerting
from desk.worker import gateways as work
from desk.worker.passing import Outlets
from model.alert import Alert, AlertState, Priority
from model.channel import Channel, Kind, Tells
from model.clock import US, HandClock, ReplayClock, SystemClock, to_datetime
from model.event import EventKind
from model.refusing import Episode
from model.skew import Clock as Seen
from store import channels, clocks, equipment, events, refusing, timers
from store.audit import By
from store.channels import NewChannel
from store.clocks import Lag
from store.database import Connection
from store.refusing import Refused
from tests.desk.facts import NIGHT_US, all_alerts, outbox

NAME = "gw-7"
WHY = "The gateway gw-7 has no instrument g9."
EPISODE = Episode(NAME, 1, 2, NIGHT_US, NIGHT_US, 1, 0, "unknown-instrument", WHY)
SEEN = Seen(1, NAME, 2, 42.0, NIGHT_US, None, revoked=False)


# Pure -------------------------------------------------------------------------------------------------


def test_the_first_refused_message_is_told_with_its_reason() -> None:
    look = gateways.refused(EPISODE, NIGHT_US)
    assert (look.tell, look.text) == (
        EventKind.GATEWAY_REFUSED,
        f"Gateway gw-7: 1 message refused. Why: {WHY}",
    )
    assert look.again_us == NIGHT_US + LOOK_US


def test_more_is_told_when_it_is_ten_times_as_much_and_not_before() -> None:
    told = replace(EPISODE, told=3)
    assert gateways.refused(replace(told, messages=29), NIGHT_US).tell is None
    look = gateways.refused(replace(told, messages=30), NIGHT_US)
    assert look.tell is EventKind.GATEWAY_REFUSED
    assert "30 messages refused" in look.text


def test_a_limit_that_is_passed_is_told_once() -> None:
    beyond = replace(EPISODE, told=1000, messages=1200, beyond=200)
    look = gateways.refused(beyond, NIGHT_US)
    assert look.tell is EventKind.GATEWAY_OVER_LIMIT
    assert "1,200 messages, 200 of them only counted or laid aside unread" in look.text
    assert gateways.refused(replace(beyond, told_beyond=True), NIGHT_US).tell is None


def test_it_is_over_when_it_has_been_quiet_and_what_nobody_was_told_is_told_first() -> None:
    told = replace(EPISODE, told=1)
    last = NIGHT_US + QUIET_US - 1
    assert gateways.refused(told, last) == gateways.Look(None, "", NIGHT_US + QUIET_US)
    over = gateways.refused(told, NIGHT_US + QUIET_US)
    assert (over.tell, over.again_us) == (EventKind.GATEWAY_REFUSED_NO_MORE, None)
    assert gateways.refused(EPISODE, NIGHT_US + QUIET_US).tell is EventKind.GATEWAY_REFUSED


def test_names_that_are_not_registered_are_told_of_together() -> None:
    look = gateways.refused(replace(EPISODE, gateway="", gateway_id=None, messages=12), NIGHT_US)
    assert look.text.startswith("In the name of gateways that are not registered, 12 messages came")


@pytest.mark.parametrize(
    ("ahead_s", "after_us", "told"),
    [
        (9.9, SURE_US, False),
        (10.1, 0, True),
        (301.0, 0, True),
        (-299.0, SURE_US, False),
        (-301.0, 0, False),
        (-301.0, SURE_US, True),
        (None, SURE_US, False),
    ],
)
def test_ahead_is_told_at_once_and_behind_when_it_stays_so(
    ahead_s: float | None, after_us: int, told: bool
) -> None:
    look = gateways.clock(replace(SEEN, ahead_s=ahead_s), NIGHT_US + after_us, stretched=False)
    assert (look.tell is EventKind.CLOCK_WRONG) == told


def test_behind_a_clock_that_runs_fast_nothing_is_said_to_be_behind() -> None:
    behind = replace(SEEN, ahead_s=-900.0)
    look = gateways.clock(behind, NIGHT_US + SURE_US, stretched=True)
    assert (look.tell, look.again_us) == (None, NIGHT_US + SURE_US + LOOK_US)
    assert gateways.clock(SEEN, NIGHT_US, stretched=True).tell is EventKind.CLOCK_WRONG


def test_a_clock_on_the_bound_is_told_once() -> None:
    told = replace(SEEN, told_s=10.1)
    assert gateways.clock(replace(told, ahead_s=9.9), NIGHT_US, stretched=False).tell is None
    assert gateways.clock(replace(told, ahead_s=4.9), NIGHT_US, stretched=False).tell is EventKind.CLOCK_RIGHT


def test_a_clock_is_told_again_when_its_readings_begin_to_be_refused() -> None:
    told = replace(SEEN, told_s=299.0, ahead_s=301.0)
    assert gateways.clock(told, NIGHT_US, stretched=False).tell is EventKind.CLOCK_WRONG
    assert gateways.clock(replace(told, told_s=301.0, ahead_s=299.0), NIGHT_US, stretched=False).tell is None


def test_a_revoked_gateway_ends_it() -> None:
    gone = replace(SEEN, told_s=42.0, revoked=True)
    look = gateways.clock(gone, NIGHT_US, stretched=False)
    assert (look.tell, look.again_us) == (EventKind.CLOCK_RIGHT, None)
    assert gateways.clock(replace(gone, told_s=None), NIGHT_US, stretched=False).tell is None


def test_a_message_about_a_gateway_says_what_to_do_and_nothing_of_pumps(
    conn: Connection, gateway: int, dispatch: Channel
) -> None:
    refuse(conn, NIGHT_US)
    look(conn, NIGHT_US)
    (row,) = outbox(conn)
    letter = Writer("https://holdfast.example.org", HandClock(NIGHT_US))(
        conn, dispatch, "raised", row["body"]
    )
    assert letter.subject == "Saltmarsh cold store, messages of a gateway refused: see why"
    assert WHY in letter.text
    assert "have the messages read again" in letter.text
    assert "https://holdfast.example.org/alerts" in letter.text
    assert "pump" not in letter.text


def test_every_kind_of_alert_has_a_subject_for_its_messages() -> None:
    raising = {rule.do.kind for rule in RULES if isinstance(rule.do, Raising)}
    assert SUBJECTS.keys() == raising | {"event-not-understood"}


# On the store -----------------------------------------------------------------------------------------


@pytest.fixture
def dispatch(conn: Connection) -> Channel:
    """Where the company is told."""
    new = NewChannel(Kind.MAIL, "Dispatch", "desk@example.org", (Tells.ALERTS,), address="desk@example.org")
    return channels.add(conn, None, new, By(to_datetime(NIGHT_US)))


@pytest.fixture
def gateway(conn: Connection, dispatch: Channel) -> int:
    site = equipment.add_site(conn, "Saltmarsh cold store", "Europe/London")
    return equipment.add_gateway(conn, NAME, site.id, to_datetime(NIGHT_US))[0].id


def refuse(conn: Connection, at_us: int, messages: int = 1, beyond: int = 0, name: str = NAME) -> None:
    """As an ingest process notes it."""
    with conn.transaction():
        new = Refused(at_us, at_us, messages, beyond, "unknown-instrument", WHY)
        refusing.note(conn, {name: new}, at_us)


def look(conn: Connection, at_us: int) -> list[Alert]:
    """What the desk makes of it then."""
    work.work_off(conn, HandClock(at_us))
    alerting.work_off(conn, HandClock(at_us), Outlets((), "urn:test"))
    return all_alerts(conn)


def test_a_gateway_that_is_refused_is_one_alert_until_it_has_been_quiet(
    conn: Connection, gateway: int
) -> None:
    refuse(conn, NIGHT_US)
    (alert,) = look(conn, NIGHT_US)
    assert (alert.key, alert.kind, alert.priority) == (
        "gateway:gw-7/refused", "gateway-refused", Priority.MEDIUM,
    )  # fmt: skip
    assert (alert.site_id, alert.job_id, alert.happened_us) == (1, None, NIGHT_US)
    # Two processes, 10,000 a second for a minute: no more alerts, and two more events.
    for second in range(0, 60, 2):
        refuse(conn, NIGHT_US + second * US, 10_000, 9_900)
        refuse(conn, NIGHT_US + second * US, 10_000, 9_900)
        look(conn, NIGHT_US + second * US)
    (alert,) = look(conn, NIGHT_US + LOOK_US + 2 * US)
    assert (alert.kind, alert.priority, alert.count) == ("gateway-over-limit", Priority.HIGH, 3)
    assert "600,001 messages" in alert.text
    assert len(events.after(conn, 0)) == 3
    assert len(outbox(conn)) == 2  # raised, and more urgent than before
    (alert,) = look(conn, NIGHT_US + 58 * US + QUIET_US)
    assert alert.state is AlertState.CLEARED_UNACKNOWLEDGED
    assert alert.text.endswith("Cleared: nothing was refused for half an hour.")
    assert timers.next_due_us(conn, work.KINDS) is None
    # Again before anybody has taken it: the same alert.
    refuse(conn, NIGHT_US + 3 * QUIET_US)
    (alert,) = look(conn, NIGHT_US + 3 * QUIET_US)
    assert (alert.state, alert.kind, alert.count) == (
        AlertState.ACTIVE_UNACKNOWLEDGED, "gateway-refused", 4,
    )  # fmt: skip


def test_a_flood_that_goes_on_does_not_end(conn: Connection, gateway: int) -> None:
    for minute in range(60):
        refuse(conn, NIGHT_US + minute * 60 * US)
        (alert,) = look(conn, NIGHT_US + minute * 60 * US)
    assert alert.state is AlertState.ACTIVE_UNACKNOWLEDGED
    assert len(outbox(conn)) == 1


def test_strangers_are_one_alert_that_leads_to_the_refused_messages(conn: Connection) -> None:
    refuse(conn, NIGHT_US, 300, name="")
    (alert,) = look(conn, NIGHT_US)
    assert (alert.key, alert.site_id) == ("gateway:-/refused", None)
    assert alert.action.startswith("See the names on the page of refused messages")


def test_a_clock_is_told_until_it_is_right(conn: Connection, gateway: int) -> None:
    def note(ahead_s: float, at_us: int) -> None:
        with conn.transaction():
            clocks.note(conn, {NAME: Lag(round(-ahead_s * US), 5, at_us)})

    note(9.0, NIGHT_US)
    assert look(conn, NIGHT_US) == []
    for second in range(0, 60, 5):
        note(42.0, NIGHT_US + second * US)
        look(conn, NIGHT_US + second * US)
    (alert,) = look(conn, NIGHT_US + 60 * US)
    assert (alert.key, alert.kind, alert.priority, alert.count) == (
        "gateway:gw-7/clock", "clock-wrong", Priority.MEDIUM, 1,
    )  # fmt: skip
    assert alert.text.startswith("The clock of gateway gw-7 is 42 s or more ahead of ours")
    note(400.0, NIGHT_US + 70 * US)
    (alert,) = look(conn, NIGHT_US + 130 * US)
    assert (alert.priority, alert.state) == (Priority.HIGH, AlertState.ACTIVE_UNACKNOWLEDGED)
    # Set right: known when two windows have passed.
    for minute in range(3, 30):
        note(-0.2, NIGHT_US + minute * 60 * US)
        (alert,) = look(conn, NIGHT_US + minute * 60 * US)
    assert alert.state is AlertState.CLEARED_UNACKNOWLEDGED
    assert timers.next_due_us(conn, work.KINDS) is None


def test_a_clock_that_stays_behind_is_told_after_ten_minutes(conn: Connection, gateway: int) -> None:
    told: list[int] = []
    for second in range(0, 900, 5):
        with conn.transaction():
            clocks.note(conn, {NAME: Lag(400 * US, 1, NIGHT_US + second * US)})
        if look(conn, NIGHT_US + second * US):
            told.append(second)
    # Suspected with the fifth pack, looked at every minute.
    assert 600 <= told[0] <= 690
    (alert,) = all_alerts(conn)
    assert (alert.kind, alert.priority, alert.count) == ("clock-wrong", Priority.MEDIUM, 1)
    assert alert.text.startswith("The clock of gateway gw-7 is up to 7 min behind ours")


def test_after_an_outage_nobodys_clock_is_said_to_be_behind(conn: Connection, gateway: int) -> None:
    """Ten minutes of packs come at once, then fresh ones."""
    with conn.transaction():
        clocks.note(conn, {NAME: Lag(600 * US, 50, NIGHT_US)})
    assert look(conn, NIGHT_US) == []
    for second in range(5, 1800, 5):
        with conn.transaction():
            clocks.note(conn, {NAME: Lag(US // 5, 1, NIGHT_US + second * US)})
        assert look(conn, NIGHT_US + second * US) == []
    assert timers.next_due_us(conn, work.KINDS) is None


def test_a_desk_whose_clock_runs_fast_says_of_no_clock_that_it_is_behind(
    conn: Connection, gateway: int
) -> None:
    wall_us = SystemClock().now_us()
    fast = ReplayClock(wall_us, wall_us - 86_400 * US, 10.0)
    now_us = fast.now_us()
    with conn.transaction():
        clocks.note(conn, {NAME: Lag(900 * US, 5, now_us - SURE_US)})
    assert work.work_off(conn, fast) == 1
    assert events.after(conn, 0) == []
    assert [alert.kind for alert in look(conn, fast.now_us() + LOOK_US)] == ["clock-wrong"]

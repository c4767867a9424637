"""The morning comes once a day, by its timer, whatever happens to the desk."""

from __future__ import annotations

import signal
import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, datetime, time

import pytest
from psycopg import Rollback

from desk.worker import mornings as worker
from model.channel import Kind, Tells
from model.clock import HandClock, ReplayClock, to_us
from store import access, channels, mornings, people
from store.audit import By
from store.channels import NewChannel
from store.database import Connection
from tests.desk.facts import outbox
from tests.desk.mailbox import Mailbox, part
from tests.waiting import wait_until

EVENING = datetime(2026, 3, 28, 19, 0, tzinfo=UTC)
MORNING = datetime(2026, 3, 29, 5, 30, tzinfo=UTC)
"""06:30 in London, on the day on which clocks there go forward."""
LEE = "lee@example.org"


@pytest.fixture
def clock() -> HandClock:
    return HandClock(to_us(EVENING))


def at(clock: HandClock, moment: datetime) -> None:
    clock.us = to_us(moment)


def subscribe(conn: Connection, address: str, person_id: int | None) -> int:
    new = NewChannel(Kind.MAIL, address, address, (Tells.MORNINGS,), address=address)
    return channels.add(conn, person_id, new, By(EVENING)).id


@pytest.fixture
def lee(conn: Connection, job_id: int) -> int:
    """Somebody who wants the mornings; the only site is in London."""
    person = people.register(conn, "lee", "Lee Okafor", "technician", EVENING, None)
    subscribe(conn, LEE, person.id)
    return person.id


def days(conn: Connection) -> list[tuple[int, str]]:
    return [(row["channel_id"], row["body"]["day"]) for row in outbox(conn)]


def test_it_comes_at_its_time_to_who_asked_for_it_and_once(
    conn: Connection, lee: int, clock: HandClock
) -> None:
    other = people.register(conn, "ada", "Ada Brun", "technician", EVENING, None)
    new = NewChannel(Kind.MAIL, "x", "ada@example.org", (Tells.PLANS,), address="ada@example.org")
    channels.add(conn, other.id, new, By(EVENING))
    desk = subscribe(conn, "desk@example.org", None)
    worker.begin(conn, clock)
    at(clock, MORNING.replace(minute=29))
    assert worker.work_off(conn, clock) == 0
    at(clock, MORNING)
    assert worker.work_off(conn, clock) == 2
    assert worker.work_off(conn, clock) == 0
    assert days(conn) == [(1, "2026-03-29"), (desk, "2026-03-29")]


def test_each_day_has_its_own_through_the_change_of_the_clocks(
    conn: Connection, lee: int, clock: HandClock
) -> None:
    worker.begin(conn, clock)
    for moment in (MORNING, MORNING.replace(day=30), MORNING.replace(day=31)):
        at(clock, moment)
        assert worker.work_off(conn, clock) == 1
    assert [day for _, day in days(conn)] == ["2026-03-29", "2026-03-30", "2026-03-31"]


def test_a_desk_that_was_away_tells_it_late_and_after_half_a_day_no_more(
    conn: Connection, lee: int, clock: HandClock
) -> None:
    worker.begin(conn, clock)
    at(clock, MORNING.replace(hour=9))
    worker.begin(conn, clock)
    assert worker.work_off(conn, clock) == 1
    at(clock, MORNING.replace(day=30, hour=18))
    assert worker.work_off(conn, clock) == 0
    at(clock, MORNING.replace(day=31))
    assert worker.work_off(conn, clock) == 1
    assert [day for _, day in days(conn)] == ["2026-03-29", "2026-03-31"]


def test_who_is_kept_out_is_told_nothing(conn: Connection, lee: int, clock: HandClock) -> None:
    worker.begin(conn, clock)
    access.disable(conn, lee, EVENING, None)
    at(clock, MORNING)
    assert worker.work_off(conn, clock) == 0


def test_the_companys_time_zone_counts_where_one_is_chosen(
    conn: Connection, lee: int, clock: HandClock
) -> None:
    mornings.choose(conn, time(7, 0), "Asia/Tokyo", By(EVENING))
    worker.begin(conn, clock)
    at(clock, datetime(2026, 3, 28, 22, 0, tzinfo=UTC))
    assert worker.work_off(conn, clock) == 1
    assert days(conn) == [(1, "2026-03-29")]


def test_a_transaction_that_breaks_leaves_it_to_come(conn: Connection, lee: int, clock: HandClock) -> None:
    worker.begin(conn, clock)
    at(clock, MORNING)

    with conn.transaction() as broken:
        assert worker.work_off(conn, clock) == 1
        raise Rollback(broken)
    assert outbox(conn) == []
    assert worker.work_off(conn, clock) == 1


DESK = """
import sys, threading
from api.letters import Writer
from desk.config import DeskConfig, MailServer
from desk.worker.service import run
from model.clock import ReplayClock
clock = ReplayClock.parse(sys.argv[3])
mail = MailServer("127.0.0.1", int(sys.argv[2]), "off", "Holdfast <holdfast@example.org>")
run(DeskConfig(sys.argv[1], write=Writer("", clock), mail=mail, backoff_s=0.05), clock, threading.Event())
"""


@pytest.fixture
def mailbox() -> Iterator[Mailbox]:
    with Mailbox() as server:
        yield server


def test_two_desks_one_of_them_killed_again_and_again_tell_each_morning(
    database: str, conn: Connection, lee: int, mailbox: Mailbox
) -> None:
    # A day lasts eight seconds.
    real_us = to_us(datetime.now(UTC))
    replay = ReplayClock(real_us, to_us(EVENING), 10_800.0).text()

    def begin() -> subprocess.Popen[bytes]:
        return subprocess.Popen([sys.executable, "-c", DESK, database, str(mailbox.port), replay])

    def came() -> list[str]:
        return [str(mail["Message-ID"]) for mail in mailbox.to(LEE)]

    desks, kills = [begin(), begin()], 0
    try:
        for wanted in range(1, 4):
            wait_until(lambda: len(set(came())) >= wanted, 60, f"morning {wanted}")  # noqa: B023
            killed = desks.pop(0)
            killed.send_signal(signal.SIGKILL)
            killed.wait()
            kills += 1
            desks.append(begin())
    finally:
        for desk in desks:
            desk.kill()
            desk.wait()
    told = came()
    assert len(told) - len(set(told)) <= kills, "once more for each that was killed before it was noted"
    days_told = [row["body"]["day"] for row in outbox(conn)]
    assert len(set(days_told)) == len(days_told) >= 3
    assert "No hold ran this night" in part(mailbox.to(LEE)[0], "plain")
    assert mailbox.to(LEE)[0]["Subject"] == "Holds of the night: none"

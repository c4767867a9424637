"""Logins against what takes them away at the same moment, on connections of their own."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import psycopg
import pytest

from store import access, links, people, sessions
from store.database import Connection, connect
from store.people import Person
from tests.waiting import wait_until

AT = datetime(2026, 11, 23, 18, 0, tzinfo=UTC)
OLD, NEW = "the-old-password", "the-new-password"


@pytest.fixture
def nina(database: str) -> Person:
    with connect(database, application="test") as conn:
        people.add(conn, "boss", "Boss", "administrator", AT, OLD)
        return people.add(conn, "nina", "Nina Holt", "technician", AT, OLD)[0]


def new_password(conn: Connection, nina: Person) -> None:
    people.set_password(conn, nina, NEW, AT)
    sessions.end_all(conn, nina.id, AT, nina.id)


def disabled_for_a_while(conn: Connection, nina: Person) -> None:
    access.disable(conn, nina.id, AT, None)
    access.enable(conn, nina.id, AT, None)


def waits_for_a_lock(conn: Connection, application: str) -> bool:
    row = conn.execute(
        "SELECT count(*) AS n FROM pg_stat_activity WHERE wait_event_type = 'Lock' AND application_name = %s "
        "AND datname = current_database()",
        (f"holdfast-{application}",),
    ).fetchone()
    return bool(row and row["n"])


@pytest.mark.parametrize("act", [new_password, disabled_for_a_while])
def test_a_login_with_the_old_password_does_not_outlive_it(
    database: str, nina: Person, act: Callable[[Connection, Person], None]
) -> None:
    done = threading.Event()

    def take_away() -> None:
        with connect(database, application="other") as other:
            act(other, nina)
        done.set()

    with connect(database, application="watch", autocommit=True) as watch:
        with connect(database, application="login") as conn:
            person = people.check_password(conn, "nina", OLD)
            assert person == nina
            thread = threading.Thread(target=take_away)
            thread.start()
            wait_until(
                lambda: done.is_set() or waits_for_a_lock(watch, "other"), what="the other to wait or be done"
            )
            token = sessions.begin(conn, nina.id, AT, AT + timedelta(days=1))
        thread.join(20)
        assert done.is_set()
        assert sessions.whose(watch, token, AT) is None


def test_a_link_used_while_another_is_made_ends_in_one_of_two_ways(database: str, nina: Person) -> None:
    with connect(database, application="test") as conn:
        made = links.make(conn, nina.id, AT, None)
    trouble: list[psycopg.Error] = []

    def use() -> None:
        try:
            with connect(database, application="use") as other:
                links.use(other, made.token, NEW, AT)
        except psycopg.Error as error:
            trouble.append(error)

    with connect(database, application="watch", autocommit=True) as watch:
        with connect(database, application="make") as conn:
            conn.execute("SELECT FROM person WHERE id = %s FOR UPDATE", (nina.id,))
            thread = threading.Thread(target=use)
            thread.start()
            wait_until(lambda: waits_for_a_lock(watch, "use"), what="who uses the link to wait")
            # What `links.make` does next; it must not wait for who waits for us.
            links.withdraw(conn, nina.id, AT, None)
            conn.rollback()
        thread.join(20)
    assert trouble == []

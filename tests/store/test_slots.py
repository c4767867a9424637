"""Slots: leased to one at a time, by the database's time."""

from __future__ import annotations

import threading
from collections.abc import Iterator

import psycopg
import pytest

from store import slots
from store.database import Connection, connect
from store.slots import Kind, Lost


@pytest.fixture
def conn(database: str) -> Iterator[Connection]:
    with connect(database, application="test", autocommit=True) as made:
        yield made


def expire(conn: Connection, session: str) -> None:
    conn.execute("UPDATE ingest_slot SET leased_until = clock_timestamp() WHERE session = %s", (session,))


def state(conn: Connection, session: str) -> tuple[str, str]:
    row = conn.execute("SELECT state, holder FROM ingest_slot WHERE session = %s", (session,)).fetchone()
    assert row is not None
    return row["state"], row["holder"]


def test_each_gets_a_slot_of_its_own_and_an_abandoned_one_first(conn: Connection) -> None:
    assert [slots.take_share(conn, "hf", holder) for holder in "abc"] == ["hf-1", "hf-2", "hf-3"]
    expire(conn, "hf-2")
    assert slots.take_share(conn, "hf", "d") == "hf-2"
    assert not slots.renew(conn, "hf-2", "b")
    assert slots.renew(conn, "hf-2", "d")


def test_many_at_once_get_different_slots(database: str) -> None:
    got: list[str] = []

    def take(holder: str) -> None:
        with connect(database, application="test", autocommit=True) as mine:
            got.append(slots.take_share(mine, "hf", holder))

    threads = [threading.Thread(target=take, args=(f"h{n}",)) for n in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(got) == [f"hf-{n}" for n in range(1, 9)]


def test_a_slot_whose_holder_is_writing_is_taken_only_after_that(database: str, conn: Connection) -> None:
    slots.take_share(conn, "hf", "a")
    with connect(database, application="test") as writer:
        slots.fence(writer, "hf-1", "a")
        expire(conn, "hf-1")
        assert slots.take_abandoned(conn, "hf", [Kind.SHARE], "b") is None
        assert slots.renew(conn, "hf-1", "a"), "its own renewals are not held up"
        expire(conn, "hf-1")
        writer.commit()
        assert slots.take_abandoned(conn, "hf", [Kind.SHARE], "b") == ("hf-1", Kind.SHARE)
        with pytest.raises(Lost):
            slots.fence(writer, "hf-1", "a")


def test_nothing_is_written_under_a_lease_that_is_over(conn: Connection) -> None:
    slots.take_share(conn, "hf", "a")
    expire(conn, "hf-1")
    with pytest.raises(Lost):
        slots.fence(conn, "hf-1", "a")
    assert slots.renew(conn, "hf-1", "a"), "nobody took it, so it may come back"
    slots.fence(conn, "hf-1", "a")


def test_the_last_one_that_serves_may_not_leave(conn: Connection) -> None:
    for holder in "ab":
        session = slots.take_share(conn, "hf", holder)
        slots.renew(conn, session, holder, serving=True)
    assert slots.may_leave(conn, "hf-2", "b")
    assert not slots.may_leave(conn, "hf-1", "a"), "the other one is leaving"


def test_one_that_has_not_subscribed_yet_keeps_nobody_from_staying(conn: Connection) -> None:
    slots.take_share(conn, "hf", "a")
    slots.renew(conn, "hf-1", "a", serving=True)
    slots.take_share(conn, "hf", "b")
    assert not slots.may_leave(conn, "hf-1", "a")


def test_a_slot_that_ended_is_free_again_and_looked_at_again_when_asked_for(conn: Connection) -> None:
    slots.take_share(conn, "hf", "a")
    slots.retire(conn, "hf-1", "a")
    assert state(conn, "hf-1")[0] == "gone"
    assert slots.take_abandoned(conn, "hf", [Kind.SHARE], "b") is None
    slots.look_again(conn)
    assert slots.take_abandoned(conn, "hf", [Kind.SHARE], "b") == ("hf-1", Kind.SHARE)
    slots.retire(conn, "hf-1", "b")
    assert slots.take_share(conn, "hf", "c") == "hf-1"


def test_of_presence_and_outcomes_there_is_one_slot(conn: Connection) -> None:
    assert slots.take(conn, "hf-one", Kind.WORD, "a")
    assert not slots.take(conn, "hf-one", Kind.WORD, "b")
    slots.release(conn, "hf-one", "a")
    assert slots.take(conn, "hf-one", Kind.WORD, "b")


def test_the_session_of_a_release_before_slots_counts_as_left_behind(conn: Connection) -> None:
    assert slots.take_abandoned(conn, "holdfast-ingest", [Kind.ALONE], "a") == ("holdfast-ingest", Kind.ALONE)
    slots.hold_alone(conn, "holdfast-ingest", "b")
    assert slots.take_abandoned(conn, "holdfast-ingest", [Kind.ALONE], "a") is None
    with pytest.raises(psycopg.errors.CheckViolation):
        conn.execute("UPDATE ingest_slot SET state = 'lost'")


def test_shares_that_are_served_are_counted(conn: Connection) -> None:
    assert slots.sharing(conn, "hf-") == 0
    for holder in "ab":
        session = slots.take_share(conn, "hf", holder)
        slots.renew(conn, session, holder, serving=True)
    slots.take_share(conn, "hf", "c")  # not served yet
    slots.take(conn, "hf-one", Kind.WORD, "a")
    slots.renew(conn, "hf-one", "a", serving=True)
    slots.take_share(conn, "another", "d")
    slots.renew(conn, "another-1", "d", serving=True)
    assert slots.sharing(conn, "hf-") == 2
    expire(conn, "hf-2")
    assert slots.sharing(conn, "hf-") == 1

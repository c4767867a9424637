"""While a batch of large packs is with the database the next one is read; order and promise stay."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager

import pytest

from ingest.config import BrokerConfig, IngestConfig
from ingest.inbox import Inbox, Message
from ingest.receipts import Receipt
from ingest.refusing import Refusing
from ingest.registry import Registry
from ingest.space import Space
from ingest.writer import AHEAD_READINGS, Writer
from model.clock import HandClock
from store.database import connect
from store.measures import Measures
from tests.ingest.helpers import NOW_S, NOW_US, payload, pressure, register
from tests.waiting import wait_until


class Heard:
    """What a broker would hear of the writer."""

    def __init__(self) -> None:
        self.mids: list[int] = []

    def acknowledge(self, messages: Sequence[Message]) -> None:
        self.mids += [message.mid for message in messages]

    def publish(self, receipts: Sequence[Receipt]) -> None:
        """Receipts are told elsewhere."""


def message(seq: int) -> Message:
    records = [pressure(float(seq), NOW_S - 10 * seq - n) for n in range(AHEAD_READINGS)]
    return Message("hf/1/gw1/g1/data", payload(*records, seq=seq), NOW_US, 1, seq)


def writer_of(dsn: str, registry: Registry, inbox: Inbox, heard: Heard) -> Writer:
    config, space = IngestConfig(dsn, BrokerConfig("-", 1)), Space(10**6)
    clock, refusing = HandClock(NOW_US), Refusing(registry)
    return Writer("live", config, inbox, heard, registry, space, 0.0, Measures(), clock, refusing)


@contextmanager
def writing(dsn: str) -> Iterator[tuple[Writer, Inbox, Heard]]:
    """A writer at work, with the equipment as it is registered."""
    register(dsn)
    inbox, heard, registry = Inbox(10**6), Heard(), Registry()
    with connect(dsn, application="test", autocommit=True) as conn:
        registry.reload(conn)
    writer = writer_of(dsn, registry, inbox, heard)
    writer.start()
    try:
        yield writer, inbox, heard
    finally:
        writer.stop()
        writer.join(5)
    assert not writer.is_alive()


def test_next_batch_is_read_while_one_waits_for_the_database(database: str) -> None:
    register(database)
    inbox, heard, registry = Inbox(10**6), Heard(), Registry()
    with connect(database, application="test") as other:
        registry.reload(other)
        other.commit()
        writer = writer_of(database, registry, inbox, heard)
        other.execute("LOCK TABLE reading IN ACCESS EXCLUSIVE MODE")
        writer.start()
        try:
            inbox.put(message(1))
            with connect(database, application="watch", autocommit=True) as watch:
                wait_until(
                    lambda: watch.execute("SELECT 1 FROM pg_locks WHERE NOT granted").fetchone(),
                    what="the first batch to wait for the lock",
                )
            inbox.put(message(2))
            wait_until(lambda: not len(inbox), what="the second to be read")
            assert heard.mids == []
            other.rollback()
            wait_until(lambda: heard.mids == [1, 2], what="both to be acknowledged, in order")
            assert other.execute("SELECT count(*) AS n FROM reading").fetchone() == {"n": 2 * AHEAD_READINGS}
        finally:
            writer.stop()
            other.rollback()
            writer.join(5)
    assert not writer.is_alive()
    assert writer.failure is None


def test_what_the_database_thread_fails_by_ends_the_writer(
    database: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def breaks(*_: object) -> None:
        raise RuntimeError("it breaks here")

    monkeypatch.setattr("ingest.writer.find_places", breaks)
    with writing(database) as (writer, inbox, heard):
        inbox.put(message(1))
        wait_until(lambda: not writer.is_alive(), what="the writer to end")
    assert str(writer.failure) == "it breaks here"
    assert heard.mids == []


def test_a_word_to_the_inbox_that_fails_does_not_stop_the_database_thread(
    database: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def breaks(_: Inbox) -> None:
        raise RuntimeError("it breaks here")

    monkeypatch.setattr(Inbox, "nudge", breaks)
    with writing(database) as (writer, inbox, heard):
        for number in (1, 2, 3):
            inbox.put(message(number))
            expected = list(range(1, number + 1))
            wait_until(lambda: heard.mids == expected, what="the batch to be acknowledged")  # noqa: B023
    assert writer.failure is None

"""While a batch of large packs is with the database the next one is read; order and promise stay."""

from __future__ import annotations

from collections.abc import Sequence

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


def test_next_batch_is_read_while_one_waits_for_the_database(database: str) -> None:
    register(database)
    inbox, heard, registry = Inbox(10**6), Heard(), Registry()
    config = IngestConfig(database, BrokerConfig("-", 1))
    with connect(database, application="test") as other:
        registry.reload(other)
        other.commit()
        writer = Writer(
            "live", config, inbox, heard, registry, Space(10**6), 0.0, Measures(), HandClock(NOW_US),
            Refusing(registry),
        )  # fmt: skip
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

"""The writer's loop: takes batches, stores them, acknowledges after the commit, sends receipts."""

from __future__ import annotations

import logging
import threading
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum, auto
from typing import Protocol

import numpy as np
import psycopg

from ingest.config import IngestConfig
from ingest.inbox import Inbox, Message
from ingest.interpret import UNKNOWN, Item, interpret
from ingest.lags import Lags
from ingest.lease import Lease
from ingest.limits import Limits
from ingest.outcomes import find_orders
from ingest.pack import RecordRefused
from ingest.receipts import Receipt
from ingest.registry import Registry
from ingest.space import Space
from ingest.write import Written, find_places, write
from model.clock import US, Clock
from store import readings
from store.database import Connection, connect
from store.measures import Measures
from store.slots import Lost

log = logging.getLogger(__name__)

STATEMENT_TIMEOUT_S = 20.0
FRESH_S = 1.0
"""Equipment older than this is read anew before an unknown gateway or instrument is refused."""
LONGEST_PAUSE_S = 5.0
TIMEOUTS_BEFORE_SPLIT = 3


class Fault(Enum):
    """What an error of the database asks for."""

    RETRY = auto()
    """It is not the batch's fault: the same batch again."""
    SPLIT = auto()
    """Too much at once, perhaps: again, and after some times in halves."""
    DATA = auto()
    """Something in the batch: find it by halving."""
    OURS = auto()
    """A fault of this program or of the schema: end, and be started anew."""


def fault_of(error: Exception) -> Fault:
    """Classify by SQLSTATE (PostgreSQL's documentation, appendix A)."""
    if not isinstance(error, psycopg.Error):
        return Fault.DATA if isinstance(error, ValueError | ArithmeticError) else Fault.OURS
    state = error.sqlstate
    if state is None:
        # Without a state the server did not answer, or the driver could not put a value into its form.
        return Fault.DATA if isinstance(error, psycopg.DataError) else Fault.RETRY
    if state == "57014":  # query_canceled: the statement timeout
        return Fault.SPLIT
    if state[:2] in ("22", "23"):
        return Fault.DATA
    # 25006: the server is read-only, as after a change of the primary.
    if state[:2] in ("08", "40", "53", "55", "57", "58", "XX") or state == "25006":
        return Fault.RETRY
    return Fault.OURS


class Broker(Protocol):
    """What the writer asks of the broker's session."""

    def acknowledge(self, messages: Sequence[Message]) -> None:
        """Acknowledge messages in this order."""

    def publish(self, receipts: Sequence[Receipt]) -> None:
        """Send receipts."""


@dataclass(slots=True)
class Counters:
    """What a writer has done so far."""

    messages: int = 0
    readings: int = 0
    refused: int = 0
    only_counted: int = 0
    commits: int = 0
    retries: int = 0


class Stopped(Exception):
    """The batch in hand is left with the broker, for the process ends."""


class Writer(threading.Thread):
    """A thread that stores what an inbox holds.

    Parameters
    ----------
    name : str
        For messages and counters.
    age_s : float
        How long a message may wait for others [s].
    clock : Clock
        The one that dated the messages when they came.
    lease : Lease, optional
        Without it nothing is committed.
    """

    def __init__(
        self,
        name: str,
        config: IngestConfig,
        inbox: Inbox,
        broker: Broker,
        registry: Registry,
        space: Space,
        age_s: float,
        measures: Measures,
        clock: Clock,
        lease: Lease | None = None,
    ) -> None:
        super().__init__(name=f"writer-{name}", daemon=True)
        self._lane = name
        self._measures = measures
        self._clock = clock
        self.counters = Counters()
        self.failure: BaseException | None = None
        self.trouble = ""
        self._config = config
        self._inbox = inbox
        self._broker = broker
        self._registry = registry
        self._space = space
        self._age_s = age_s
        self._lease = lease
        self._stop_asked = threading.Event()
        self._connection: Connection | None = None
        self._places: dict[str, int] = {}
        self._lags = Lags()
        self.limits = Limits()

    def stop(self) -> None:
        """Finish the batch in hand and end; not waited for."""
        self._stop_asked.set()

    def run(self) -> None:
        try:
            while not self._stop_asked.is_set():
                if self._inbox.wait(self._age_s, self._config.batch_messages, patience_s=0.2):
                    self.settle(self._inbox.take(self._config.batch_messages, self._config.batch_bytes))
        except Stopped:
            pass
        except Lost as error:
            self.failure = error
        except BaseException as error:
            log.exception("%s ends", self.name)
            self.failure = error
        finally:
            self._disconnect()

    def settle(self, batch: Sequence[Message]) -> None:
        """Store a batch; after the commit acknowledge it and send receipts."""
        if not batch:
            return
        items = [self._understand(message) for message in batch]
        done = self._commit(items)
        self._broker.acknowledge(batch)
        for written in done:
            self._broker.publish(written.receipts)
            self.counters.readings += written.new
            self.counters.refused += written.quarantined
            self.counters.only_counted += written.put.only_counted
            self._space.took(written.put.taken)
        self.counters.messages += len(batch)
        self.counters.commits += len(done)
        self._measure(items, done)
        self._note_lags(items)

    def _understand(self, message: Message) -> Item:
        equipment = self._registry.equipment
        item = self.limits.laid_aside(message, equipment)
        if item is None:
            item = interpret(message, equipment)
            self.limits.charge(item, equipment)
        return item

    def _measure(self, items: Sequence[Item], done: Sequence[Written]) -> None:
        """Count what is committed, and how long it took on its ways."""
        measures, lane, now_us = self._measures, self._lane, self._clock.now_us()
        packs = [item.pack for item in items if item.pack is not None and item.instrument is not None]
        measures.count("ingest_messages", len(items), lane=lane)
        measures.count("ingest_packs", len(packs), lane=lane)
        measures.count("ingest_readings", sum(written.new for written in done), lane=lane)
        measures.count("ingest_receipts", sum(len(written.receipts) for written in done), lane=lane)
        measures.count("ingest_commits", len(done), lane=lane)
        for code, n in Counter(refused.code for item in items for refused in item.all_refused()).items():
            measures.count("ingest_refused", n, reason=code)
        for name, moments in (
            ("ingest_commit_delay_seconds", [item.message.arrived_us for item in items]),
            ("ingest_publish_delay_seconds", [pack.sent_us for pack in packs if pack.sent_us is not None]),
            (
                "ingest_reading_age_seconds",
                [max(pack.columns.time_us) for pack in packs if pack.columns],
            ),
        ):
            measures.observe(name, (now_us - np.array(moments, np.int64)) / US, lane=lane)

    def _note_lags(self, items: Sequence[Item]) -> None:
        """How the clocks of gateways go; nothing waits for it, and nothing is lost if it fails."""
        self._lags.take(items)
        try:
            self._lags.note(self._connected())
        except psycopg.Error as error:
            log.warning(
                "%s: lags of gateways are not noted: %s", self.name, str(error).strip().splitlines()[:1]
            )
            self._disconnect()

    def _commit(self, items: list[Item]) -> list[Written]:
        """Store items, in one transaction if nothing in them hinders it."""
        attempt = 0
        while True:
            try:
                return [self._write(items)]
            except (Stopped, Lost):
                raise
            except Exception as error:
                self._disconnect()
                fault = fault_of(error)
                if fault is Fault.OURS:
                    raise
                if fault is Fault.DATA and len(items) == 1:
                    items = [_blamed(items[0], error)]
                    self._measures.count("ingest_refused", reason="database")
                elif fault is Fault.DATA or (
                    fault is Fault.SPLIT and attempt >= TIMEOUTS_BEFORE_SPLIT and len(items) > 1
                ):
                    middle = len(items) // 2
                    return self._commit(items[:middle]) + self._commit(items[middle:])
                else:
                    self._pause(attempt, error)
                attempt += 1

    def _write(self, items: list[Item]) -> Written:
        conn = self._connected()
        if any(_is_unknown(item) for item in items):
            with conn.transaction():
                fresh = self._registry.reload(conn, older_than_s=FRESH_S)
            if fresh:
                items[:] = [
                    interpret(item.message, self._registry.equipment) if _is_unknown(item) else item
                    for item in items
                ]
        find_places(conn, items, self._places)
        find_orders(conn, items)
        fence = None if self._lease is None else self._lease.fence
        written = write(conn, items, self._places, room=self._space.room, fence=fence)
        self.trouble = ""
        return written

    def _connected(self) -> Connection:
        if self._connection is None:
            conn = connect(
                self._config.dsn,
                application=f"ingest-{self.name}",
                autocommit=True,
                statement_timeout_s=STATEMENT_TIMEOUT_S,
            )
            readings.prepare(conn)
            self._connection = conn
        return self._connection

    def _disconnect(self) -> None:
        if self._connection is not None:
            self._connection.close()
            self._connection = None

    def _pause(self, attempt: int, error: Exception) -> None:
        """Wait before the same batch is tried again."""
        self.counters.retries += 1
        self._measures.count("ingest_retries", lane=self._lane)
        said = (str(error).strip().splitlines() or [type(error).__name__])[0]
        if said != self.trouble:
            log.warning("%s: the database does not take the batch, it is tried again: %s", self.name, said)
            self.trouble = said
        if self._stop_asked.wait(min(0.05 * 2**attempt, LONGEST_PAUSE_S)):
            raise Stopped


def _is_unknown(item: Item) -> bool:
    return any(refused.code in UNKNOWN for refused in item.refused)


def _blamed(item: Item, error: Exception) -> Item:
    """The message that a batch failed by: to quarantine with it, and nothing else of it."""
    said = ascii((str(error).strip().splitlines() or [type(error).__name__])[0])[:200]
    if any(refused.code == "database" for refused in item.refused):
        raise error  # even its quarantine fails: that is no fault of the data
    log.warning(
        "A message on %s goes to quarantine, the database refuses it: %s", ascii(item.message.topic), said
    )
    return Item(
        item.message,
        gateway=item.gateway,
        refused=[RecordRefused(None, "database", f"The database refuses it: {said}")],
    )

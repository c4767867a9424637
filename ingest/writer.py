"""The writer: understands batches, stores them, acknowledges after the commit, sends receipts.

While a batch of large packs is with the database, the next one is read and the one before is acknowledged:
two threads, one for the database and one for all else. Batches are stored one after another, in the order of
their messages.
"""

from __future__ import annotations

import logging
import threading
from collections import Counter
from collections.abc import Sequence
from concurrent.futures import Future
from dataclasses import dataclass
from enum import Enum, auto
from functools import partial
from typing import Protocol

import numpy as np
import psycopg

from ingest.aside import Aside
from ingest.config import IngestConfig
from ingest.inbox import Inbox, Message
from ingest.interpret import UNKNOWN, Item, interpret
from ingest.lags import Lags
from ingest.lease import Lease
from ingest.limits import Limits
from ingest.outcomes import find_orders
from ingest.pack import RecordRefused
from ingest.receipts import Receipt
from ingest.refusing import Refusing
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
AHEAD_READINGS = 5
"""From so many readings a message on, the next batch is read while one is with the database. With fewer, the
threads only take the interpreter's lock from one another: packs of one reading were 15 % slower, those of
twenty 5 % faster, on two cores that broker and database use as well (measured)."""
FAREWELL_S = 1.0
"""The database connection's time to close."""


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


@dataclass(frozen=True, slots=True)
class Batch:
    """Messages that share a transaction, and what was read in each."""

    messages: list[Message]
    items: list[Item]

    @property
    def dense(self) -> bool:
        """Whether its messages bring many readings each."""
        readings = sum(len(item.pack.columns) for item in self.items if item.pack is not None)
        return readings >= AHEAD_READINGS * len(self.messages)


@dataclass(frozen=True, slots=True)
class Stored:
    """What the transactions of a batch did, and when the last was committed."""

    done: list[Written]
    at_us: int


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
        refusing: Refusing,
        lease: Lease | None = None,
    ) -> None:
        super().__init__(name=f"writer-{name}", daemon=True)
        self._lane = name
        self._measures = measures
        self._refusing = refusing
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
        storing: Aside[Stored] = Aside(f"{self.name}-store")
        storing.start()
        try:
            self._work(storing)
        except Stopped:
            pass
        except Lost as error:
            self.failure = error
        except BaseException as error:
            log.exception("%s ends", self.name)
            self.failure = error
        finally:
            storing.end(self._disconnect)
            storing.join(FAREWELL_S)

    def _work(self, storing: Aside[Stored]) -> None:
        before: tuple[Batch, Future[Stored]] | None = None
        while not self._stop_asked.is_set():
            if before and not before[0].dense:
                self.conclude(before[0], before[1].result())
                before = None
            batch = self._gather(before and before[1])
            stored = before and before[1].result()
            following = None
            if batch.messages:
                following = batch, storing.do(partial(self.store, batch), self._inbox.nudge)
            if before and stored:
                self.conclude(before[0], stored)
            before = following
        if before:
            self.conclude(before[0], before[1].result())

    def _gather(self, under_way: Future[Stored] | None) -> Batch:
        """Read what comes, until it is a batch and the one under way is stored."""
        config, batch = self._config, Batch([], [])
        most, most_bytes = config.batch_messages, config.batch_bytes
        while most > 0 and most_bytes > 0 and not self._stop_asked.is_set():
            if self._inbox.wait(self._age_s, most, patience_s=0.2):
                some = self.understand(self._inbox.take(most, most_bytes))
                batch.messages.extend(some.messages)
                batch.items.extend(some.items)
                most -= len(some.messages)
                most_bytes -= sum(message.size for message in some.messages)
            if under_way is None or under_way.done():
                break
        return batch

    def understand(self, messages: Sequence[Message]) -> Batch:
        """Read messages, in the order in which they came."""
        return Batch(list(messages), [self._understand(message) for message in messages])

    def store(self, batch: Batch) -> Stored:
        """Store a batch, in one transaction if nothing in it hinders that; return when it is committed."""
        done = self._commit(batch.items)
        for written in done:
            self._space.took(written.put.taken)
        stored = Stored(done, self._clock.now_us())
        self._note_lags(batch.items)
        return stored

    def conclude(self, batch: Batch, stored: Stored) -> None:
        """After the commit: acknowledge a batch and send receipts."""
        self._broker.acknowledge(batch.messages)
        for written in stored.done:
            self._broker.publish(written.receipts)
            self.counters.readings += written.new
            self.counters.refused += written.quarantined
            self.counters.only_counted += written.put.only_counted
        self.counters.messages += len(batch.messages)
        self.counters.commits += len(stored.done)
        self._measure(batch.items, stored)
        self._refusing.take(batch.items)

    def _understand(self, message: Message) -> Item:
        equipment = self._registry.equipment
        item = self.limits.laid_aside(message, equipment)
        if item is None:
            item = interpret(message, equipment)
            self.limits.charge(item, equipment)
        return item

    def _measure(self, items: Sequence[Item], stored: Stored) -> None:
        """Count what is committed, and how long it took on its ways."""
        measures, lane, done = self._measures, self._lane, stored.done
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
            measures.observe(name, (stored.at_us - np.array(moments, np.int64)) / US, lane=lane)

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
                    self._refusing.take(items)
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

"""Writer, acknowledgements and redelivery under every order of events, against a plain model.

Inbox, session, writer, write path, ledger and database are the real ones. Only the transport is played: a
session of a broker with QoS 1 that sends again what was not acknowledged, and gateways that send again what
no receipt came for. The process dies where it likes; its memory goes, the broker's and the database's stay.

Sources of what is demanded: MQTT 3.1.1, 4.4 (what is not acknowledged is sent again after a reconnect, with
its packet identifier) and 4.6 (PUBACKs in the order of their PUBLISH packets); the outside contract
(``docs/reference/asyncapi.yaml``): an acknowledgement or a receipt only after the commit, a pack once.
"""

from __future__ import annotations

import json
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from types import SimpleNamespace
from typing import Any, ClassVar, cast

import psycopg
import pytest
from hypothesis import Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    precondition,
    rule,
    run_state_machine_as_test,
)

import ingest.outcomes
import ingest.writer
from ingest.client import Session
from ingest.config import BrokerConfig, IngestConfig
from ingest.inbox import Inbox, Message
from ingest.receipts import Receipt
from ingest.refusing import Refusing
from ingest.registry import Registry
from ingest.space import Space
from ingest.stream import Publish
from ingest.writer import Batch, Stored, Writer
from model.clock import US, HandClock
from store import readings
from store.database import connect
from store.measures import Measures
from store.packs import Ledger
from tests.ingest.helpers import NOW_S, NOW_US, payload, pressure, register

ROOM_BYTES = 6_000
"""Of the inbox: some ten packs, so that it is full at times."""


class Killed(BaseException):
    """The process ends here, as by kill -9."""


@dataclass(frozen=True)
class Numbered:
    """What makes a pack known."""

    gateway: str
    boot: str
    seq: int


@dataclass
class Pack:
    """A pack that a gateway has sent, and keeps until its receipt."""

    key: Numbered
    raw: bytes
    values: tuple[float, ...]

    @property
    def topic(self) -> str:
        return f"hf/1/{self.key.gateway}/g1/data"


@dataclass
class BrokerSession:
    """What a broker keeps for us: packs that wait, and those sent and not acknowledged, by packet id."""

    waiting: deque[Pack] = field(default_factory=deque)
    sent: dict[int, Pack] = field(default_factory=dict)
    again: deque[int] = field(default_factory=deque)
    """Of those, what must be sent again after a reconnect."""
    next_mid: int = 0

    def connection_lost(self) -> None:
        self.again = deque(self.sent)

    def next(self) -> Publish | None:
        """The next packet to go out."""
        if self.again:
            mid = self.again.popleft()
            return Publish(self.sent[mid].topic.encode(), self.sent[mid].raw, mid, True)
        if not self.waiting:
            return None
        # Ids are used again as soon as they are free.
        self.next_mid = next(mid for mid in range(1, 100) if mid not in self.sent)
        pack = self.waiting.popleft()
        self.sent[self.next_mid] = pack
        return Publish(pack.topic.encode(), pack.raw, self.next_mid, False)


class Wire:
    """Stands for stream and client library: what goes out on a connection is seen by the machine at once."""

    def __init__(self, machine: Never) -> None:
        self.machine = machine
        self.lost = False
        """Whatever is written goes nowhere."""

    def acknowledge(self, mids: Sequence[int]) -> None:
        for mid in mids:
            if not self.lost:
                self.machine.acknowledged(mid)

    def publish(self, topic: str, raw: bytes, qos: int) -> None:
        assert qos == 1
        if not self.lost:
            self.machine.receipt(topic.split("/")[2], json.loads(raw))

    def subscribe(self, _topics: object) -> tuple[int, int]:
        return 0, 1

    def want_write(self) -> bool:
        return False

    def flush(self) -> None:
        """Everything went out at once."""


FAULTS = (
    "none",
    "killed before COPY",
    "killed before COMMIT",
    "killed after COMMIT",
    "killed after the acknowledgements",
    "connection lost before COMMIT",
    "reply to COMMIT lost",
    "a new connection before the acknowledgements",
    "a new session before the acknowledgements",
)


class Never(RuleBasedStateMachine):
    """Never lose, never invent."""

    dsn: ClassVar[str]
    writers: ClassVar[type[Writer]] = Writer
    sessions: ClassVar[type[Session]] = Session

    def __init__(self) -> None:
        super().__init__()
        self.clock = HandClock(NOW_US)
        self.broker = BrokerSession()
        self.packs: dict[Numbered, Pack] = {}
        self.receipted: set[Numbered] = set()
        self.boots = {"gw1": 1, "gw2": 1}
        self.numbers: dict[tuple[str, str], int] = {}
        self.values = 0
        self.observer = connect(self.dsn, application="observer", autocommit=True)
        self.observer.execute("TRUNCATE reading, pack_ledger, work, latest, quarantine, quarantine_overflow")

    @initialize()
    def start(self) -> None:
        """A process that knows nothing."""
        config = IngestConfig(self.dsn, BrokerConfig("-", 1), held_bytes=ROOM_BYTES)
        registry = Registry()
        registry.reload(self.observer)
        self.inbox = Inbox(config.held_bytes)
        self.session = self.sessions(config.broker, "machine", ("hf/1/+/+/data",), self.inbox, self.clock)
        space = Space(config.quarantine_bytes)
        self.writer = self.writers(
            "live", config, self.inbox, self.session, registry, space, 0.0, Measures(), self.clock,
            Refusing(registry),
        )  # fmt: skip
        self.ahead: Batch | None = None
        self.connect(kept=True)

    def connect(self, *, kept: bool) -> None:
        """A new connection; ``kept``: the broker still has the session."""
        self.wire = Wire(self)
        self.order: dict[int, int] = {}
        """Packet ids that were taken in on this connection, and as the how manyth."""
        self.newest = -1
        self.taken = 0
        if kept:
            self.broker.connection_lost()
        else:
            self.broker = BrokerSession()
        self.session._client = cast(Any, self.wire)
        flags, reason = SimpleNamespace(session_present=kept), SimpleNamespace(is_failure=False)
        self.session._on_connect(cast(Any, self.wire), None, cast(Any, flags), cast(Any, reason), None)

    # What is demanded --------------------------------------------------------------------------------

    def stored(self, packs: Sequence[Pack]) -> bool:
        """Whether every reading of them is committed."""
        wanted = sorted({value for pack in packs for value in pack.values})
        row = self.observer.execute(
            "SELECT count(DISTINCT value) AS n FROM reading WHERE value = ANY(%s)", (wanted,)
        ).fetchone()
        return row == {"n": len(wanted)}

    def acknowledged(self, mid: int) -> None:
        """The broker gets a PUBACK."""
        assert mid in self.broker.sent, "an acknowledgement of what was not sent, or a second one"
        assert mid in self.order, "an acknowledgement of what was not taken in on this connection"
        assert self.order[mid] > self.newest, "acknowledgements out of order"
        self.newest = self.order.pop(mid)
        assert self.stored([self.broker.sent.pop(mid)]), "acknowledged before it is stored"
        if mid in self.broker.again:
            self.broker.again.remove(mid)

    def receipt(self, gateway: str, body: dict[str, Any]) -> None:
        """A gateway gets a receipt and forgets those packs."""
        mine = {
            key.seq: pack
            for key, pack in self.packs.items()
            if (key.gateway, key.boot) == (gateway, body["boot"])
        }
        runs = [(1, body["upto"]), *body["have"]]
        numbers = {number for first, last in runs for number in range(first, last + 1)}
        assert numbers <= mine.keys(), "a receipt for what was never sent"
        assert self.stored([mine[number] for number in numbers]), "a receipt before it is stored"
        assert all(not mine[number].values for number in body["refused"])
        self.receipted |= {mine[number].key for number in numbers | set(body["refused"])}

    # What happens ------------------------------------------------------------------------------------

    @rule(
        gateway=st.sampled_from(["gw1", "gw2"]),
        packs=st.lists(
            st.tuples(st.integers(0, 3), st.booleans(), st.integers(-50, 0)), min_size=1, max_size=4
        ),
    )
    def publish(self, gateway: str, packs: list[tuple[int, bool, int]]) -> None:
        """A gateway sends its next packs: how many readings, whether they count from the arrival, from when.

        One without readings has a record that is refused.
        """
        for count, relative, at_s in packs:
            boot = f"b{self.boots[gateway]}"
            seq = self.numbers[gateway, boot] = self.numbers.get((gateway, boot), 0) + 1
            values = tuple(float(self.values + n + 1) for n in range(count))
            self.values += count
            begin_s = (0 if relative else NOW_S) + at_s
            records = [pressure(value, begin_s - n) for n, value in enumerate(values)]
            if not records:
                records = [{"n": "pressure", "u": "furlong", "v": 1.0, "t": NOW_S}]
            key = Numbered(gateway, boot, seq)
            self.packs[key] = Pack(key, payload(*records, seq=seq, boot=boot), values)
            self.broker.waiting.append(self.packs[key])

    @rule(which=st.integers(0, 1000))
    @precondition(lambda self: len(self.packs) > len(self.receipted))
    def publish_again(self, which: int) -> None:
        """A gateway has had no receipt."""
        open_ones = [pack for key, pack in self.packs.items() if key not in self.receipted]
        self.broker.waiting.append(open_ones[which % len(open_ones)])

    @rule(n=st.integers(1, 6))
    def deliver(self, n: int) -> None:
        """The broker sends on."""
        for _ in range(n):
            if (publish := self.broker.next()) is not None:
                self.hand_in(publish)

    @rule()
    def deliver_all_again(self) -> None:
        """Some brokers send again on the same connection what is not acknowledged for long."""
        for mid, pack in list(self.broker.sent.items()):
            if mid not in self.broker.again:
                self.hand_in(Publish(pack.topic.encode(), pack.raw, mid, True))

    def hand_in(self, publish: Publish) -> None:
        self.clock.us += US // 10
        key = (self.session.connections, publish.mid)
        held = key in self.inbox._held
        self.session._take([publish])
        if not held and key in self.inbox._held:
            self.taken += 1
            self.order[publish.mid] = self.taken

    @rule(most=st.integers(1, 8), ahead=st.integers(0, 4), fault=st.sampled_from(FAULTS))
    def settle(self, most: int, ahead: int, fault: str) -> None:
        """The writer's turn; where nothing waits for it, something comes first.

        ``ahead``: so many messages it reads while the batch is with the database.
        """
        batch, self.ahead = self.ahead, None
        if batch is None:
            self.come(most)
            batch = self.writer.understand(self.inbox.take(most, 10**9))
        if not batch.messages:
            return
        if ahead:
            self.come(ahead)
        following = self.inbox.take(ahead, 10**9)
        self.ahead = self.writer.understand(following) if following else None
        try:
            with struck(fault, self):
                self.writer.conclude(batch, self.writer.store(batch))
        except Killed:
            self.kill()
        row = self.observer.execute(
            "SELECT count(*) AS n FROM (SELECT FROM reading GROUP BY value HAVING count(*) > 1) d"
        ).fetchone()
        assert row == {"n": 0}, "a reading is there twice"

    def come(self, most: int) -> None:
        """Where nothing waits for the writer, something comes."""
        if not len(self.inbox):
            if not (self.broker.waiting or self.broker.again):
                self.publish("gw2", [(1, False, 0), (1, True, 0)])
            self.deliver(most)

    @rule(lost=st.booleans())
    def send(self, lost: bool) -> None:
        """The session's turn; ``lost``: the connection breaks, and what was written goes nowhere."""
        self.wire.lost = lost
        self.session._receipts_due = 0.0
        self.session._send(cast(Any, self.wire))
        if lost:
            self.connect(kept=True)

    @rule(what=st.sampled_from(["connection", "session", "process", "gateway"]))
    def upset(self, what: str) -> None:
        """The connection breaks, or the broker loses what it had for us, or the process or a gateway dies."""
        if what == "process":
            self.kill()
        elif what == "gateway":
            self.boots["gw1"] += 1
        else:
            self.connect(kept=what == "connection")

    def kill(self) -> None:
        """The process ends without a word and is started anew."""
        self.writer._disconnect()
        self.start()

    # At rest -----------------------------------------------------------------------------------------

    def teardown(self) -> None:
        try:
            if self.packs:
                self.come_to_rest()
        finally:
            self.writer._disconnect()
            self.observer.close()

    def come_to_rest(self) -> None:
        self.connect(kept=True)
        for _ in range(30 + 2 * len(self.packs)):
            if len(self.receipted) == len(self.packs) and not (self.broker.waiting or self.broker.sent):
                break
            if not (self.broker.waiting or self.broker.sent):
                self.publish_again(0)
            self.deliver(6)
            self.settle(8, 0, "none")
            self.send(lost=False)
            if self.session._starved:
                self.connect(kept=True)
        assert len(self.receipted) == len(self.packs), "a pack never gets its receipt"
        found = [row["value"] for row in self.observer.execute("SELECT value FROM reading ORDER BY value")]
        assert found == sorted(value for pack in self.packs.values() for value in pack.values)


@contextmanager
def struck(fault: str, machine: Never) -> Iterator[None]:
    """Let one thing go wrong at one point."""
    session = machine.session
    real_write, once = vars(ingest.writer)["write"], iter([True])

    def after_commit(error: Callable[[], BaseException]) -> Callable[..., Any]:
        def write(*given: Any, **more: Any) -> Any:
            written = real_write(*given, **more)
            if next(once, False):
                raise error()
            return written

        return write

    def fails(error: Callable[[], BaseException]) -> Callable[..., Any]:
        def act(*given: Any, **more: Any) -> Any:
            if next(once, False):
                raise error()
            return real(*given, **more)

        return act

    def lost() -> BaseException:
        return psycopg.OperationalError("the connection is lost")

    with pytest.MonkeyPatch.context() as patch:
        if fault == "killed before COPY":
            real: Callable[..., Any] = readings.write
            patch.setattr(readings, "write", fails(Killed))
        elif fault in ("killed before COMMIT", "connection lost before COMMIT"):
            real = ingest.outcomes.settle
            patch.setattr(ingest.outcomes, "settle", fails(Killed if fault.startswith("killed") else lost))
        elif fault == "killed after COMMIT":
            patch.setattr(ingest.writer, "write", after_commit(Killed))
        elif fault == "reply to COMMIT lost":
            patch.setattr(ingest.writer, "write", after_commit(lost))
        elif fault == "killed after the acknowledgements":
            real = session.publish
            patch.setattr(session, "publish", fails(Killed))
        elif fault.startswith("a new"):
            acknowledge = session.acknowledge

            def late(batch: Sequence[Message]) -> None:
                machine.connect(kept="connection" in fault)
                machine.publish("gw1", [(1, False, 0)])
                machine.deliver(3)
                acknowledge(batch)

            patch.setattr(session, "acknowledge", late)
        yield


@pytest.fixture
def registered(database: str) -> str:
    register(database, instruments=("g1",))
    return database


@pytest.mark.once
def test_nothing_is_lost_doubled_or_promised_too_early(registered: str) -> None:
    class Machine(Never):
        dsn = registered

    run_state_machine_as_test(Machine, settings=settings(max_examples=60, stateful_step_count=40))


# That the machine finds faults ------------------------------------------------------------------------


class AcknowledgesFirst(Writer):
    def store(self, batch: Batch) -> Stored:
        self._broker.acknowledge(batch.messages)
        cast(Session, self._broker)._send(cast(Any, cast(Session, self._broker)._client))
        return super().store(batch)


class AcknowledgesNext(Writer):
    def understand(self, messages: Sequence[Message]) -> Batch:
        self.newest = super().understand(messages)
        return self.newest

    def conclude(self, batch: Batch, stored: Stored) -> None:
        super().conclude(batch, stored)
        if self.newest is not batch:
            self._broker.acknowledge(self.newest.messages)


class ReceiptsFirst(Writer):
    def store(self, batch: Batch) -> Stored:
        session = cast(Session, self._broker)
        for item in batch.items:
            if item.pack is not None and item.instrument is not None and item.pack.number is not None:
                boot, seq = item.pack.number
                said = Ledger(item.instrument.id, boot, ((seq, seq),), ())
                session.publish([Receipt(item.instrument.gateway, item.instrument.name, said, {seq})])
        session._receipts_due = 0.0
        session._send(cast(Any, session._client))
        return super().store(batch)


class AcknowledgesBackwards(Writer):
    def conclude(self, batch: Batch, stored: Stored) -> None:
        super().conclude(Batch(batch.messages[::-1], batch.items), stored)


class SkipsAfterRetry(Writer):
    def store(self, batch: Batch) -> Stored:
        retries = self.counters.retries
        skips = getattr(self, "skips", False)
        stored = super().store(Batch(batch.messages, batch.items[1:] if skips else batch.items))
        self.skips = self.counters.retries > retries
        return stored


class MixesConnections(Session):
    def acknowledge(self, messages: Sequence[Message]) -> None:
        super().acknowledge([
            Message(one.topic, one.payload, one.arrived_us, self._connection, one.mid) for one in messages
        ])  # fmt: skip


class CountsPacksTwice(Writer):
    def _write(self, items: Any) -> Any:
        for item in items:
            if item.pack is not None:
                item.pack.relative = False
        return super()._write(items)


@pytest.mark.once
@pytest.mark.parametrize(
    "fault",
    [
        AcknowledgesFirst,
        AcknowledgesNext,
        ReceiptsFirst,
        AcknowledgesBackwards,
        SkipsAfterRetry,
        MixesConnections,
        CountsPacksTwice,
    ],
)
def test_the_machine_finds(registered: str, fault: type[Writer | Session]) -> None:
    class Faulty(Never):
        dsn = registered
        writers = fault if issubclass(fault, Writer) else Writer
        sessions = fault if issubclass(fault, Session) else Session

    chosen = settings(
        max_examples=500,
        stateful_step_count=40,
        database=None,
        phases=[Phase.generate],
        report_multiple_bugs=False,
    )
    with pytest.raises(AssertionError):
        run_state_machine_as_test(Faulty, settings=chosen)

"""The ingest process: two sessions, two writers, a courier of orders, and a main loop that watches them.

Fresh readings and stored ones that come late have a session and a writer each, so that a flood
of late ones never delays the fresh.
"""

from __future__ import annotations

import gc
import logging
import os
import socket
import threading
import time
from dataclasses import asdict

import psycopg

from ingest.client import Session
from ingest.config import IngestConfig
from ingest.courier import Courier
from ingest.inbox import Inbox
from ingest.registry import Registry
from ingest.space import Space
from ingest.topics import LATE_FILTERS, LIVE_FILTERS
from ingest.writer import Writer
from model.clock import Clock
from model.errors import HoldfastError
from store import beats
from store.database import Connection, connect
from store.measures import Measures

log = logging.getLogger(__name__)

BEAT_S = 2.0
COLLECT_AFTER = 20_000
"""A batch's objects are no cycles; by the interpreter's 700 a third of the time to read packs went into
looking for some among them (measured)."""
TICK_S = 0.2
RELOAD_S = 30.0
"""The equipment is read anew this often even if nobody says that it changed."""
NAMED = 20
"""So many gateways over their limits are named in a beat."""
FAREWELL_S = 1.8
"""How long a stop waits for the batch in hand; what is not acknowledged then comes again later."""


COURIER_FAREWELL_S = 0.5
"""What it has in hand is sent by the next one; usually it has ended by then."""


class ThreadDied(HoldfastError):
    """A thread of the ingest ended; the process must end too and be started anew."""


def _check(thread: Session | Writer | Courier) -> None:
    if not thread.is_alive():
        raise ThreadDied(f"The ingest's thread {thread.name} ended: {thread.failure or 'no reason known'}")


class Lane:
    """A session, its inbox and its writer."""

    def __init__(
        self,
        name: str,
        config: IngestConfig,
        filters: tuple[str, ...],
        age_s: float,
        registry: Registry,
        space: Space,
        clock: Clock,
        measures: Measures,
    ) -> None:
        self.name = name
        self.measures = measures
        self.inbox = Inbox(config.held_bytes)
        self.session = Session(config.broker, f"{config.client_id}-{name}", filters, self.inbox, clock)
        self.writer = Writer(
            name, config, self.inbox, self.session, registry, space, age_s, measures, clock
        )  # fmt: skip

    def start(self) -> None:
        """Start both threads."""
        self.writer.start()
        self.session.start()

    def check(self) -> None:
        """Raise `ThreadDied` if a thread has ended."""
        for thread in (self.session, self.writer):
            _check(thread)

    def detail(self) -> dict[str, object]:
        """What the beat says of it."""
        self.measures.gauge("ingest_inbox_messages", len(self.inbox), lane=self.name)
        self.measures.gauge("ingest_inbox_bytes", self.inbox.held_bytes, lane=self.name)
        self.measures.gauge("ingest_inbox_oldest_seconds", self.inbox.oldest_s, lane=self.name)
        over = self.writer.limits.over()
        self.measures.gauge("ingest_gateways_over_limit", len(over), lane=self.name)
        self.measures.gauge("ingest_broker_connected", self.session.subscribed, lane=self.name)
        return {
            "broker": self.session.subscribed,
            "trouble": self.session.trouble or self.writer.trouble,
            "waiting": len(self.inbox),
            "waiting_bytes": self.inbox.held_bytes,
            "over_limit": over[:NAMED],
            **asdict(self.writer.counters),
        }


def run(config: IngestConfig, clock: Clock, stop: threading.Event) -> None:
    """Take readings in and send orders out until ``stop`` is set.

    Raises
    ------
    ThreadDied
        If a part of it ended; start the process anew.
    """
    gc.set_threshold(COLLECT_AFTER)
    registry, space, measures = Registry(), Space(config.quarantine_bytes), Measures()
    with _Watch(config, registry, space, measures) as watch:
        if not watch.first_connection(stop):
            return
        lanes = [
            Lane("live", config, LIVE_FILTERS, config.live_age_s, registry, space, clock, measures),
            Lane("late", config, LATE_FILTERS, config.late_age_s, registry, space, clock, measures),
        ]
        courier = Courier(config, clock)
        for lane in lanes:
            lane.start()
        courier.start()
        try:
            while not stop.is_set():
                for lane in lanes:
                    lane.check()
                _check(courier)
                watch.tick(stop, {lane.name: lane.detail() for lane in lanes})
        finally:
            courier.stop()
            _farewell(lanes)
            courier.join(COURIER_FAREWELL_S)


def _farewell(lanes: list[Lane]) -> None:
    """Take nothing more, commit what is in hand, acknowledge it, disconnect."""
    deadline = time.monotonic() + FAREWELL_S
    for lane in lanes:
        lane.inbox.closed = True
        lane.writer.stop()
    for lane in lanes:
        lane.writer.join(max(0.0, deadline - 0.8 - time.monotonic()))
    for lane in lanes:
        lane.session.stop()
    for lane in lanes:
        lane.session.join(max(0.2, deadline - time.monotonic()))


class _Watch:
    """The main loop's connection: beats, news of the equipment, the quarantine's size."""

    def __init__(self, config: IngestConfig, registry: Registry, space: Space, measures: Measures) -> None:
        self._measures = measures
        self._dsn = config.dsn
        self._registry = registry
        self._space = space
        self._instance = f"{config.client_id}@{socket.gethostname()}:{os.getpid()}"
        self._connection: Connection | None = None
        self._last_beat = self._next_try = -float("inf")
        self._told = False

    def __enter__(self) -> _Watch:
        return self

    def __exit__(self, *_: object) -> None:
        if self._connection is not None:
            try:
                beats.forget(self._connection, "ingest", self._instance)
            except psycopg.Error:
                log.info("the sign of life could not be taken back")
            self._connection.close()

    def first_connection(self, stop: threading.Event) -> bool:
        """Wait for the database, without which nothing can be done; False if stopped before."""
        pause_s = TICK_S
        while not stop.is_set():
            try:
                self._connected()
                return True
            except psycopg.OperationalError as error:
                log.warning("the database does not answer: %s", str(error).strip().splitlines()[:1])
                self._drop()
                stop.wait(pause_s)
                pause_s = min(2 * pause_s, BEAT_S)
        return False

    def tick(self, stop: threading.Event, detail: dict[str, dict[str, object]]) -> None:
        """One turn: listen a moment, beat when it is time; trouble with the database passes."""
        if time.monotonic() < self._next_try:
            stop.wait(TICK_S)
            return
        try:
            conn = self._connected()
            told = list(conn.notifies(timeout=TICK_S, stop_after=1))
            self._registry.reload(conn, older_than_s=0.0 if told else RELOAD_S)
            self._space.read(conn)
            broker = all(lane["broker"] for lane in detail.values())
            if time.monotonic() - self._last_beat >= BEAT_S or broker != self._told:
                self._told = broker
                said = {"broker": broker, "measures": self._measures.told(), **detail}
                beats.beat(conn, "ingest", self._instance, said)
                self._last_beat = time.monotonic()
        except psycopg.OperationalError as error:
            log.warning("the database does not answer: %s", str(error).strip().splitlines()[:1])
            self._drop()
            self._next_try = time.monotonic() + BEAT_S

    def _connected(self) -> Connection:
        if self._connection is None or self._connection.closed:
            conn = connect(self._dsn, application="ingest", autocommit=True, statement_timeout_s=5)
            # First listen, then read: what changes in between is told.
            conn.execute("LISTEN equipment")
            self._registry.reload(conn)
            self._space.read(conn)
            self._connection = conn
        return self._connection

    def _drop(self) -> None:
        if self._connection is not None:
            self._connection.close()
            self._connection = None

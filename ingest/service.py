"""The ingest process: sessions and writers, a courier of orders, and a main loop that watches them.

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

import psycopg

from ingest.config import IngestConfig
from ingest.courier import Courier
from ingest.crew import Crew
from ingest.refusing import Refusing
from ingest.registry import Registry
from ingest.space import Space
from model.clock import Clock
from model.errors import ThreadDied
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
COURIER_FAREWELL_S = 0.5
"""What it has in hand is sent by the next one; usually it has ended by then."""


def run(config: IngestConfig, clock: Clock, stop: threading.Event) -> None:
    """Take readings in and send orders out until ``stop`` is set.

    Raises
    ------
    BadInput
        If the load is to be shared without MQTT 5.
    ThreadDied
        If a part of it ended; start the process anew.
    """
    gc.set_threshold(COLLECT_AFTER)
    registry, space, measures = Registry(), Space(config.quarantine_bytes), Measures()
    refusing = Refusing(registry)
    with _Watch(config, registry, space, measures, refusing, clock) as watch:
        if not watch.first_connection(stop):
            return
        crew = Crew(config, registry, space, clock, measures, refusing)
        courier = Courier(config, clock)
        crew.begin()
        courier.start()
        try:
            while not stop.is_set():
                crew.check()
                if not courier.is_alive():
                    raise ThreadDied(courier.name, courier.failure)
                watch.tick(stop, crew)
        finally:
            courier.stop()
            crew.leave(watch.connection)
            courier.join(COURIER_FAREWELL_S)


class _Watch:
    """The main loop's connection: beats, news of the equipment, the quarantine's size, who is refused."""

    def __init__(
        self,
        config: IngestConfig,
        registry: Registry,
        space: Space,
        measures: Measures,
        refusing: Refusing,
        clock: Clock,
    ) -> None:
        self._measures = measures
        self._refusing = refusing
        self._clock = clock
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

    @property
    def connection(self) -> Connection | None:
        """What is open at the moment."""
        return self._connection

    def tick(self, stop: threading.Event, crew: Crew) -> None:
        """One turn: listen a moment, beat when it is time; trouble with the database passes."""
        if time.monotonic() < self._next_try:
            stop.wait(TICK_S)
            return
        try:
            conn = self._connected()
            told = list(conn.notifies(timeout=TICK_S, stop_after=1))
            self._registry.reload(conn, older_than_s=0.0 if told else RELOAD_S)
            crew.tend(conn)
            self._space.read(conn)
            self._refusing.note(conn, self._clock.now_us())
            detail = crew.detail()
            broker = bool(detail) and all(lane["broker"] for lane in detail.values())
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

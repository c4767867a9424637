"""The analytics process: waits for work and timers, and judges in transactions of many jobs."""

from __future__ import annotations

import logging
import os
import socket
import threading
import time

import psycopg

from analytics.worker.claiming import KINDS
from analytics.worker.config import AnalyseConfig
from analytics.worker.judge import Worker
from analytics.worker.upkeep import Upkeep
from model.clock import US, Clock
from model.errors import ThreadDied
from store import beats, rollups, timers
from store.database import Connection, connect

log = logging.getLogger(__name__)

PROCESS = "analyse"
BEAT_S = 2.0
GLANCE_S = 0.5
"""Longest wait between two looks at the stop flag and the timers [s of the wall]."""
ROLLUP_S = 1.0
RECONNECT_S = (0.2, 0.5, 1.0, 2.0, 5.0)
RETRY_STATES = ("40001", "40P01", "55P03")
"""Serialization failure, deadlock, lock not available: the same again."""


def run(config: AnalyseConfig, clock: Clock, stop: threading.Event) -> None:
    """Judge until ``stop`` is set, and keep the readings in order beside; lost databases are outlasted.

    Raises
    ------
    ThreadDied
        If the upkeep ended; start the process anew.
    """
    instance = config.instance or f"{socket.gethostname()}:{os.getpid()}"
    worker = Worker(config, clock)
    upkeep = Upkeep(config.dsn, config.upkeep, clock, stop)
    upkeep.start()
    failures = 0
    while not stop.is_set():
        try:
            with (
                connect(config.dsn, application=PROCESS, autocommit=True) as conn,
                connect(config.dsn, application=f"{PROCESS}-listen", autocommit=True) as ears,
            ):
                failures = 0
                _Loop(config, clock, stop, worker, instance, conn, ears, upkeep).run()
                beats.forget(conn, PROCESS, instance)
        except psycopg.Error as error:
            wait = RECONNECT_S[min(failures, len(RECONNECT_S) - 1)]
            failures += 1
            log.warning("the database is out of reach (%s); again in %s s", str(error).strip() or error, wait)
            stop.wait(wait)


class _Loop:
    """What goes round while the connections hold."""

    def __init__(
        self,
        config: AnalyseConfig,
        clock: Clock,
        stop: threading.Event,
        worker: Worker,
        instance: str,
        conn: Connection,
        ears: Connection,
        upkeep: Upkeep,
    ) -> None:
        self.config = config
        self.clock = clock
        self.stop = stop
        self.worker = worker
        self.instance = instance
        self.conn = conn
        self.ears = ears
        self.upkeep = upkeep
        self.limit = config.at_once
        self.beat_at = 0.0
        self.rollup_at = 0.0
        self.judged = 0

    def run(self) -> None:
        self.ears.execute("LISTEN work")
        self.ears.execute("LISTEN timer")
        while not self.stop.is_set():
            began = time.monotonic()
            if self.upkeep.failure is not None:
                raise ThreadDied(self.upkeep.name, self.upkeep.failure)
            busy = self._judge()
            self._roll_up()
            self._beat()
            spent = time.monotonic() - began
            if busy:
                # Readings of the meantime share the next transaction.
                self.stop.wait(max(self.config.gather_s - spent, 0.0))
            else:
                self._wait()

    def _judge(self) -> bool:
        """One transaction; returns whether there was anything to do."""
        try:
            done = self.worker.step(self.conn, self.limit)
        except psycopg.Error as error:
            if self.conn.closed or self.conn.broken:
                raise
            self._blame(error)
            return True
        self.limit = min(self.limit * 2, self.config.at_once)
        self.judged += done.jobs
        return done.instruments > 0 or done.jobs > 0

    def _blame(self, error: psycopg.Error) -> None:
        """No job can stop the others: look at fewer and fewer until the one to blame is alone."""
        if error.sqlstate in RETRY_STATES:
            return
        self.worker.measures.count("judge_failures")
        log.error("a transaction over up to %s instruments failed: %s", self.limit, error)
        if self.limit > 1:
            self.limit = max(self.limit // 4, 1)
        else:
            self.worker.give_up(self.conn, error)

    def _roll_up(self) -> None:
        if time.monotonic() >= self.rollup_at:
            with self.conn.transaction():
                rollups.make(self.conn)
            self.rollup_at = time.monotonic() + ROLLUP_S

    def _beat(self) -> None:
        if time.monotonic() >= self.beat_at:
            told = {"judged": self.judged, "measures": self.worker.measures.told()}
            beats.beat(self.conn, PROCESS, self.instance, told)
            self.beat_at = time.monotonic() + BEAT_S

    def _wait(self) -> None:
        """Until work is announced, a timer goes off, or it is time to glance at the flag."""
        next_us = timers.next_due_us(self.conn, KINDS)
        wait = GLANCE_S
        if next_us is not None:
            left_s = max((next_us - self.clock.now_us()) / US, 0.0)
            wait = min(wait, self.clock.real_seconds(left_s))
        for _ in self.ears.notifies(timeout=max(wait, 0.001), stop_after=1):
            break

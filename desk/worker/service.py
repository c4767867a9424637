"""The desk process: events into alerts, expiry and watches of orders, hold plans, gateways, a courier."""

from __future__ import annotations

import functools
import logging
import os
import socket
import threading
import time
from urllib.parse import urlsplit

import psycopg

from desk.config import DeskConfig
from desk.worker import (
    alerting,
    courier,
    expiry,
    gateways,
    gathering,
    mornings,
    passing,
    planning,
    watching,
)
from model.clock import US, Clock, to_datetime
from model.errors import BadInput, ThreadDied
from store import beats, channels, orders, timers
from store.database import Connection, connect
from store.measures import Measures

log = logging.getLogger(__name__)

PROCESS = "desk"
BEAT_S = 2.0
GLANCE_S = 0.2
"""Longest wait between two looks at the stop flag."""
SHORTEST_WAIT_S = 0.01
RECONNECT_S = 1.0
FAREWELL_S = 1.5
"""The courier's time to let go of what it is sending."""


def run(config: DeskConfig, clock: Clock, stop: threading.Event) -> None:
    """Work until ``stop`` is set; lost databases and slow receivers are outlasted.

    Raises
    ------
    BadInput
        If the webhook's address is no http or https URL.
    ThreadDied
        If the courier ended; start the process anew.
    """
    check(config)
    instance = config.instance or f"{socket.gethostname()}:{os.getpid()}"
    measures = Measures()
    carrier = Carrier(config, stop, measures)
    carrier.start()
    while not stop.is_set():
        try:
            _work(config, clock, stop, instance, measures, carrier)
        except psycopg.Error:
            log.exception("the desk lost its database and tries again")
            stop.wait(RECONNECT_S)
    carrier.join(FAREWELL_S)


class Carrier(threading.Thread):
    """The courier's thread."""

    def __init__(self, config: DeskConfig, stop: threading.Event, measures: Measures) -> None:
        super().__init__(name="courier", daemon=True)
        self._begin = functools.partial(courier.run, config, stop, measures)
        self._stop_asked = stop
        self._failure: BaseException | None = None

    def run(self) -> None:
        try:
            self._begin()
        except BaseException as error:
            log.exception("the courier ends")
            self._failure = error

    def check(self) -> None:
        """Raise `ThreadDied` if it has ended though nobody asked for that."""
        if self.ident is not None and not self.is_alive() and not self._stop_asked.is_set():
            raise ThreadDied(self.name, self._failure)


def check(config: DeskConfig) -> None:
    """Raise `BadInput` for a configuration that cannot work."""
    if not config.webhook_url:
        return
    parts = urlsplit(config.webhook_url)
    if parts.scheme not in ("http", "https") or not parts.hostname:
        raise BadInput("The webhook's address must begin with http:// or https://.", field="webhook_url")


def _work(
    config: DeskConfig,
    clock: Clock,
    stop: threading.Event,
    instance: str,
    measures: Measures,
    carrier: Carrier,
) -> None:
    """One life of the connections."""
    with (
        connect(config.dsn, application="desk") as conn,
        connect(config.dsn, application="desk-ear", autocommit=True) as ear,
    ):
        # Listening before the first look: what is recorded from here on wakes us.
        ear.execute("LISTEN event")
        ear.execute("LISTEN alert")
        ear.execute(f"LISTEN {orders.CHANNEL}".encode())
        webhook = channels.of_settings(ear, config.webhook_url, to_datetime(clock.now_us()))
        mornings.begin(conn, clock)
        outlets = passing.Outlets(() if webhook is None else (webhook,), config.source)
        next_beat = 0.0
        while not stop.is_set():
            carrier.check()
            if time.monotonic() >= next_beat:
                beats.beat(ear, PROCESS, instance, {"measures": measures.told()})
                next_beat = time.monotonic() + BEAT_S
            expiry.work_off(conn, clock)
            watching.work_off(conn, clock)
            planning.work_off(conn, clock)
            mornings.work_off(conn, clock)
            gateways.work_off(conn, clock)
            gathering.work_off(conn, clock)
            passing.work_off(conn, clock, outlets)
            taken = alerting.work_off(conn, clock, outlets, measures)
            if taken != alerting.BATCH:
                until = min(next_beat, time.monotonic() + _to_next_timer_s(ear, clock))
                _wait(ear, stop, until, busy_elsewhere=taken is None)
        beats.forget(ear, PROCESS, instance)


def _to_next_timer_s(conn: Connection, clock: Clock) -> float:
    """How long on the wall until the next timer of ours goes off [s]."""
    kinds = (
        *expiry.KINDS,
        *watching.KINDS,
        *planning.KINDS,
        *mornings.KINDS,
        *gateways.KINDS,
        *gathering.KINDS,
        *passing.KINDS,
    )
    due_us = timers.next_due_us(conn, kinds)
    if due_us is None:
        return float("inf")
    return max(clock.real_seconds(max(due_us - clock.now_us(), 0) / US), SHORTEST_WAIT_S)


def _wait(ear: Connection, stop: threading.Event, until: float, *, busy_elsewhere: bool) -> None:
    """Wait for an event, the next thing to do or the end; only briefly while another desk holds the lock."""
    while not stop.is_set():
        left = until - time.monotonic()
        if left <= 0:
            return
        for _ in ear.notifies(timeout=min(left, GLANCE_S), stop_after=1):
            return
        if busy_elsewhere:
            return

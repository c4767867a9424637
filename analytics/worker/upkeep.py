"""The upkeep of the readings, in a thread of its own: it may take long, and nobody's judgement waits for it.

When it is due is a timer like any other, so a process that starts anew goes on where another left off, and
of several processes one does it. The timer is moved when the work is done: whoever dies on the way leaves it
due.
"""

from __future__ import annotations

import logging
import threading
from dataclasses import asdict

import psycopg

from model.clock import US, Clock
from store import timers, upkeep
from store.database import Connection, connect
from store.timers import Timer
from store.upkeep import Done, Rules

log = logging.getLogger(__name__)

KIND = timers.READINGS_UPKEEP
SUBJECT = "readings"
EVERY_US = 3600 * US
AGAIN_US = 60 * US
"""When it could not finish, because others were at the readings."""
GLANCE_S = 0.5
"""Longest wait between two looks at the stop flag and the timer [s of the wall]."""
RECONNECT_S = 5.0
STATEMENT_S = 3600.0


class Upkeep(threading.Thread):
    """Tends the readings when it is due, until ``stop`` is set; lost databases are outlasted.

    Attributes
    ----------
    failure : BaseException or None
        Why it ended, where it should not have.
    """

    def __init__(self, dsn: str, rules: Rules, clock: Clock, stop: threading.Event) -> None:
        super().__init__(name="upkeep", daemon=True)
        self.failure: BaseException | None = None
        self._dsn = dsn
        self._rules = rules
        self._clock = clock
        self._stop_asked = stop

    def run(self) -> None:
        try:
            while not self._stop_asked.is_set():
                try:
                    with connect(
                        self._dsn, application="upkeep", autocommit=True, statement_timeout_s=STATEMENT_S
                    ) as conn:
                        self._work(conn)
                except psycopg.Error as error:
                    said = (str(error).strip().splitlines() or [type(error).__name__])[0]
                    log.warning("the upkeep of the readings is tried again in %s s: %s", RECONNECT_S, said)
                    self._stop_asked.wait(RECONNECT_S)
        except BaseException as error:
            log.exception("the upkeep of the readings ends")
            self.failure = error

    def _work(self, conn: Connection) -> None:
        while not self._stop_asked.is_set():
            now_us = self._clock.now_us()
            due_us = timers.next_due_us(conn, (KIND,))
            if due_us is None or due_us <= now_us:
                done = upkeep.tend(conn, self._rules, now_us)
                if not done.busy:
                    tell(done)
                    pause_us = AGAIN_US if done.postponed else EVERY_US
                    timers.put(conn, [Timer(KIND, SUBJECT, self._clock.now_us() + pause_us)])
            self._stop_asked.wait(GLANCE_S)


def tell(done: Done) -> None:
    """Log what was done, if anything was."""
    said = {name: what for name, what in asdict(done).items() if what and name not in ("layout", "busy")}
    if said:
        log.info("upkeep of the readings: %s", said)

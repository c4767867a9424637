"""Delivers the notifications of the outbox: at least once, beside the alerting and never in its way.

The courier has a thread and a connection of its own. Deliveries are tasks of an event loop, which can be cut
short at any moment: a receiver that hangs neither delays the next alert nor the end of the process. Waiting
between attempts is real time, whatever clock the rest is given: it is about networks and other people's
servers.
"""

from __future__ import annotations

import asyncio
import functools
import logging
import random
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

import httpx

from desk.config import DeskConfig
from desk.worker import webhook
from desk.worker.alerting import WEBHOOK
from store import notifications
from store.database import Connection, connect
from store.measures import Measures

log = logging.getLogger(__name__)

GLANCE_S = 0.1
LONGEST_SLEEP_S = 5.0
"""Also without a notification by the database we look this often."""
RECONNECT_S = 1.0
OVERDUE_S = 0.5
"""Next look at what is due and not ours to take: in another process's hand, or behind an earlier one."""

T = TypeVar("T")


def run(config: DeskConfig, stop: threading.Event, measures: Measures | None = None) -> None:
    """Deliver until ``stop`` is set."""
    # At INFO this logger writes whole addresses, and a webhook's may hold a secret.
    logging.getLogger("httpx").setLevel(logging.WARNING)
    asyncio.run(_run(config, stop, measures or Measures()))


async def _run(config: DeskConfig, stop: threading.Event, measures: Measures) -> None:
    desk = Courier(config, stop, measures)
    while not stop.is_set():
        try:
            await desk.work()
        except Exception:
            # Mostly a lost database; nothing at all may end the deliveries for good.
            log.exception("the courier stumbled and tries again")
            await asyncio.sleep(RECONNECT_S)


class Courier:
    """State of the deliveries: what is in flight, and whether the receiver wants to be left alone."""

    def __init__(self, config: DeskConfig, stop: threading.Event, measures: Measures) -> None:
        self.config = config
        self.measures = measures
        self.stop = stop
        self.busy: dict[int, asyncio.Task[None]] = {}
        self.quiet_until = 0.0
        self.gone = False

    async def work(self) -> None:
        """One life of the connection; raises ``psycopg.Error`` when it is lost."""
        # One thread: a connection serves one statement at a time.
        with ThreadPoolExecutor(1, "courier-database") as pool:
            database = Database(pool, self.config.dsn)
            try:
                await database.open()
                async with httpx.AsyncClient(timeout=None, follow_redirects=False) as client:
                    try:
                        await self._carry(database, client)
                    finally:
                        # Before the client closes: being stopped is not a failed attempt.
                        await self._drop_all()
            finally:
                await database.close()

    async def _carry(self, database: Database, client: httpx.AsyncClient) -> None:
        while not self.stop.is_set():
            self._raise_lost()
            free = self.config.webhook_parallel - len(self.busy)
            if free > 0 and time.monotonic() >= self.quiet_until:
                for one in await database.call(notifications.claim, WEBHOOK, free, list(self.busy)):
                    task = asyncio.create_task(self._send(database, client, one))
                    self.busy[one.id] = task
            await self._rest(database)

    async def _send(
        self, database: Database, client: httpx.AsyncClient, one: notifications.Notification
    ) -> None:
        if self.gone:
            outcome = webhook.Outcome(gone=True, error="the receiver had answered 410 Gone")
        else:
            outcome = await webhook.deliver(
                client, self.config.webhook_url, one.body, self.config.webhook_timeout_s
            )
        await self._record(database, one, outcome)
        await database.call(notifications.release, one.id)
        del self.busy[one.id]

    async def _record(
        self, database: Database, one: notifications.Notification, outcome: webhook.Outcome
    ) -> None:
        attempts = one.attempts + 1
        if outcome.delivered:
            waited_s = await database.call(notifications.sent, one.id)
            self.measures.count("desk_sent")
            self.measures.observe("desk_send_delay_seconds", waited_s)
            return
        self.measures.count("desk_failed_attempts")
        log.warning("notification %d, attempt %d: webhook %s", one.id, attempts, outcome.error)
        if outcome.gone or attempts >= self.config.attempts:
            self.gone = self.gone or outcome.gone
            log.error("notification %d of alert %d is given up", one.id, one.alert_id)
            await database.call(notifications.given_up, one.id, outcome.error)
            return
        wait_s = webhook.backoff_s(attempts, self.config.backoff_s, self.config.backoff_limit_s)
        # Spread, so that what failed together does not come back together.
        wait_s *= random.uniform(0.8, 1.2)
        if outcome.retry_after_s is not None:
            wait_s = max(wait_s, outcome.retry_after_s)
            self.quiet_until = max(self.quiet_until, time.monotonic() + outcome.retry_after_s)
        await database.call(notifications.failed, one.id, outcome.error, wait_s)

    async def _rest(self, database: Database) -> None:
        """Until something may be due, a delivery has ended, or the end."""
        until = time.monotonic() + LONGEST_SLEEP_S
        if len(self.busy) < self.config.webhook_parallel:
            seconds = await database.call(notifications.seconds_to_next, WEBHOOK, list(self.busy))
            if seconds is not None:
                until = min(until, time.monotonic() + (seconds if seconds > 0 else OVERDUE_S))
            until = max(until, self.quiet_until)
        in_flight = len(self.busy)
        while not self.stop.is_set() and time.monotonic() < until and len(self.busy) >= in_flight:
            if await database.call(_heard, GLANCE_S):
                return

    def _raise_lost(self) -> None:
        for task in list(self.busy.values()):
            if task.done():
                task.result()

    async def _drop_all(self) -> None:
        """Cut short what is in flight; it stays in the outbox and goes out again, by whoever comes first."""
        for task in self.busy.values():
            task.cancel()
        await asyncio.gather(*self.busy.values(), return_exceptions=True)
        self.busy.clear()


class Database:
    """The courier's connection, used from the event loop."""

    def __init__(self, pool: ThreadPoolExecutor, dsn: str) -> None:
        self.pool = pool
        self.dsn = dsn
        self.conn: Connection | None = None

    async def open(self) -> None:
        """Connect and listen."""
        self.conn = await self._in_thread(
            functools.partial(connect, self.dsn, application="courier", autocommit=True)
        )
        await self.call(_listen)

    async def call(self, function: Callable[..., T], *arguments: object) -> T:
        """Call a function of the store with the connection."""
        return await self._in_thread(functools.partial(function, self.conn, *arguments))

    async def close(self) -> None:
        """End the connection, and with it every lock it holds."""
        if self.conn is not None:
            await self._in_thread(self.conn.close)

    async def _in_thread(self, function: Callable[[], T]) -> T:
        return await asyncio.get_running_loop().run_in_executor(self.pool, function)


def _listen(conn: Connection) -> None:
    conn.execute("LISTEN notification")


def _heard(conn: Connection, timeout_s: float) -> bool:
    return any(True for _ in conn.notifies(timeout=timeout_s, stop_after=1))

"""Delivers the notifications of the outbox: at least once, beside the alerting and never in its way.

The courier has a thread and a connection of its own. Deliveries are tasks of an event loop, which can be cut
short at any moment: a receiver that hangs neither delays the next alert nor the end of the process, nor what
goes over another channel. Waiting between attempts is real time, whatever clock the rest is given: it is
about networks and other people's servers.
"""

from __future__ import annotations

import asyncio
import functools
import logging
import random
import threading
import time
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from typing import TypeVar

import httpx
import psycopg

from desk.config import DeskConfig
from desk.worker import mail, messenger, webhook
from desk.worker.aside import Aside
from desk.worker.outcome import Outcome, backoff_s
from model.channel import Kind, Letter
from model.errors import BadInput
from store import channels, notifications
from store.database import Connection, connect
from store.measures import Measures
from store.notifications import Notification

log = logging.getLogger(__name__)

GLANCE_S = 0.1
LONGEST_SLEEP_S = 5.0
"""Also without a notification by the database we look this often."""
RECONNECT_S = 1.0
OVERDUE_S = 0.5
"""Next look at what is due and not ours to take: in another process's hand, or behind an earlier one."""
MOST = 100
"""In flight over all channels."""

T = TypeVar("T")


def run(config: DeskConfig, stop: threading.Event, measures: Measures | None = None) -> None:
    """Deliver until ``stop`` is set."""
    # Below that these write whole addresses, which may hold secrets.
    for name in ("httpx", "urllib3"):
        logging.getLogger(name).setLevel(logging.WARNING)
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
    """State of the deliveries: what is in flight, and which receivers want to be left alone."""

    def __init__(self, config: DeskConfig, stop: threading.Event, measures: Measures) -> None:
        self.config = config
        self.measures = measures
        self.stop = stop
        self.busy: dict[int, asyncio.Task[None]] = {}
        self.over: Counter[int] = Counter()
        """How many are in flight over each channel."""
        self.webhooks: set[int] = set()
        """Channels that take several at once."""
        self.quiet_until: dict[int, float] = {}
        self.asides: dict[int, Aside[Outcome]] = {}
        """The latest thread of each channel, which may go on beyond its time."""

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
            free = MOST - len(self.busy)
            if free > 0:
                room = {one: self.config.webhook_parallel - self.over[one] for one in self.webhooks}
                for one in await database.call(
                    notifications.claim, free, list(self.busy), self._shut(), room
                ):
                    self._begin(database, client, one)
            await self._rest(database)

    def _shut(self) -> list[int]:
        """Channels over which nothing more is to go now."""
        now = time.monotonic()
        shut = {one for one, until in self.quiet_until.items() if now < until}
        shut |= {
            one
            for one, count in self.over.items()
            if count >= (self.config.webhook_parallel if one in self.webhooks else 1)
        }
        return sorted(shut | {one for one, aside in self.asides.items() if aside.goes_on})

    def _begin(self, database: Database, client: httpx.AsyncClient, one: Notification) -> None:
        if one.channel.kind is Kind.WEBHOOK:
            self.webhooks.add(one.channel.id)
        self.over[one.channel.id] += 1
        self.busy[one.id] = asyncio.create_task(self._send(database, client, one))

    async def _send(self, database: Database, client: httpx.AsyncClient, one: Notification) -> None:
        outcome = await self._deliver(database, client, one)
        await self._record(database, one, outcome)
        await database.call(notifications.release, one.id)
        self.over[one.channel.id] -= 1
        del self.busy[one.id]

    async def _deliver(self, database: Database, client: httpx.AsyncClient, one: Notification) -> Outcome:
        channel = one.channel
        if one.fresh_s is not None and one.fresh_s <= 0:
            return Outcome(hopeless=True, error="it could not be sent in time")
        try:
            url = self.config.seal.open(channel.sealed) if channel.sealed is not None else ""
        except BadInput as error:
            return Outcome(hopeless=True, error=str(error))
        if channel.kind is Kind.WEBHOOK:
            url = url or self.config.webhook_url
            if not url:
                return Outcome(error="the settings of this desk name no webhook")
            return await webhook.deliver(client, url, one.body, self.config.webhook_timeout_s)
        if self.config.write is None:
            return Outcome(error="this desk writes to programs only")
        try:
            letter = await database.call(self.config.write, channel, one.reason, one.body)
        except psycopg.OperationalError:
            raise
        except Exception:
            log.exception("notification %d could not be written", one.id)
            return Outcome(error="the message could not be written; the log of the desk has the reason")
        return await self._by_thread(one, self._handing_over(one, url, letter))

    def _handing_over(self, one: Notification, url: str, letter: Letter) -> Callable[[], Outcome]:
        if one.channel.kind is Kind.SERVICE:
            return functools.partial(messenger.send, url, letter)
        server = self.config.mail
        if server is None:
            return lambda: Outcome(error="no mail server is set (HOLDFAST_MAIL_HOST)")
        envelope = mail.Envelope(
            to=one.channel.address or "",
            number=f"message-{one.id}.{one.body.get('id', 'holdfast')}",
            thread="" if one.alert_id is None else f"alert-{one.alert_id}.channel-{one.channel.id}",
            at=datetime.now(UTC),
        )
        return functools.partial(mail.send, server, envelope, letter)

    async def _by_thread(self, one: Notification, function: Callable[[], Outcome]) -> Outcome:
        aside = self.asides[one.channel.id] = Aside(function)
        try:
            async with asyncio.timeout(self.config.message_timeout_s):
                return await aside.result
        except TimeoutError:
            return Outcome(error=f"no end within {self.config.message_timeout_s:g} s")
        except Exception as error:
            log.exception("notification %d: its delivery failed otherwise than expected", one.id)
            return Outcome(error=f"it could not be handed over ({type(error).__name__})")

    async def _record(self, database: Database, one: Notification, outcome: Outcome) -> None:
        attempts = one.attempts + 1
        if outcome.delivered:
            waited_s = await database.call(notifications.sent, one.id)
            await database.call(channels.note_success, one.channel.id)
            self.measures.count("desk_sent")
            self.measures.observe("desk_send_delay_seconds", waited_s)
            return
        self.measures.count("desk_failed_attempts")
        what = f"channel {one.channel.id} ({one.channel.kind})"
        log.warning("notification %d, attempt %d: %s: %s", one.id, attempts, what, outcome.error)
        is_test = one.reason == notifications.TEST
        if outcome.gone or outcome.hopeless or is_test or attempts >= self.config.attempts:
            log.error("notification %d over %s is given up", one.id, what)
            await database.call(notifications.given_up, one.id, outcome.error)
            if outcome.gone:
                await database.call(channels.stop, one.channel.id, outcome.error)
            elif not is_test:
                await database.call(channels.note_failure, one.channel.id, outcome.error)
            return
        wait_s = backoff_s(attempts, self.config.backoff_s, self.config.backoff_limit_s)
        # Spread, so that what failed together does not come back together.
        wait_s *= random.uniform(0.8, 1.2)
        if outcome.retry_after_s is not None:
            wait_s = max(wait_s, outcome.retry_after_s)
            until = time.monotonic() + outcome.retry_after_s
            self.quiet_until[one.channel.id] = max(self.quiet_until.get(one.channel.id, 0.0), until)
        await database.call(notifications.failed, one.id, outcome.error, wait_s)

    async def _rest(self, database: Database) -> None:
        """Until something may be due, a delivery has ended, or the end."""
        until = time.monotonic() + LONGEST_SLEEP_S
        if len(self.busy) < MOST:
            seconds = await database.call(notifications.seconds_to_next, list(self.busy), self._shut())
            if seconds is not None:
                until = min(until, time.monotonic() + (seconds if seconds > 0 else OVERDUE_S))
        now = time.monotonic()
        until = min([until, *(end for end in self.quiet_until.values() if end > now)])
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
        self.over.clear()


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

"""The fan-out: one listener a process reads what is new and hands it to every open page.

A thread waits for the database's notifications, reads new events, changed alerts and changed board rows, and
passes them to the event loop, which puts them into the mailboxes. ``cursor`` is the id of the last event that
was handed out: a page that subscribes reads older ones from the table itself and gets all later ones here,
none twice.
"""

from __future__ import annotations

import asyncio
import json
import logging
import threading
import time
from contextlib import suppress
from dataclasses import dataclass, field

import psycopg

from api.alerts import ended_alerts, live_alerts
from api.board import BoardReader
from api.context import Borrow
from api.events import event_message, signal_message
from api.liveness import clock_speed
from api.mailbox import Mailbox, Message
from model.clock import Clock, to_datetime
from model.errors import HoldfastError
from store import events, sessions
from store.database import Connection, connect

log = logging.getLogger("holdfast.api")

TICK_S = 1.0
"""How often rows are looked at, and the longest that a lost notification delays an event."""
RETRY_S = 1.0


@dataclass(slots=True)
class News:
    """What one look at the database brought, for the event loop to hand out."""

    cursor: int = 0
    messages: list[Message] = field(default_factory=list)
    open: Message | None = None
    changed: dict[int, str] = field(default_factory=dict)
    rows: dict[int, str] | None = None
    alerts: dict[int, Message] = field(default_factory=dict)
    doubt: bool = False
    """Whether logins were ended."""
    tick: Message = field(default_factory=lambda: Message("tick", "{}"))

    def compare(self, before: dict[int, str] | None, after: dict[int, str]) -> None:
        """Note which rows changed and whether jobs were opened or closed."""
        if before is None or before.keys() != after.keys():
            self.open = open_jobs(after)
        self.changed = {job: text for job, text in after.items() if (before or {}).get(job) != text}


class Hub:
    """See the module. Call `start` and `close` from the event loop's thread."""

    def __init__(self, dsn: str, clock: Clock, database: Borrow) -> None:
        self._dsn = dsn
        self._clock = clock
        self._database = database
        self._board = BoardReader(clock)
        self._mailboxes: set[Mailbox] = set()
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self.failure: BaseException | None = None
        """What ended the thread, if that was not `close`."""
        self._loop: asyncio.AbstractEventLoop | None = None
        self._ready = asyncio.Event()
        self._rows: dict[int, str] | None = None
        self._alerts: dict[int, Message] = {}
        self._fresh = threading.Event()
        self.cursor = 0
        self.published = 0
        self.dropped = 0

    def start(self) -> None:
        """Begin to listen."""
        self._loop = asyncio.get_running_loop()
        self._thread = threading.Thread(target=self._run, name="hub", daemon=True)
        self._thread.start()

    def end_streams(self) -> None:
        """End all streams now, so that no open page holds up the end of the process."""
        self._stop.set()
        for mailbox in self._mailboxes:
            mailbox.close()

    def close(self) -> None:
        """End all streams and the thread."""
        self.end_streams()
        if self._thread is not None:
            self._thread.join(timeout=3.0)

    @property
    def pages(self) -> int:
        """How many streams are open."""
        return len(self._mailboxes)

    async def ready(self, timeout_s: float) -> bool:
        """Whether the listener has reached the database, waiting for it a moment."""
        with suppress(TimeoutError):
            await asyncio.wait_for(self._ready.wait(), timeout_s)
        return self._ready.is_set()

    def subscribe(self, job_id: int | None) -> Mailbox:
        """A mailbox that gets everything after `cursor`, beginning with the rows and alerts of now."""
        mailbox = Mailbox(job_id)
        if self._stop.is_set():
            mailbox.close()
        for message in self._alerts.values():
            mailbox.put(message)
        if self._rows is not None:
            mailbox.put_open(open_jobs(self._rows))
            mailbox.put_rows(self._rows)
        self._mailboxes.add(mailbox)
        return mailbox

    def unsubscribe(self, mailbox: Mailbox) -> None:
        """Forget a mailbox."""
        if mailbox.closed and not self._stop.is_set():
            self.dropped += 1
        self._mailboxes.discard(mailbox)
        if not self._mailboxes:
            # Nobody watches: what is kept would go stale.
            self._rows, self._alerts = None, {}
            self._fresh.set()

    # The thread ------------------------------------------------------------------------------------------

    def _run(self) -> None:
        try:
            self._listen()
        except BaseException as error:
            log.exception("the listener ends")
            self.failure = error

    def _listen(self) -> None:
        while not self._stop.is_set():
            try:
                with connect(self._dsn, application="serve-listen", autocommit=True) as listener:
                    listener.execute("LISTEN event")
                    listener.execute("LISTEN alert")
                    listener.execute(f"LISTEN {sessions.CHANNEL}")
                    self._follow(listener)
            except (psycopg.Error, HoldfastError) as error:
                log.warning("the listener lost the database: %s", str(error).strip().splitlines()[:1])
                self._stop.wait(RETRY_S)
            except RuntimeError:
                if self._loop is not None and self._loop.is_closed():
                    return  # the process ends
                raise

    def _follow(self, listener: Connection) -> None:
        cursor = self.cursor if self._ready.is_set() else events.newest_id(listener)
        rows: dict[int, str] | None = None
        alerts: dict[int, Message] = {}
        rows_due = 0.0
        doubt = True  # who was not connected may have missed that a login was ended
        while not self._stop.is_set():
            if self._fresh.is_set():
                self._fresh.clear()
                rows, alerts = None, {}
                rows_due = 0.0
            news, doubt = News(doubt=doubt), False
            with self._database() as conn:
                for event in events.after(conn, cursor):
                    news.messages.append(event_message(event))
                    if (signal := signal_message(event)) is not None:
                        news.messages.append(signal)
                    cursor = event.id
                if self._mailboxes:
                    now_alerts = live_alerts(conn)
                    news.messages += [m for key, m in now_alerts.items() if alerts.get(key) != m]
                    news.messages += ended_alerts(conn, alerts.keys() - now_alerts.keys())
                    alerts = now_alerts
                news.cursor, news.rows, news.alerts = cursor, rows, alerts
                if self._mailboxes and time.monotonic() >= rows_due:
                    if news.messages:
                        # What somebody may have to act on does not wait for thousands of rows.
                        self._hand_out(news)
                        news = News(cursor=cursor, alerts=alerts)
                    rows_due = time.monotonic() + TICK_S
                    now_rows = self._read_rows(conn)
                    news.compare(rows, now_rows)
                    news.rows = rows = now_rows
            self._hand_out(news)
            for notice in listener.notifies(timeout=TICK_S, stop_after=1):
                doubt = doubt or notice.channel == sessions.CHANNEL

    def _hand_out(self, news: News) -> None:
        news.tick = Message("tick", json.dumps(tick_data(self._clock)))
        assert self._loop is not None
        self._loop.call_soon_threadsafe(self._publish, news)

    def _read_rows(self, conn: Connection) -> dict[int, str]:
        return {row.job: row.model_dump_json() for row in self._board.read(conn)}

    # The event loop --------------------------------------------------------------------------------------

    def _publish(self, news: News) -> None:
        self.cursor = news.cursor
        self.published += len(news.messages)
        if self._mailboxes:
            self._rows, self._alerts = news.rows, news.alerts
        self._ready.set()
        for mailbox in self._mailboxes:
            for message in news.messages:
                mailbox.put(message)
            if news.open is not None:
                mailbox.put_open(news.open)
            mailbox.put_rows(news.changed)
            mailbox.put_tick(news.tick)
            if news.doubt:
                mailbox.put_doubt()


def tick_data(clock: Clock) -> dict[str, object]:
    """What the clock says, and how fast it runs: pages let their ages grow at that speed."""
    return {"now": to_datetime(clock.now_us()).isoformat(), "speed": round(clock_speed(clock), 3)}


def open_jobs(rows: dict[int, str]) -> Message:
    """Which jobs the board has."""
    return Message("board", json.dumps(list(rows)))

"""What waits for one open page: bounded, so that a page that does not read cannot fill our memory."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass

MOST_WAITING = 1000
"""Events and alerts that may wait; a page that is further behind is dropped and resumes by its last id."""


@dataclass(frozen=True, slots=True)
class Message:
    """One server-sent event; only those with an id can be resumed from."""

    event: str
    data: str
    id: int | None = None
    job_id: int | None = None


class Mailbox:
    """Messages for one page. Used by the event loop's thread only.

    Events and alerts wait in order. Of board rows and of the clock only the newest is worth sending. A page
    of one job gets the events and the row of that job, and all alerts and signals.
    """

    def __init__(self, job_id: int | None = None, most: int = MOST_WAITING) -> None:
        self.job_id = job_id
        self.closed = False
        self.doubtful = False
        self._most = most
        self._messages: deque[Message] = deque()
        self._rows: dict[int, str] = {}
        self._open: Message | None = None
        self._tick: Message | None = None
        self._ready = asyncio.Event()

    def put(self, message: Message) -> None:
        """Add an event or alert, or give the page up if too many wait."""
        elsewhere = self.job_id is not None and message.job_id != self.job_id
        if elsewhere and message.event not in ("alert", "signal"):
            return
        if len(self._messages) >= self._most:
            self.close()
            return
        self._messages.append(message)
        self._ready.set()

    def put_rows(self, rows: Mapping[int, str]) -> None:
        """Add changed rows of the board, each as JSON; an older one of the same job is forgotten."""
        wanted = rows if self.job_id is None else {k: v for k, v in rows.items() if k == self.job_id}
        if wanted:
            self._rows.update(wanted)
            self._ready.set()

    def put_open(self, message: Message) -> None:
        """Set which jobs are open."""
        if self.job_id is None:
            self._open = message
            self._ready.set()

    def put_tick(self, message: Message) -> None:
        """Set the newest word of the clock."""
        self._tick = message
        self._ready.set()

    def put_doubt(self) -> None:
        """Somebody's login was ended: the stream shall ask whether it was this page's."""
        self.doubtful = True
        self._ready.set()

    def close(self) -> None:
        """End the page's stream; what waits is dropped."""
        self.closed = True
        self._ready.set()

    async def take(self) -> list[Message]:
        """Everything that waits, as soon as anything does; nothing once it is closed."""
        await self._ready.wait()
        if self.closed:
            return []
        self._ready.clear()
        taken = list(self._messages)
        self._messages.clear()
        if self._open is not None:
            taken.append(self._open)
            self._open = None
        if self._rows:
            taken.append(Message("rows", f"[{','.join(self._rows.values())}]"))
            self._rows = {}
        if self._tick is not None:
            taken.append(self._tick)
            self._tick = None
        return taken

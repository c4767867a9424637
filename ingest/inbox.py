"""Messages between the broker's thread and the writer's: bounded, each held once."""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Iterable

import msgspec

OVERHEAD_BYTES = 500
"""What a held message costs beside its payload, roughly."""


class Message(msgspec.Struct, frozen=True, gc=False):
    """A message as it came.

    Parameters
    ----------
    connection : int
        Number of the connection on which it came; a message id means nothing on another one.
    mid : int
        MQTT's packet identifier; 0 for QoS 0, which is not acknowledged.
    again : bool
        A redelivery, or a retained copy.
    """

    topic: str
    payload: bytes
    arrived_us: int
    connection: int = 0
    mid: int = 0
    content_type: str | None = None
    again: bool = False

    @property
    def size(self) -> int:
        """Bytes that it takes in memory."""
        return len(self.payload) + OVERHEAD_BYTES


class Inbox:
    """Messages waiting for the database.

    Keyed by (connection, message id): a redelivery of what is held is passed over, so it never grows.
    MQTT has 65,535 message ids, and ``capacity_bytes`` bounds it besides. `put` never blocks.
    """

    def __init__(self, capacity_bytes: int) -> None:
        self.capacity_bytes = capacity_bytes
        self.closed = False
        self._queue: deque[tuple[float, Message]] = deque()
        self._held: set[tuple[int, int]] = set()
        self._bytes = 0
        self._lock = threading.Lock()
        self._filled = threading.Event()

    def put(self, message: Message) -> bool:
        """Take a message in; False if there is no room and the broker must send it again."""
        key = (message.connection, message.mid)
        with self._lock:
            if message.mid and key in self._held:
                return True
            if self.closed or self._bytes + message.size > self.capacity_bytes:
                return False
            if message.mid:
                self._held.add(key)
            self._bytes += message.size
            self._queue.append((time.monotonic(), message))
        if not self._filled.is_set():
            self._filled.set()
        return True

    def wait(self, age_s: float, most: int, patience_s: float) -> bool:
        """Wait for a batch: ``most`` messages, or fewer of which the oldest has waited ``age_s``.

        Returns False if none came within ``patience_s``, or before a `nudge`.
        """
        if not self._filled.wait(patience_s):
            return False
        with self._lock:
            if not self._queue:
                self._filled.clear()
                return False
            oldest = self._queue[0][0]
            full = len(self._queue) >= most
        left_s = oldest + age_s - time.monotonic()
        if left_s > 0 and not full:
            time.sleep(min(left_s, patience_s))
        return True

    def nudge(self) -> None:
        """End the wait, though nothing came."""
        self._filled.set()

    def take(self, most: int, most_bytes: int) -> list[Message]:
        """The oldest messages, in the order in which they came; they stay held until `release`."""
        batch: list[Message] = []
        with self._lock:
            while self._queue and len(batch) < most and most_bytes > 0:
                _, message = self._queue.popleft()
                self._bytes -= message.size
                most_bytes -= message.size
                batch.append(message)
            if not self._queue:
                self._filled.clear()
        return batch

    def release(self, messages: Iterable[Message]) -> None:
        """Forget ids of messages: they are acknowledged, and the broker may use the ids anew."""
        with self._lock:
            self._held.difference_update([(message.connection, message.mid) for message in messages])

    def reconnected(self, *, session_kept: bool) -> None:
        """Forget the ids of the old connection.

        If the broker kept the session, it sends again what was not acknowledged, so those messages
        are dropped here; if it lost the session, what we hold is all there is.
        """
        with self._lock:
            self._held.clear()
            if session_kept:
                self._queue = deque(entry for entry in self._queue if not entry[1].mid)
                self._bytes = sum(message.size for _, message in self._queue)

    @property
    def has_room(self) -> bool:
        """Whether half of it is free."""
        return not self.closed and self._bytes < self.capacity_bytes / 2

    @property
    def settled(self) -> bool:
        """Whether nothing waits, and nothing that came on this connection is still to be acknowledged."""
        with self._lock:
            return not self._queue and not self._held

    @property
    def held_bytes(self) -> int:
        """Bytes that wait for the writer."""
        return self._bytes

    @property
    def oldest_s(self) -> float:
        """How long the oldest has waited [s]; 0 if nothing waits."""
        with self._lock:
            return time.monotonic() - self._queue[0][0] if self._queue else 0.0

    def __len__(self) -> int:
        return len(self._queue)

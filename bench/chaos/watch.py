"""What passes between ingest, broker and database, cut into whole messages and recognised."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum
from typing import Protocol

from bench.chaos import mqtt


class Moment(Enum):
    """A message on the wire that marks a point in the life of a batch."""

    COPY = "the batch's COPY"
    COMMIT = "the batch's COMMIT"
    COMMITTED = "the server's word that it is committed"
    ACKNOWLEDGE = "a PUBACK from ingest"
    RECEIPT = "a receipt from ingest"
    AGAIN = "a pack that the broker sends again"


@dataclass(frozen=True, slots=True)
class Seen:
    """A moment, and of MQTT the message it is about."""

    moment: Moment
    message: mqtt.Published | None = None


class Watch(Protocol):
    """Follows one connection."""

    unknown: bool
    """Whether a COMMIT has gone out and nobody has answered it."""

    def feed(self, upward: bool, data: bytes) -> Iterator[tuple[bytes, Seen | None]]:
        """Whole messages, each with what it marks; upward is towards broker or database."""


class Blind:
    """Lets everything through."""

    unknown = False

    def feed(self, upward: bool, data: bytes) -> Iterator[tuple[bytes, Seen | None]]:
        yield data, None


class IngestAtBroker:
    """The session of ingest at the broker."""

    unknown = False

    def __init__(self) -> None:
        self._level = 4
        self._packets = {True: mqtt.Packets(), False: mqtt.Packets()}
        self._delivered: dict[int, mqtt.Published] = {}

    def feed(self, upward: bool, data: bytes) -> Iterator[tuple[bytes, Seen | None]]:
        for packet in self._packets[upward].feed(data):
            yield packet, self._up(packet) if upward else self._down(packet)

    def _up(self, packet: bytes) -> Seen | None:
        kind = mqtt.kind(packet)
        if kind == mqtt.CONNECT:
            self._level = mqtt.version(packet)
        elif kind == mqtt.PUBACK:
            message = self._delivered.pop(mqtt.acknowledged(packet), None)
            return Seen(Moment.ACKNOWLEDGE, message) if message else None
        elif kind == mqtt.PUBLISH:
            message = mqtt.published(packet, self._level)
            return Seen(Moment.RECEIPT, message) if message.topic.endswith("/receipt") else None
        return None

    def _down(self, packet: bytes) -> Seen | None:
        if mqtt.kind(packet) != mqtt.PUBLISH:
            return None
        message = mqtt.published(packet, self._level)
        if not message.pid or not message.topic.endswith(("/data", "/late")):
            return None
        self._delivered[message.pid] = message
        return Seen(Moment.AGAIN, message) if message.again else None


class IngestAtDatabase:
    """A session of ingest at PostgreSQL.

    After "Frontend/Backend Protocol" of PostgreSQL's documentation, section "Message Formats": a letter and a
    length, but for the first message, which has no letter.
    """

    def __init__(self) -> None:
        self._rest = {True: bytearray(), False: bytearray()}
        self._begun = False
        self._copying = False
        self.unknown = False

    def feed(self, upward: bool, data: bytes) -> Iterator[tuple[bytes, Seen | None]]:
        rest = self._rest[upward]
        rest += data
        while True:
            letters = 1 if self._begun or not upward else 0
            if len(rest) < letters + 4:
                return
            size = letters + int.from_bytes(rest[letters : letters + 4], "big")
            if len(rest) < size:
                return
            message = bytes(rest[:size])
            del rest[:size]
            if letters:
                yield message, self._up(message) if upward else self._down(message)
            else:
                self._begun = True
                yield message, None

    def _up(self, message: bytes) -> Seen | None:
        # A simple query, or the parsing of one; the text ends the first's content and is in the second's.
        if message[:1] not in (b"Q", b"P"):
            return None
        if b"COPY staging" in message:
            self._copying = True
            return Seen(Moment.COPY)
        if b"COMMIT\0" in message and self._copying:
            self.unknown = True
            return Seen(Moment.COMMIT)
        return None

    def _down(self, message: bytes) -> Seen | None:
        if message[:1] != b"C" or not self._copying:
            return None
        tag = message[5:].rstrip(b"\0")
        if tag in (b"COMMIT", b"ROLLBACK"):
            self._copying = self.unknown = False
        return Seen(Moment.COMMITTED) if tag == b"COMMIT" else None

"""As much of MQTT's wire as gateways need to speak and the fault proxy needs to understand.

After MQTT 3.1.1 (OASIS standard, 2014), chapters 2 and 3; of MQTT 5 only where properties stand.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

CONNECT, CONNACK, PUBLISH, PUBACK, SUBSCRIBE, SUBACK, PINGREQ, PINGRESP = 1, 2, 3, 4, 8, 9, 12, 13


@dataclass(frozen=True, slots=True)
class Published:
    """A PUBLISH packet; ``pid`` is 0 for QoS 0."""

    topic: str
    payload: bytes
    pid: int
    again: bool


class Packets:
    """Cuts a stream into whole packets."""

    def __init__(self) -> None:
        self._rest = bytearray()

    def feed(self, data: bytes) -> Iterator[bytes]:
        """The packets that are whole now."""
        rest = self._rest
        rest += data
        while len(rest) >= 2:
            size, shift, at = 0, 0, 1
            while True:
                if at >= len(rest):
                    return
                size |= (rest[at] & 0x7F) << shift
                at += 1
                if not rest[at - 1] & 0x80:
                    break
                shift += 7
            if len(rest) < at + size:
                return
            yield bytes(rest[: at + size])
            del rest[: at + size]


def kind(packet: bytes) -> int:
    """The packet's type."""
    return packet[0] >> 4


def body(packet: bytes) -> bytes:
    """What follows the fixed header."""
    at = 1
    while packet[at] & 0x80:
        at += 1
    return packet[at + 1 :]


def version(connect: bytes) -> int:
    """Protocol level of a CONNECT: 4 is MQTT 3.1.1, 5 is MQTT 5."""
    return body(connect)[6]


def published(packet: bytes, level: int = 4) -> Published:
    """Read a PUBLISH."""
    content = body(packet)
    at = 2 + int.from_bytes(content[:2], "big")
    topic = content[2:at].decode(errors="replace")
    pid = 0
    if packet[0] & 0x06:
        pid = int.from_bytes(content[at : at + 2], "big")
        at += 2
    if level == 5:
        size, shift = 0, 0
        while True:
            size |= (content[at] & 0x7F) << shift
            at += 1
            if not content[at - 1] & 0x80:
                break
            shift += 7
        at += size
    return Published(topic, content[at:], pid, bool(packet[0] & 0x08))


def acknowledged(puback: bytes) -> int:
    """The packet identifier that a PUBACK names."""
    return int.from_bytes(body(puback)[:2], "big")


def connect(client: str, user: str, password: str, keepalive_s: int) -> bytes:
    """A CONNECT of MQTT 3.1.1 with a clean session."""
    head = _text("MQTT") + bytes([4, 0b1100_0010]) + keepalive_s.to_bytes(2, "big")
    return _packet(CONNECT << 4, head + _text(client) + _text(user) + _text(password))


def subscribe(topic: str, pid: int) -> bytes:
    """A SUBSCRIBE with QoS 1."""
    return _packet(SUBSCRIBE << 4 | 2, pid.to_bytes(2, "big") + _text(topic) + b"\x01")


def publish(topic: str, payload: bytes, pid: int, *, retain: bool = False) -> bytes:
    """A PUBLISH with QoS 1."""
    return _packet(PUBLISH << 4 | 2 | retain, _text(topic) + pid.to_bytes(2, "big") + payload)


def puback(pid: int) -> bytes:
    """A PUBACK."""
    return _packet(PUBACK << 4, pid.to_bytes(2, "big"))


def ping() -> bytes:
    """A PINGREQ."""
    return _packet(PINGREQ << 4, b"")


def _text(text: str) -> bytes:
    raw = text.encode()
    return len(raw).to_bytes(2, "big") + raw


def _packet(first: int, content: bytes) -> bytes:
    length = bytearray()
    size = len(content)
    while True:
        size, digit = divmod(size, 128)
        length.append(digit | (0x80 if size else 0))
        if not size:
            return bytes([first]) + bytes(length) + content

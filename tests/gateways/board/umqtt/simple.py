"""MQTT 3.1.1 with the methods of MicroPython's ``umqtt.simple``, for the tests under CPython.

Written from the standard (OASIS MQTT 3.1.1) and that module's documented interface: one blocking socket,
``publish`` with QoS 1 waits for its PUBACK and lets everything else in meanwhile.
"""

from __future__ import annotations

import select
import socket
import ssl
import struct
from collections.abc import Callable

CONNACK, PUBLISH, PUBACK, SUBACK = 2, 3, 4, 9


class MQTTException(Exception):
    """The broker refuses."""


class MQTTClient:
    """A client of one connection."""

    def __init__(
        self, client_id: str, server: str, port: int = 1883, user: str | None = None,
        password: str | None = None, keepalive: int = 0, ssl: ssl.SSLContext | None = None,
    ) -> None:  # fmt: skip
        self._tls = ssl
        self._address = (server, port)
        self._login = [text for text in (user, password) if text is not None]
        self._client_id = client_id
        self._keepalive = keepalive
        self._will: tuple[str, str, bool, int] | None = None
        self._callback: Callable[[bytes, bytes], None] = lambda topic, message: None
        self._number = 0

    def set_callback(self, callback: Callable[[bytes, bytes], None]) -> None:
        """Who gets the messages."""
        self._callback = callback

    def set_last_will(self, topic: str, msg: str, retain: bool = False, qos: int = 0) -> None:
        """Before `connect`."""
        self._will = (topic, msg, retain, qos)

    def connect(self, clean_session: bool = True) -> None:
        """Open the connection."""
        self.sock = socket.create_connection(self._address)
        if self._tls is not None:
            self.sock = self._tls.wrap_socket(self.sock, server_hostname=self._address[0])
        flags = clean_session << 1 | (len(self._login) > 0) << 7 | (len(self._login) > 1) << 6
        strings = [self._client_id]
        if self._will is not None:
            topic, message, retain, qos = self._will
            flags |= 1 << 2 | qos << 3 | retain << 5
            strings += [topic, message]
        head = _string("MQTT") + struct.pack("!BBH", 4, flags, self._keepalive)
        self._send(0x10, head + b"".join(map(_string, strings + self._login)))
        body = self._until(CONNACK)
        if body[1]:
            raise MQTTException(body[1])

    def ping(self) -> None:
        """Show that we live."""
        self._send(0xC0, b"")

    def publish(self, topic: str, msg: str, retain: bool = False, qos: int = 0) -> None:
        """Publish; with QoS 1 this waits for the broker's word."""
        number = b""
        if qos:
            self._number = self._number % 65_535 + 1
            number = struct.pack("!H", self._number)
        self._send(0x30 | qos << 1 | retain, _string(topic) + number + msg.encode())
        while qos and self._until(PUBACK) != number:
            pass

    def subscribe(self, topic: str, qos: int = 0) -> None:
        """Subscribe and wait for the broker's word."""
        self._number = self._number % 65_535 + 1
        self._send(0x82, struct.pack("!H", self._number) + _string(topic) + bytes([qos]))
        if self._until(SUBACK)[2] == 0x80:
            raise MQTTException("subscription refused")

    def check_msg(self) -> None:
        """Take in one message if one is there."""
        if select.select([self.sock], [], [], 0)[0]:
            self._take()

    def _until(self, kind: int) -> bytes:
        while True:
            got, body = self._take()
            if got == kind:
                return body

    def _take(self) -> tuple[int, bytes]:
        first = self._read(1)[0]
        length = shift = 0
        while True:
            byte = self._read(1)[0]
            length |= (byte & 0x7F) << shift
            shift += 7
            if not byte & 0x80:
                break
        body = self._read(length)
        if first >> 4 == PUBLISH:
            size = struct.unpack("!H", body[:2])[0]
            topic, rest = body[2 : 2 + size], body[2 + size :]
            if first & 0x06:
                self._send(0x40, rest[:2])
                rest = rest[2:]
            self._callback(topic, rest)
        return first >> 4, body

    def _read(self, n: int) -> bytes:
        data = b""
        while len(data) < n:
            part = self.sock.recv(n - len(data))
            if not part:
                raise OSError(-1)
            data += part
        return data

    def _send(self, first: int, body: bytes) -> None:
        length, left = b"", len(body)
        while True:
            left, byte = divmod(left, 128)
            length += bytes([byte | (0x80 if left else 0)])
            if not left:
                break
        self.sock.sendall(bytes([first]) + length + body)


def _string(text: str) -> bytes:
    raw = text.encode()
    return struct.pack("!H", len(raw)) + raw

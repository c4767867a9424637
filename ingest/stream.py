"""The bytes of a connection, read and written in bulk.

The MQTT client reads a packet with three calls of the kernel and writes each acknowledgement with one; that
is most of what a message costs. Here a connection is read in large pieces, the packets that there are
thousands of (PUBLISH of QoS 1) are taken out, and all others are left to the client, in their order.
Acknowledgements are written many at once.

References
----------
.. [1] MQTT Version 3.1.1, OASIS Standard, sections 2.2, 3.3 and 3.4; MQTT Version 5.0, sections 3.3 and 3.4.
"""

from __future__ import annotations

import contextlib
import socket
import ssl
import struct
from collections.abc import Iterable, Iterator
from typing import NamedTuple

import paho.mqtt.client as mqtt

READ_BYTES = 1 << 17
"""Read at once, so that acknowledgements get their turn after a thousand small messages or so."""
FAREWELL_S = 1.0
"""How long a closing connection may take to send what is left."""

_WOULD_BLOCK = (BlockingIOError, ssl.SSLWantReadError, ssl.SSLWantWriteError)
_PUBLISH_QOS_1, _SAME_BUT_DUP_AND_RETAIN = 0x32, 0xF6
_DUP_OR_RETAIN = 0x09
_RESERVED = 0
_PUBACK = struct.Struct(">BBH").pack


class Publish(NamedTuple):
    """A PUBLISH packet of QoS 1; ``again`` if it is marked as repeated or retained."""

    topic: bytes
    payload: bytes
    mid: int
    again: bool


class Stream:
    """A connected socket, in front of which the client sees only what is left to it.

    Parameters
    ----------
    sock : socket
        Plain or TLS.
    mqtt5 : bool
        Packets have properties; those that have some are left to the client.
    """

    def __init__(self, sock: mqtt.SocketLike, *, mqtt5: bool) -> None:
        self._sock = sock
        self._mqtt5 = mqtt5
        self._read = bytearray()
        self._needed = 2
        """So much must have been read before there is a packet."""
        self._for_client = b""
        self._end: OSError | None = None
        """Why nothing more can be read; an error without text: the other side has closed."""
        self._unsent = bytearray()

    # What the client calls as if it were the socket ---------------------------------------------------

    def recv(self, size: int) -> bytes:
        """What is left to the client, then the connection's end."""
        if self._for_client:
            part, self._for_client = self._for_client[:size], self._for_client[size:]
            return part
        if self._end is None:
            raise BlockingIOError
        if self._end.args:
            raise self._end
        return b""

    def send(self, data: bytes | bytearray) -> int:
        """Take bytes over; `flush` sends them."""
        self._unsent += data
        return len(data)

    def close(self) -> None:
        """Send what is left, and close."""
        with contextlib.suppress(OSError):
            if isinstance(self._sock, socket.socket):
                self._sock.settimeout(FAREWELL_S)
            while self._unsent and self._end is None and self.flush():
                pass
        self._sock.close()

    def fileno(self) -> int:
        """The socket's; -1 after `close`."""
        return self._sock.fileno()

    def setblocking(self, flag: bool) -> None:
        """As the socket's."""
        self._sock.setblocking(flag)

    # What the session calls --------------------------------------------------------------------------

    @property
    def decrypted(self) -> bool:
        """Whether TLS holds bytes that no selector knows of."""
        return isinstance(self._sock, ssl.SSLSocket) and self._sock.pending() > 0

    @property
    def wants_write(self) -> bool:
        """Whether something waits for `flush`."""
        return bool(self._unsent)

    def flush(self) -> bool:
        """Send as much as can be sent now; says whether something was."""
        if not self._unsent:
            return False
        try:
            sent = self._sock.send(self._unsent)
        except _WOULD_BLOCK:
            return False
        except OSError as error:
            self._end = error
            return False
        del self._unsent[:sent]
        return sent > 0

    def acknowledge(self, mids: Iterable[int]) -> None:
        """Queue a PUBACK for each, in this order; without properties it is the same in both versions [1]_."""
        self._unsent += b"".join([_PUBACK(0x40, 2, mid) for mid in mids])

    def arrivals(self) -> Iterator[Publish | None]:
        """What has come since, in order; None where the client has to read a packet of its own."""
        try:
            piece = self._sock.recv(READ_BYTES)
            if not piece:
                self._end = OSError()
        except _WOULD_BLOCK:
            return
        except OSError as error:
            self._end, piece = error, b""
        self._read += piece
        if len(self._read) >= self._needed:
            yield from self._packets()
        if self._end is not None:
            yield None

    def _packets(self) -> Iterator[Publish | None]:
        data, at = bytes(self._read), 0
        while True:
            begin, end = _extent(data, at)
            if end > len(data):
                if at < len(data) and data[at] >> 4 == _RESERVED:
                    # The client would wait for the rest of it.
                    self._end = OSError("The broker sent a packet of a type that MQTT does not have.")
                break
            publish = self._publish(data, at, begin, end)
            if publish is None:
                self._for_client += data[at:end]
            at = end
            yield publish
        self._read = bytearray(data[at:])
        self._needed = end - at

    def _publish(self, data: bytes, at: int, begin: int, end: int) -> Publish | None:
        """The PUBLISH, if it is one of QoS 1 without properties and well-formed."""
        head = data[at]
        if head & _SAME_BUT_DUP_AND_RETAIN != _PUBLISH_QOS_1 or end - begin < 4:
            return None
        topic = begin + 2
        ident = topic + (data[begin] << 8 | data[begin + 1])
        payload = ident + 2
        if self._mqtt5:
            if payload >= end or data[payload] != 0:
                return None
            payload += 1
        if payload > end:
            return None
        mid = data[ident] << 8 | data[ident + 1]
        return Publish(data[topic:ident], data[payload:end], mid, bool(head & _DUP_OR_RETAIN))


def _extent(data: bytes, at: int) -> tuple[int, int]:
    """Where the body of a packet begins and ends; past the end of the data if that is not here yet."""
    length = shift = 0
    for begin in range(at + 1, at + 5):
        if begin >= len(data):
            return begin + 1, begin + 1
        length |= (data[begin] & 0x7F) << shift
        if data[begin] < 0x80:
            return begin + 1, begin + 1 + length
        shift += 7
    # A length of five bytes is none: the client finds that out, and closes.
    return at + 5, max(at + 6, len(data))


class Client(mqtt.Client):
    """The MQTT client on a `Stream`, put in where it would wrap a socket for WebSockets."""

    def _create_socket(self) -> mqtt.SocketLike:
        return Stream(super()._create_socket(), mqtt5=self.protocol == mqtt.MQTTv5)

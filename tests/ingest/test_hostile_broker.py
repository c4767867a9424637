"""A broker, or whoever speaks for it, that sends what is no MQTT: one clean disconnect, and on it goes."""

from __future__ import annotations

import random
import socket
import struct
from contextlib import closing

import pytest

from ingest.client import Session
from ingest.config import BrokerConfig
from ingest.inbox import Inbox
from ingest.topics import LIVE_FILTERS
from model.clock import SystemClock
from tests.ingest.test_stream import packet, publish
from tests.waiting import PATIENCE_S, wait_until

CONNACK, SUBACK = packet(0x20, b"\0\0"), 0x90
HOSTILE = {
    "reserved type": b"\x00\x00",
    "reserved type, and a length that nothing follows": b"\x00\xff\xff\xff\x7f",
    "type of MQTT 5 alone": b"\xf0\x00",
    "length of five bytes": b"\x32\xff\xff\xff\xff\x01",
    "topic longer than its packet": packet(0x32, b"\xff\xffa\0\1"),
    "publish without a body": packet(0x32, b""),
    "publish of one byte": packet(0x32, b"\0"),
    "quality of service 3": publish(b"a/b", b"x", 7, head=0x36),
    "empty SUBACK": packet(SUBACK, b""),
    "empty PUBACK": packet(0x40, b""),
    "empty CONNACK": packet(0x20, b""),
    "second CONNACK that refuses": packet(0x20, b"\0\5"),
    "a client's packet": packet(0x82, b"\0\1\0\1#\1"),
}


def greeted(server: socket.socket) -> socket.socket:
    """The next connection, after CONNECT and SUBSCRIBE were answered."""
    sock, _ = server.accept()
    sock.settimeout(PATIENCE_S)
    assert sock.recv(1000)[0] == 0x10
    sock.sendall(CONNACK)
    asked = sock.recv(1000)
    assert asked[0] == 0x82
    sock.sendall(packet(SUBACK, asked[2:4] + b"\1" * len(LIVE_FILTERS)))
    return sock


def ended(sock: socket.socket) -> bool:
    """Whether the other side leaves."""
    sock.settimeout(3.0)
    try:
        while sock.recv(1000):
            pass
    except TimeoutError:
        return False
    except ConnectionResetError:
        pass
    return True


@pytest.mark.parametrize("what", [*HOSTILE, "noise"])
def test_what_is_no_mqtt_ends_the_connection_and_nothing_else(what: str, rng: random.Random) -> None:
    raw = HOSTILE.get(what) or b"\x00" + rng.randbytes(300)
    inbox = Inbox(10**6)
    with closing(socket.create_server(("127.0.0.1", 0))) as server:
        server.settimeout(PATIENCE_S)
        config = BrokerConfig("127.0.0.1", server.getsockname()[1])
        session = Session(config, "ear", LIVE_FILTERS, inbox, SystemClock())
        session.start()
        with greeted(server) as sock:
            wait_until(lambda: session.subscribed, what="the session")
            sock.sendall(publish(b"hf/1/gw1/g1/data", b"before", 1) + raw)
            assert ended(sock)
        with greeted(server) as sock:
            sock.sendall(publish(b"hf/1/gw1/g1/data", b"after", 1))
            wait_until(lambda: len(inbox) == 2, what="both messages")
            assert session.trouble == ""
            assert session.is_alive()
            session.stop()
            unsubscribe = struct.unpack(">BBH", sock.recv(1000)[:4])
            sock.sendall(packet(0xB0, struct.pack(">H", unsubscribe[2])))
            session.join(PATIENCE_S)
    assert session.failure is None
    assert [message.payload for message in inbox.take(10, 10**6)] == [b"before", b"after"]

"""The bytes of a connection: which packets are taken out of it; nothing is lost or put out of order."""

from __future__ import annotations

import socket
import struct
from collections.abc import Iterator
from contextlib import closing, contextmanager

import paho.mqtt.client as mqtt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt.enums import CallbackAPIVersion

from ingest.stream import Publish, Stream


def packet(head: int, body: bytes) -> bytes:
    """A control packet; the encoding of its length is that of MQTT 3.1.1, section 2.2.3."""
    length, digits = len(body), bytearray()
    while True:
        length, digit = divmod(length, 128)
        digits.append(digit | (0x80 if length else 0))
        if not length:
            return bytes([head]) + bytes(digits) + body


def publish(topic: bytes, payload: bytes, mid: int, *, head: int = 0x32, properties: bytes = b"") -> bytes:
    body = struct.pack(">H", len(topic)) + topic + struct.pack(">H", mid) + properties + payload
    return packet(head, body)


@contextmanager
def stream(*, mqtt5: bool = False) -> Iterator[tuple[Stream, socket.socket]]:
    ours, theirs = socket.socketpair()
    ours.setblocking(False)
    made = Stream(ours, mqtt5=mqtt5)
    with closing(made), theirs:
        yield made, theirs


def left_to_the_client(made: Stream) -> bytes:
    left = b""
    try:
        while part := made.recv(3):
            left += part
    except BlockingIOError:
        return left
    return left + b"(end)"


def everything(made: Stream) -> list[Publish | bytes]:
    """What comes in order; of the client's packets their bytes."""
    return [left_to_the_client(made) if each is None else each for each in made.arrivals()]


PINGRESP = packet(0xD0, b"")
PACKETS: list[tuple[bytes, Publish | None]] = [
    (publish(b"a/b", b"payload", 7), Publish(b"a/b", b"payload", 7, False)),
    (publish(b"a", b"", 65_535, head=0x3A), Publish(b"a", b"", 65_535, True)),
    (publish(b"a", b"x" * 200, 1, head=0x33), Publish(b"a", b"x" * 200, 1, True)),
    (publish(b"\xff", b"y" * 20_000, 258), Publish(b"\xff", b"y" * 20_000, 258, False)),
    (PINGRESP, None),
    (packet(0x90, b"\0\1\1"), None),  # SUBACK
    (packet(0x30, b"\0\1aqos 0"), None),
    (packet(0x34, b"\0\1a\0\1qos 2"), None),
    (packet(0x32, b"\0\x09a\0\1malformed"[:8]), None),
]


@given(st.lists(st.sampled_from(PACKETS), max_size=8), st.lists(st.integers(1, 700), max_size=60))
def test_packets_come_whole_and_in_order_however_they_are_cut(
    packets: list[tuple[bytes, Publish | None]], cuts: list[int]
) -> None:
    raw = b"".join(each for each, _ in packets)
    came: list[Publish | bytes] = []
    with stream() as (made, other):
        for size in [*cuts, len(raw)]:
            part, raw = raw[:size], raw[size:]
            other.sendall(part)
            came += everything(made)
    assert came == [bytes_ if found is None else found for bytes_, found in packets]


def test_in_mqtt_5_what_has_properties_is_left_to_the_client() -> None:
    plain = publish(b"a", b"p", 1, properties=b"\0")
    typed = publish(b"a", b"p", 2, properties=b"\x06\x03\0\x03a/b")
    with stream(mqtt5=True) as (made, other):
        other.sendall(plain + typed)
        assert everything(made) == [Publish(b"a", b"p", 1, False), typed]


def test_a_packet_longer_than_mqtt_allows_is_the_client_s_to_refuse() -> None:
    with stream() as (made, other):
        other.sendall(b"\x32\xff\xff\xff\xff\x01")
        assert everything(made) == [b"\x32\xff\xff\xff\xff\x01"]


def test_the_end_comes_after_what_came_before_it() -> None:
    with stream() as (made, other):
        other.sendall(PACKETS[0][0] + PINGRESP)
        other.close()
        assert everything(made) == [PACKETS[0][1], PINGRESP]
        assert everything(made) == [b"(end)"]


def test_acknowledgements_are_those_of_the_standard_in_order() -> None:
    with stream() as (made, other):
        made.acknowledge([1, 258])
        made.send(PINGRESP)
        made.acknowledge([65_535])
        assert made.flush()
        # PUBACK: MQTT 3.1.1, section 3.4
        assert other.recv(100) == b"\x40\x02\x00\x01\x40\x02\x01\x02" + PINGRESP + b"\x40\x02\xff\xff"
        assert not made.wants_write


def test_what_the_other_side_does_not_take_yet_is_sent_later_and_before_closing() -> None:
    sent = bytes(range(256)) * 8192
    got = b""
    with stream() as (made, other):
        made.send(sent)
        while made.flush():
            pass
        assert made.wants_write
        while len(got) < len(sent) - 1000:
            got += other.recv(1 << 16)
            made.flush()
        made.close()
        while part := other.recv(1 << 16):
            got += part
    assert got == sent


def test_a_connection_that_is_reset_says_so_to_the_client() -> None:
    with closing(socket.create_server(("127.0.0.1", 0))) as server:
        ours = socket.create_connection(server.getsockname())
        theirs, _ = server.accept()
        with closing(Stream(ours, mqtt5=False)) as made:
            theirs.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            theirs.close()
            assert list(made.arrivals()) == [None]
            with pytest.raises(ConnectionResetError):
                made.recv(1)


def test_the_client_s_own_parser_reads_what_is_left_to_it() -> None:
    """paho's parser, on a stream: a SUBACK cut in the middle of publishes."""
    with stream() as (made, other):
        client = mqtt.Client(CallbackAPIVersion.VERSION2)
        client._sock = made
        granted: list[int] = []
        client.on_subscribe = lambda _c, _d, mid, _r, _p: granted.append(mid)
        other.sendall(PACKETS[0][0] + packet(0x90, b"\0\x05\1") + PACKETS[1][0])
        taken = [each for each in made.arrivals() if each is not None or client.loop_read() != 0]
        assert taken == [PACKETS[0][1], PACKETS[1][1]]
        assert granted == [5]
        client._sock = None

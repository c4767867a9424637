"""One gateway that sends far too much: a process of its own, on a bare socket, so that it costs little."""

from __future__ import annotations

import contextlib
import json
import multiprocessing
import socket
import time
from collections.abc import Callable, Iterator
from multiprocessing.connection import Connection as Pipe

import cbor2

from bench.chaos import mqtt

GATEWAY, WORD = "flooding", "word-of-flooding"
INSTRUMENTS = 20
"""Registered, each with a reading a second."""
KEEPALIVE_S = 600
WINDOW = 30_000
"""Packs on their way without a PUBACK: MQTT has 65,535 packet identifiers."""
SLICE_S = 0.005
PATIENCE_S = 60.0

_spawn = multiprocessing.get_context("spawn")

Make = Callable[[int], tuple[str, bytes]]
"""Topic and payload of the n-th pack."""


def good(n: int) -> tuple[str, bytes]:
    """One new reading, numbered."""
    number, gauge = divmod(n, INSTRUMENTS)
    records = [
        {"bt": round(time.time(), 6), "bu": "Pa", "n": "pressure", "v": 60.0},
        {"n": "seq", "v": number},
        {"n": "boot", "vs": "flood"},
    ]
    return _topic(f"g{gauge}"), json.dumps(records, separators=(",", ":")).encode()


def bad(n: int) -> tuple[str, bytes]:
    """Nonsense that is never the same, in turn of five kinds."""
    kind, name = n % 5, f"g{n % INSTRUMENTS}"
    if kind == 0:
        return _topic(name), b'[{"n":"pressure","u":"Pa","v":%d' % n
    if kind == 1:
        return _topic(name), b"\x9f" + cbor2.dumps({0: "pressure", 1: "Pa", 2: n})
    if kind == 2:
        return _topic(name), b'[{"n":"pressure","u":"furlong","v":%d}]' % n
    if kind == 3:
        return _topic(name), b'[{"n":"pressure","u":"Pa","v":60,"t":%d}]' % (4_000_000_000 + n)
    return _topic(f"nobody-{n % 7}"), b'[{"n":"pressure","u":"Pa","v":%d}]' % n


def heavy(n: int) -> tuple[str, bytes]:
    """As large as a pack may be, and each of its 2,000 records is refused."""
    first = b'[{"n":"pressure","u":"furlong","v":%d}' % n
    return _topic(f"g{n % INSTRUMENTS}"), first + b',{"n":"pressure","v":1}' * 1999 + b"]"


def _topic(instrument: str) -> str:
    return f"hf/1/{GATEWAY}/{instrument}/data"


@contextlib.contextmanager
def flood(port: int, make: Make, rate: int) -> Iterator[Callable[[], float]]:
    """Publish so many packs a second; gives what tells, after the end, the rate that the broker took."""
    here, there = _spawn.Pipe()
    child = _spawn.Process(target=_run, args=(port, make, rate, there))
    child.start()
    if not here.poll(PATIENCE_S):
        raise SystemExit("the flood does not begin")
    here.recv()
    taken: list[float] = []
    try:
        yield lambda: taken[0]
    finally:
        here.send("stop")
        if here.poll(PATIENCE_S):
            taken.append(here.recv())
        child.join()


def _run(port: int, make: Make, rate: int, told: Pipe) -> None:
    with socket.create_connection(("127.0.0.1", port)) as sock:
        sock.sendall(mqtt.connect(GATEWAY, GATEWAY, WORD, KEEPALIVE_S))
        if sock.recv(4)[3]:
            raise SystemExit("the broker refuses the flooding gateway")
        told.send("begun")
        begun, sent, done = time.monotonic(), 0, 0
        packets = mqtt.Packets()
        while not told.poll():
            due = min(int((time.monotonic() - begun) * rate), done + WINDOW)
            if due > sent:
                sock.sendall(b"".join(mqtt.publish(*make(n), n % 65_535 + 1) for n in range(sent, due)))
                sent = due
            time.sleep(SLICE_S)
            done += _acknowledged(sock, packets)
        told.send(done / (time.monotonic() - begun))
        while done < sent:
            done += _acknowledged(sock, packets)
            time.sleep(SLICE_S)


def _acknowledged(sock: socket.socket, packets: mqtt.Packets) -> int:
    try:
        data = sock.recv(1 << 18, socket.MSG_DONTWAIT)
    except BlockingIOError:
        return 0
    return sum(mqtt.kind(packet) == mqtt.PUBACK for packet in packets.feed(data))

"""The readings of a record as they are stored beside it: some 3 to 10 bytes each."""

from __future__ import annotations

import zlib
from collections.abc import Sequence

import msgspec
import numpy as np

from api.records.signing import PAIR, Channel

Packed = tuple[str, int, bytes, bytes]
"""Name, how many, steps in time, values: numbers by their bytes, first all first ones, which packs better."""


def pack(channels: Sequence[Channel]) -> bytes:
    """All channels of a record."""
    told = [
        (
            one.name,
            len(one.pairs),
            _apart(np.diff(one.pairs["time_us"].astype(np.int64), prepend=0)),
            _apart(one.pairs["value"].astype(np.float64)),
        )
        for one in channels
    ]
    return zlib.compress(msgspec.msgpack.encode(told))


def unpack(packed: bytes) -> list[Channel]:
    """The inverse of `pack`."""
    told = msgspec.msgpack.decode(zlib.decompress(packed), type=list[Packed])
    channels = []
    for name, count, steps, values in told:
        pairs = np.empty(count, PAIR)
        pairs["time_us"] = np.cumsum(_together(steps, count).view(np.int64))
        pairs["value"] = _together(values, count).view(np.float64)
        channels.append(Channel(name, pairs))
    return channels


def _apart(numbers: np.ndarray) -> bytes:
    return numbers.view(np.uint8).reshape(-1, 8).T.tobytes()


def _together(raw: bytes, count: int) -> np.ndarray:
    return np.ascontiguousarray(np.frombuffer(raw, np.uint8).reshape(8, count).T).reshape(-1)

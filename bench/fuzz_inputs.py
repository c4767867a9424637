"""Hostile inputs for the decoders: broken copies of valid ones, and inventions.

An input is made of a seed and its number alone, so that any can be made again.
"""

from __future__ import annotations

import json
import random
import struct
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import cbor2

from ingest.senml import MAX_BYTES

NOW_S = 1_790_000_000


class Kind(StrEnum):
    """What an input pretends to be."""

    JSON = "pack-json"
    CBOR = "pack-cbor"
    PRESENCE = "presence"
    OUTCOME = "outcome"
    TOPIC = "topic"


@dataclass(frozen=True, slots=True)
class Input:
    """One input; ``payload`` is the topic itself where that is the kind."""

    kind: Kind
    payload: bytes


PACKS: Sequence[list[dict[str, object]]] = (
    [{"n": "pressure", "u": "Pa", "v": 66.5, "t": NOW_S}],
    [
        {"bn": "g1:", "bt": NOW_S + 0.5, "bu": "Pa", "bver": 10, "n": "pressure", "v": 120.0},
        {"n": "pressure", "t": -1, "v": 121.5},
        {"n": "temperature", "u": "Cel", "v": 21.5},
        {"n": "temperature.coil-1", "u": "K", "v": 290.1},
        {"n": "ambient", "u": "Cel", "v": 19},
        {"n": "battery", "u": "%EL", "v": 81},
        {"n": "seq", "v": 41},
        {"n": "boot", "vs": "b-7"},
        {"n": "sent", "v": NOW_S},
    ],
    [
        {"n": "valve", "vs": "open", "t": -3},
        {"n": "valve", "vs": "moving", "t": -2},
        {"n": "valve", "vs": "closed"},
        {"n": "pump", "vb": True},
        {"n": "hands", "vb": False},
        {"n": "overrange", "vb": False},
        {"n": "fault", "vb": True},
        {"n": "battery", "u": "V", "v": 3.6},
        {"n": "picture", "vd": "aGkgCg"},
        {"n": "energy", "s": 12.5},
    ],
    [{"n": "pressure", "u": "hPa", "v": 0.5, "t": -n} for n in range(20)],
    [
        {"bt": NOW_S - 9, "bu": "Pa", "n": "pressure", "v": 120.0},
        *({"n": "pressure", "v": 120.0 + n / 7, "t": n} for n in range(1, 9)),
        {"n": "seq", "v": 42},
        {"n": "boot", "vs": "b-7"},
        {"n": "sent", "v": NOW_S},
    ],
)
LABELS = {
    "bver": -1, "bn": -2, "bt": -3, "bu": -4, "bv": -5, "bs": -6,
    "n": 0, "u": 1, "v": 2, "vs": 3, "vb": 4, "s": 5, "t": 6, "ut": 7, "vd": 8,
}  # fmt: skip
"""RFC 8428, table 4."""


def in_json(records: list[dict[str, object]]) -> bytes:
    """A pack as JSON."""
    return json.dumps(records, separators=(",", ":")).encode()


def in_cbor(records: list[dict[str, object]]) -> bytes:
    """A pack as CBOR."""
    return cbor2.dumps([{LABELS[key]: value for key, value in record.items()} for record in records])


VALID: dict[Kind, Sequence[bytes]] = {
    Kind.JSON: [in_json(records) for records in PACKS],
    Kind.CBOR: [in_cbor(records) for records in PACKS],
    Kind.PRESENCE: [
        b'{"online":true,"session":"s-1","at":1790000000.5,"boot":"b-7","software":"gw 1.2"}',
        b'{"online":false,"session":"s-1"}',
    ],
    Kind.OUTCOME: [
        b'{"id":"0123456789abcdef0123456789abcdef","result":"done","at":1790000000}',
        b'{"id":"k","result":"refused","reason":"pressure above the limit"}',
        b'{"id":"k","result":"failed","reason":"valve did not move"}',
    ],
    Kind.TOPIC: [
        b"hf/1/g1/i1/data",
        b"hf/1/g1/i1/late",
        b"hf/1/g1/presence",
        b"hf/1/g1/i1/outcome",
        b"hf/1/g1/i1/order",
    ],
}

REPORTS: Mapping[Kind, Sequence[bytes]] = {kind: VALID[kind] for kind in (Kind.PRESENCE, Kind.OUTCOME)}

TOKENS: Sequence[bytes] = (
    b"null", b"true", b"NaN", b"-Infinity", b"1e999", b"-0.0", b"1e-400", b"18446744073709551616",
    b"9" * 400, b"0.1e", b"268435455", b"268435456", b"1e11", b"[]", b"{}", b'""', b'"x_":1', b"\\",
    b'"\\u0000"', b'"\\ud800"', b"\xff\xfe", b"\xef\xbb\xbf", b"\xed\xa0\x80", b"\0", b'"n":', b'"bt":',
    b'"bver":26', b'"t":1e300', b",", b"[", b"]", b"/", b"+", b"#", b"..", b"hf/1/", b"presence",
)  # fmt: skip
"""What texts break on."""

ITEMS: Sequence[bytes] = (
    b"\x9f", b"\xbf", b"\x5f", b"\x7f", b"\xff", b"\xf6", b"\xf7", b"\xf5", b"\xe0", b"\xf8\x20",
    b"\xf9\x7e\x00", b"\xf9\x7c\x00", b"\xfa\x4e\xd5\x00\x00", b"\xfb\x7f\xf0" + bytes(6),
    b"\xfb\x7f\xf8\x00\x00\x00\x00\x00\x01", b"\x1b" + b"\xff" * 8, b"\x3b" + b"\xff" * 8,
    b"\x9a\xff\xff\xff\xff", b"\x9b" + b"\x7f" * 8, b"\xbb" + b"\xff" * 8, b"\x5a\xff\xff\xff\xff",
    b"\x7b\x00\x00\x00\x00\xff\xff\xff\xff", b"\xc0\x60", b"\xc1\xfb\x7f\xf0" + bytes(6),
    b"\xc2\x42\xff\xff", b"\xc4\x82\x1b" + b"\x7f" * 8 + b"\x01", b"\xc4\x82\x3b" + b"\x7f" * 8 + b"\x01",
    b"\xc4\x82\x19\x7f\xff\x01", b"\xc5\x82\x1b" + b"\x7f" * 8 + b"\x03", b"\xd8\x1c\x81\xd8\x1d\x00",
    b"\xd8\x23\x65(a*)*", b"\xd8\x25\x50" + bytes(16), b"\xd9\xd9\xf7", b"\xd9\x01\x00\xd8\x19\x00",
    b"\x62\xc3\x28", b"\x62x_", b"\x61\x00",
)  # fmt: skip
"""CBOR items that are odd, huge, endless or not SenML's."""

VALUES: Sequence[object] = (
    None, True, False, 0, -1, 1, 0.5, -0.0, 1e308, -1e308, 5e-324, 2**53 + 1, 2**64, -(2**64), 10**40,
    float("nan"), float("inf"), 2.0**28, 2.0**28 - 1, 1e11, NOW_S, NOW_S + 299, NOW_S + 301, 1_577_836_799,
    "", "x", "x" * 65, "y" * 5_000, "\0", "a\0b", "\ufeff", "\U0001f9ca", "Pa", "micron", "Cel", "K", "%EL",
    "pressure", "temperature.", "temperature.a.b-c", "temperature./", "valve", "open", "sent", "seq", "boot",
    [], {}, [[[[[]]]]], {"a": {"b": {}}}, "done", "refused",
)  # fmt: skip
"""What a field may hold, right and wrong."""


def made(seed: int, number: int) -> Input:
    """The input of that number."""
    rng = random.Random(f"{seed}/{number}")
    kind = rng.choices(tuple(Kind), (35, 35, 10, 10, 10))[0]
    way = rng.choices((_reshaped, _broken, _invented, _swollen), (50, 32, 15, 3))[0]
    return Input(kind, way(rng, kind))


def _reshaped(rng: random.Random, kind: Kind) -> bytes:
    """Well-formed, with fields that are wrong, missing or from elsewhere; some with a fault on top."""
    if kind is Kind.TOPIC:
        parts = rng.choice(VALID[kind]).split(b"/")
        parts[rng.randrange(len(parts))] = rng.choice((*TOKENS, b"", b"G1", b"a" * 41, b"-a", b"g9", b"i2"))
        return b"/".join(parts)
    if kind in REPORTS:
        body = json.loads(rng.choice(REPORTS[kind]))
        _change(rng, body, ("online", "session", "at", "boot", "software", "id", "result", "reason", "x"))
        raw = json.dumps(body).encode()
    else:
        raw = (in_json if kind is Kind.JSON else in_cbor)(_records(rng))
    if rng.random() < 0.2:
        copy = bytearray(raw)
        rng.choice(_FAULTS)(rng, copy, kind)
        raw = bytes(copy)
    return raw


def _records(rng: random.Random) -> list[dict[str, object]]:
    records = [dict(record) for record in rng.choice(PACKS)]
    for _ in range(rng.choice((1, 1, 2, 5))):
        match rng.randrange(6):
            case 0:
                records.insert(rng.randint(0, len(records)), dict(rng.choice(rng.choice(PACKS))))
            case 1 if len(records) > 1:
                del records[rng.randrange(len(records))]
            case _:
                _change(rng, rng.choice(records), tuple(LABELS))
    return records


def _change(rng: random.Random, body: dict[str, object], keys: Sequence[str]) -> None:
    if body and rng.random() < 0.2:
        del body[rng.choice(list(body))]
    else:
        known = rng.random() < 0.5 and body
        body[rng.choice(list(body) if known else keys)] = rng.choice(VALUES)


def _broken(rng: random.Random, kind: Kind) -> bytes:
    """A valid one with one to six faults."""
    raw = bytearray(rng.choice(VALID[kind]))
    for _ in range(rng.choice((1, 1, 1, 2, 3, 6))):
        rng.choice(_FAULTS)(rng, raw, kind)
    return bytes(raw)


def _span(rng: random.Random, raw: bytearray) -> tuple[int, int]:
    begin = rng.randint(0, len(raw))
    return begin, min(len(raw), begin + rng.choice((1, 1, 2, 4, 9, 40)))


def _flip(rng: random.Random, raw: bytearray, _: Kind) -> None:
    if raw:
        raw[rng.randrange(len(raw))] ^= 1 << rng.randrange(8)


def _set(rng: random.Random, raw: bytearray, _: Kind) -> None:
    if raw:
        raw[rng.randrange(len(raw))] = rng.choice(
            (0, 0x22, 0x5C, 0x5F, 0x7F, 0x80, 0xFA, 0xFF, rng.randrange(256))
        )


def _cut(rng: random.Random, raw: bytearray, _: Kind) -> None:
    begin, end = _span(rng, raw)
    del raw[begin:end]


def _end(rng: random.Random, raw: bytearray, _: Kind) -> None:
    del raw[rng.randint(0, len(raw)) :]


def _double(rng: random.Random, raw: bytearray, _: Kind) -> None:
    begin, end = _span(rng, raw)
    raw[begin:begin] = raw[begin:end] * rng.choice((1, 2, 30))


def _put(rng: random.Random, raw: bytearray, kind: Kind) -> None:
    begin, end = _span(rng, raw)
    raw[begin : end if rng.random() < 0.5 else begin] = rng.choice(ITEMS if kind is Kind.CBOR else TOKENS)


def _splice(rng: random.Random, raw: bytearray, kind: Kind) -> None:
    other = rng.choice(VALID[kind if rng.random() < 0.8 else rng.choice(tuple(Kind))])
    raw[rng.randint(0, len(raw)) :] = other[rng.randint(0, len(other)) :]


def _number(rng: random.Random, raw: bytearray, _: Kind) -> None:
    """Eight bytes of any double or whole number, as CBOR; in JSON just bytes."""
    begin = rng.randint(0, len(raw))
    raw[begin : begin + 9] = b"\xfb" + struct.pack(">Q", rng.getrandbits(64))


_FAULTS: Sequence[Callable[[random.Random, bytearray, Kind], None]] = (
    _flip, _flip, _set, _cut, _end, _double, _put, _put, _splice, _number,
)  # fmt: skip


def _invented(rng: random.Random, kind: Kind) -> bytes:
    """Random bytes, or pieces of the language in any order."""
    if rng.random() < 0.3:
        return rng.randbytes(rng.choice((0, 1, 2, 8, 30, 300)))
    if kind is Kind.CBOR:
        body = b"".join(_item(rng, 0) for _ in range(rng.randint(0, 8)))
        return rng.choice((b"", b"\x80", b"\x81", b"\x82", b"\x98\x08", b"\xd9\xd9\xf7\x83")) + body
    pieces = [rng.choice(TOKENS) for _ in range(rng.randint(1, 12))]
    return rng.choice((b"", b"[", b"[{", b"{", b"hf/1/")) + rng.choice((b"", b",", b":", b"/")).join(pieces)


def _item(rng: random.Random, depth: int) -> bytes:
    """One CBOR item, of any kind that a first byte can begin."""
    if depth > 7 or rng.random() < 0.3:
        return rng.choice(ITEMS) if rng.random() < 0.5 else bytes([rng.randrange(256)])
    match rng.randrange(6):
        case 0:
            return bytes([rng.randrange(0x40)]) + rng.randbytes(rng.choice((0, 1, 8)))
        case 1:
            size = rng.randrange(24)
            return bytes([rng.choice((0x40, 0x60)) + size]) + rng.randbytes(size)
        case 2:
            size = rng.randrange(5)
            return bytes([0x80 + size]) + b"".join(_item(rng, depth + 1) for _ in range(size))
        case 3:
            return bytes([0xC0 + rng.randrange(24)]) + _item(rng, depth + 1)
        case 4:
            return b"\xfb" + rng.randbytes(8)
        case _:
            size = rng.randrange(6)
            pairs = (
                bytes([rng.choice((*range(9), *range(0x20, 0x26), 0x60))]) + _item(rng, depth + 1)
                for _ in range(size)
            )
            return bytes([0xA0 + size]) + b"".join(pairs)


def _swollen(rng: random.Random, kind: Kind) -> bytes:
    """As large as a message may be, or a little larger: repetition, depth, lengths that lie."""
    room = rng.choice((5_000, 20_000, MAX_BYTES, MAX_BYTES, MAX_BYTES + 1))
    packs = kind in (Kind.JSON, Kind.CBOR)
    if packs and rng.random() < 0.5:
        form, records = (in_json if kind is Kind.JSON else in_cbor), _records(rng)
        times = min(room // len(form(records)), rng.choice((2_000, 2_001, 20_000)) // len(records))
        return form(records * max(1, times))
    if kind is Kind.CBOR:
        part = rng.choice((*ITEMS, *_LONG_ITEMS, _item(rng, 3)))
        count = (room - 3) // len(part)
        return (rng.choice((*_LONG_HEADS, b"\x99" + struct.pack(">H", min(count, 0xFFFF)))) + part * count)[
            :room
        ]
    part = rng.choice((*TOKENS, *_LONG_TOKENS))
    head, tail = rng.choice(_AROUND)
    return head + part * ((room - len(head) - len(tail)) // len(part)) + tail


_LONG_ITEMS = (
    b"\xa0", b"\xa1\x06\xfa\x4e\xca\x9f\x40", b"\xa1\x06\x1a\x4e\xca\x9f\x80", b"\xa2\x00\x63seq\x02\x01",
    b"\x81", b"\xa1\x00", b"\xc4", b"\xfa",
)  # fmt: skip
_LONG_HEADS = (
    b"\x9a\xff\xff\xff\xff",
    b"\x5a\x00\x00\xff\xf0",
    b"\x99\x07\xd0",
    b"\x81\xa1\x02\xc2\x59\xff\x00",
    b"",
)
_LONG_TOKENS = (
    b"{},", b'{"n":"seq","v":1},', b'{"\\u006e":1},', b'{"a":', b'"' + b"\xff" * 9, b"[[", b"9", b"\\u00e9",
)  # fmt: skip
_AROUND = (
    (b"[", b"{}]"), (b'[{"n":"', b'","v":1}]'), (b'[{"v":', b"}]"), (b"", b""), (b'{"session":"', b'"}'),
)  # fmt: skip

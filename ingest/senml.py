"""Sensor Measurement Lists: SenML packs in JSON and CBOR, decoded and resolved.

The common shape of JSON goes through a typed decoder. Whatever that one does not take is looked at record by
record, so that one bad record costs itself only.

References
----------
.. [1] RFC 8428, Sensor Measurement Lists (SenML).
.. [2] RFC 9100, SenML features and versions: version 26 is version 10 with secondary units.
.. [3] RFC 8798, additional (secondary) units for SenML, among them hPa.
"""

from __future__ import annotations

import json
import math
import re
import struct
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import suppress
from decimal import Decimal
from typing import Any, NamedTuple

import msgspec

from model import cbor
from model.errors import Refused

MAX_BYTES = 65_536
MAX_RECORDS = 2_000
ABSOLUTE_S = 2.0**28
"""Times from here on count from the Unix epoch, smaller ones from now [1]_, §4.5.3."""

VERSIONS = frozenset((*range(1, 11), 26))
"""Versions that we understand: RFC 8428's default of 10 and older, and 26 [2]_."""

JSON_TYPE, CBOR_TYPE = "application/senml+json", "application/senml+cbor"


NUMBERING = ("seq", "boot")
"""Names of the records that number a pack."""


class Record(msgspec.Struct, gc=False):
    """One record as it was sent; names are the labels of RFC 8428, table 1."""

    n: str | None = None
    u: str | None = None
    v: float | None = None
    vs: str | None = None
    vb: bool | None = None
    vd: str | None = None
    s: float | None = None
    t: float | None = None
    ut: float | None = None
    bn: str | None = None
    bt: float | None = None
    bu: str | None = None
    bv: float | None = None
    bs: float | None = None
    bver: float | None = None


class Resolved(NamedTuple):
    """A record with its base fields applied [1]_, §4.6.

    ``base`` and ``name`` together are the whole name. ``time_s`` counts from the epoch if it is `ABSOLUTE_S`
    and more, else from the moment of sending.
    """

    position: int
    base: str
    name: str
    unit: str | None
    time_s: float
    value: float | None
    text: str | None
    truth: bool | None
    data: str | None
    sum: float | None


Pack = Sequence[Record | Refused]
"""Records in order; in place of one that cannot be used, why."""


class TooManyRecords(Refused):
    """A pack has more records than are taken; they were counted before any was looked at.

    Parameters
    ----------
    count : int
        How many it has.
    numbering : Pack
        Those of its records that may hold its number, so that its gateway can be told.
    """

    def __init__(self, count: int, numbering: Pack) -> None:
        super().__init__("too-many-records", f"The pack has {count} records, more than {MAX_RECORDS}.")
        self.numbering = numbering


_typed = msgspec.json.Decoder(list[Record])


def decode(payload: bytes, content_type: str | None = None) -> Pack:
    """Decode a pack; JSON and CBOR are told apart by the content type or by the first byte.

    Raises
    ------
    Refused
        If nothing of the pack can be used: ``too-large``, ``not-senml``, ``must-understand``, ``base``,
        ``text``, ``time-float32``.
    TooManyRecords
        If they are more than `MAX_RECORDS`; said before faults in them.
    """
    if len(payload) > MAX_BYTES:
        raise Refused("too-large", f"The pack has more than {MAX_BYTES} bytes.")
    return _from_cbor(payload) if is_cbor(payload, content_type) else _from_json(payload)


def is_cbor(payload: bytes, content_type: str | None) -> bool:
    """Whether a pack is CBOR: said so, or beginning like an array or a tagged item of CBOR."""
    if content_type is not None:
        said = content_type.partition(";")[0].strip().lower()
        if said in (JSON_TYPE, CBOR_TYPE):
            return said == CBOR_TYPE
    # RFC 8949: 0x80 to 0x9f begin an array, 0xd9d9f7 marks CBOR; JSON text begins with neither.
    return bool(payload) and (0x80 <= payload[0] <= 0x9F or payload[0] == 0xD9)


def resolve(pack: Pack) -> Iterator[Resolved | tuple[int, Refused]]:
    """Apply base fields; a record that only carries base fields gives nothing.

    Raises
    ------
    Refused
        The whole pack: ``version`` [1]_, §4.4.
    """
    base, bt, bu, bv, bs = "", 0.0, None, None, None
    version: float | None = None
    for index, r in enumerate(pack):
        if isinstance(r, Refused):
            yield index, r
            continue
        if r.bn is not None:
            base = r.bn
        if r.bt is not None:
            bt = r.bt
        if r.bu is not None:
            bu = r.bu
        if r.bv is not None:
            bv = r.bv
        if r.bs is not None:
            bs = r.bs
        if r.bver is not None:
            version = _checked_version(r.bver, version)
        value, total = r.v, r.s
        if r.n is None and value is None and total is None and r.vs is None and r.vb is None and r.vd is None:
            continue
        # §4.5.4: a missing part of a sum counts as zero, but text and truth values get no number beside them.
        if bv is not None and (
            value is not None or (r.vs is None and r.vb is None and r.vd is None and total is None)
        ):
            value = bv + (value or 0.0)
        if bs is not None:
            total = bs + (total or 0.0)
        yield Resolved(
            index, base, r.n or "", bu if r.u is None else r.u, bt if r.t is None else bt + r.t,
            value, r.vs, r.vb, r.vd, total,
        )  # fmt: skip


def _checked_version(bver: float, before: float | None) -> float:
    if bver not in VERSIONS:
        raise Refused("version", "The pack's SenML version is none that is understood here.")
    if before is not None and bver != before:
        raise Refused("version", "The pack's records have different SenML versions.")
    return bver


# JSON ---------------------------------------------------------------------------------------------


def _from_json(payload: bytes) -> Pack:
    # The typed decoder passes over labels that must be understood and over text in fields that it does not
    # know; a backslash could hide either.
    if payload.isascii() and b'_"' not in payload and b"\\" not in payload:
        with suppress(msgspec.MsgspecError, RecursionError):
            records = _typed.decode(payload)
            if len(records) > MAX_RECORDS:
                raise TooManyRecords(len(records), [record for record in records if record.n in NUMBERING])
            return records
    # Bytes that are not UTF-8 become lone surrogates, which `_text` refuses with the record that has them.
    text = payload.decode("utf-8", "surrogateescape").removeprefix("\ufeff")
    try:
        # NaN and Infinity are not JSON, but some programs write them: their record is refused, not its pack.
        items = json.loads(text, strict=False, parse_int=float)
    except (ValueError, RecursionError):
        raise Refused("not-senml", "The pack is not valid JSON.") from None
    if not isinstance(items, list):
        raise Refused("not-senml", "The pack is not an array of records.")
    _count(items, "n", _json_label)
    return [_record(item, _json_label) for item in items]


def _json_label(label: object) -> str | None:
    return label if isinstance(label, str) and label in _FIELDS else None


# CBOR ---------------------------------------------------------------------------------------------

_CBOR_LABELS: Mapping[int, str] = {
    -6: "bs", -5: "bv", -4: "bu", -3: "bt", -2: "bn", -1: "bver",
    0: "n", 1: "u", 2: "v", 3: "vs", 4: "vb", 5: "s", 6: "t", 7: "ut", 8: "vd",
}  # fmt: skip
"""RFC 8428, table 4."""


_CBOR_NAME = next(number for number, label in _CBOR_LABELS.items() if label == "n")

_AFTER_SINGLE = re.compile(rb"\xfa(?=(.{4}))", re.DOTALL)
"""The four bytes behind each byte that may begin a number of single precision (RFC 8949, §3.3)."""


def _from_cbor(payload: bytes) -> Pack:
    try:
        items, taken = cbor.decode(payload)
    except ValueError:
        raise Refused("not-senml", "The pack is not valid CBOR as SenML uses it.") from None
    if not isinstance(items, list | tuple):
        raise Refused("not-senml", "The pack is not an array of records.")
    if taken != len(payload):
        raise Refused("not-senml", "After the pack's array there is something more.")
    _count(items, _CBOR_NAME, _cbor_label)
    narrow = frozenset(_AFTER_SINGLE.findall(payload))
    return [_narrow_time_refused(_record(item, _cbor_label), narrow) for item in items]


def _cbor_label(label: object) -> str | None:
    if type(label) is int:  # True and 1.0 are equal to 1, but no labels
        return _CBOR_LABELS.get(label)
    if isinstance(label, str) and label in _FIELDS:
        # Passing over a time would store the reading at another one.
        raise Refused("record", "In CBOR the labels of SenML are integers.")
    return None


def _narrow_time_refused(record: Record | Refused, narrow: Collection[bytes]) -> Record | Refused:
    """Refuse absolute times of single precision: those are 128 s apart.

    The decoded number does not tell its width, but a narrow one stands in the pack, behind its mark.
    """
    if isinstance(record, Refused):
        return record
    for time in (record.bt, record.t):
        if time is not None and ABSOLUTE_S <= time < 1e12:
            single = struct.pack(">f", time)
            if single in narrow and struct.unpack(">f", single)[0] == time:
                error = Refused("time-float32", "A time in single precision cannot hold a second.")
                if time == record.bt:
                    raise error
                return error
    return record


# Records of either, field by field ---------------------------------------------------------------------


def _number(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float | Decimal):
        raise TypeError
    try:
        return float(value)
    except OverflowError:
        return math.inf


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise TypeError
    if "\0" in value or not is_utf8(value):
        raise Refused("text", "A text is not UTF-8 or holds the character U+0000.")
    return value


def _truth(value: object) -> bool:
    if not isinstance(value, bool):
        raise TypeError
    return value


def _octets(value: object) -> str:
    if not isinstance(value, str | bytes):
        raise TypeError
    return ""


def is_utf8(text: str) -> bool:
    """Whether a text has no lone surrogates, so that UTF-8 can carry it."""
    try:
        text.encode()
    except UnicodeEncodeError:
        return False
    return True


_FIELDS: Mapping[str, Callable[[object], Any]] = {
    "n": _text, "u": _text, "v": _number, "vs": _text, "vb": _truth, "vd": _octets, "s": _number,
    "t": _number, "ut": _number,
    "bn": _text, "bt": _number, "bu": _text, "bv": _number, "bs": _number, "bver": _number,
}  # fmt: skip


def _count(items: Sequence[object], name: object, known: Callable[[object], str | None]) -> None:
    """Refuse too many records before any is built, all but those that may hold the pack's number."""
    if len(items) > MAX_RECORDS:
        numbering = [item for item in items if isinstance(item, Mapping) and item.get(name) in NUMBERING]
        raise TooManyRecords(len(items), [_record(item, known) for item in numbering[:MAX_RECORDS]])


def _record(item: object, known: Callable[[object], str | None]) -> Record | Refused:
    """One record from a decoded map; a bad base field refuses the pack, for later records stand on it."""
    if not isinstance(item, Mapping):
        return Refused("record", "A record is not an object.")
    record = Record()
    fault: Refused | None = None
    for key, value in item.items():
        try:
            label = known(key)
        except Refused as error:
            fault = error
            continue
        if label is None:
            if isinstance(key, str) and key.endswith("_"):
                raise Refused("must-understand", "The pack has a field that must be understood, and is not.")
            continue
        try:
            setattr(record, label, _FIELDS[label](value))
        except (TypeError, Refused) as error:
            fault = error if isinstance(error, Refused) else _wrong_type(label)
            if label.startswith("b"):
                raise Refused(
                    "base" if isinstance(error, TypeError) else fault.code, f"In a base field: {fault}"
                ) from None
    return fault or record


def _wrong_type(label: str) -> Refused:
    return Refused("record", f"The field {label} has a value of the wrong type.")

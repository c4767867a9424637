"""The common shape of a pack, read in one pass: pressures in JSON, with the pack's number.

A shortcut and nothing else. What is not exactly of this shape, or holds anything that might be refused, is
not judged here: `read` says None, and `ingest.pack` reads the pack record by record. Where `read` gives a
pack, `ingest.pack.read` gives the same.
"""

from __future__ import annotations

from array import array
from collections.abc import Mapping

import msgspec

from ingest import senml
from ingest.pack import AHEAD_US, EARLIEST_US, HIGHEST_PA, LOWEST_PA, MAX_SEQ, MAX_TEXT, Pack
from model.clock import US
from model.reading import Quantity


class _Record(msgspec.Struct, tag_field="n", forbid_unknown_fields=True, gc=False):
    """What every record may have; names are the labels of RFC 8428, table 1.

    The record's own name is its whole name, so that a base name says nothing.
    """

    bn: str | None = None
    bt: float | None = None
    bu: str | None = None
    t: float = 0.0


class _Pressure(_Record, tag="pressure", kw_only=True, gc=False):
    v: float
    u: str | None = None


class _Seq(_Record, tag="seq", kw_only=True, gc=False):
    v: float


class _Boot(_Record, tag="boot", kw_only=True, gc=False):
    vs: str


class _Sent(_Record, tag="sent", kw_only=True, gc=False):
    v: float


_PRESSURE = array("h", [Quantity.PRESSURE])
_decoder = msgspec.json.Decoder(list[_Pressure | _Seq | _Boot | _Sent])


def read(
    payload: bytes, arrived_us: int, units: Mapping[str, float], content_type: str | None
) -> Pack | None:
    """Read a pack of the common shape; None if it is not, or if anything of it has to be judged.

    Parameters
    ----------
    payload, arrived_us, units, content_type
        As of `ingest.pack.read`.
    """
    if len(payload) > senml.MAX_BYTES or senml.is_cbor(payload, content_type):
        return None
    # As in `senml`: escapes could hide a character that no text may hold.
    if not payload.isascii() or b"\\" in payload:
        return None
    try:
        records = _decoder.decode(payload)
    except (msgspec.MsgspecError, RecursionError):
        return None
    return None if len(records) > senml.MAX_RECORDS else _pack(records, arrived_us, units)


def _pack(
    records: list[_Pressure | _Seq | _Boot | _Sent], arrived_us: int, units: Mapping[str, float]
) -> Pack | None:
    pack = Pack()
    times_us, values = pack.columns.time_us, pack.columns.value
    latest_us = arrived_us + AHEAD_US
    base_s, base_unit = 0.0, None
    for record in records:
        if record.bt is not None:
            base_s = record.bt
        if record.bu is not None:
            base_unit = record.bu
        if type(record) is _Pressure:
            factor = units.get(base_unit if record.u is None else record.u)  # type: ignore[arg-type]
            time_s = base_s + record.t
            if factor is None or not senml.ABSOLUTE_S <= time_s < 1e11:
                return None
            time_us = round(time_s * US)
            pressure_pa = record.v * factor
            if not (EARLIEST_US <= time_us <= latest_us and LOWEST_PA <= pressure_pa <= HIGHEST_PA):
                return None
            times_us.append(time_us)
            values.append(pressure_pa)
        elif not _note(pack, record):
            return None
    pack.columns.quantity = _PRESSURE * len(values)
    return pack


def _note(pack: Pack, record: _Seq | _Boot | _Sent | _Pressure) -> bool:
    """Note what a record says of the whole pack; False if that has to be judged."""
    if type(record) is _Seq:
        number = record.v
        if not (number.is_integer() and 0 <= number <= MAX_SEQ) or pack.seq not in (None, number):
            return False
        pack.seq = int(number)
    elif type(record) is _Boot:
        if not 0 < len(record.vs) <= MAX_TEXT or pack.boot not in ("", record.vs):
            return False
        pack.boot = record.vs
    elif type(record) is _Sent:
        if not senml.ABSOLUTE_S <= record.v < 1e11:
            return False
        pack.sent_us = round(record.v * US)
    return True

"""Readings to SenML packs (RFC 8428, JSON).

The first record carries the base name and base time; `seq`, `boot` and `sent` say which pack it is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import msgspec

from simulator.clock import US

Value = float | bool | str


@dataclass(frozen=True, slots=True)
class Record:
    """One record: a name of the contract, its value, its time [µs] and, of a number, its unit."""

    name: str
    value: Value
    time_us: int
    unit: str = ""


def encode(base_name: str, seq: int, boot: str, sent_us: int, records: Sequence[Record]) -> bytes:
    """Encode a pack.

    Parameters
    ----------
    base_name : str
        Base name, in front of the names of all records.
    seq : int
        Number of the pack since the instrument's boot.
    boot : str
        Name of the boot.
    sent_us : int
        When it is sent [µs].
    records : sequence of Record
        At least one.
    """
    base_us = records[0].time_us
    pack: list[dict[str, Value]] = [
        {"bn": base_name, "bt": base_us / US, "n": "seq", "v": seq},
        {"n": "boot", "vs": boot},
        {"n": "sent", "v": sent_us / US},
    ]
    for record in records:
        entry: dict[str, Value] = {"n": record.name}
        if record.time_us != base_us:
            entry["t"] = (record.time_us - base_us) / US
        if record.unit:
            entry["u"] = record.unit
        if isinstance(record.value, bool):
            entry["vb"] = record.value
        elif isinstance(record.value, str):
            entry["vs"] = record.value
        else:
            entry["v"] = record.value
        pack.append(entry)
    return msgspec.json.encode(pack)

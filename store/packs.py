"""The ledger of numbered packs: which came, which were refused, per instrument and boot."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from store.database import Connection

Key = tuple[int, str]
"""Instrument and boot."""

Ranges = tuple[tuple[int, int], ...]
"""Runs of whole numbers, each by its first and its last, in order."""


@dataclass(frozen=True, slots=True)
class Ledger:
    """What has come of an instrument's packs since a boot, and what was refused whole."""

    instrument_id: int
    boot: str
    have: Ranges
    refused: Ranges


@dataclass(slots=True)
class News:
    """Numbers of packs that have come now."""

    have: set[int]
    refused: set[int]


def ranges(numbers: Iterable[int]) -> Ranges:
    """Whole numbers as runs."""
    runs: list[tuple[int, int]] = []
    for number in sorted(set(numbers)):
        if runs and runs[-1][1] == number - 1:
            runs[-1] = (runs[-1][0], number)
        else:
            runs.append((number, number))
    return tuple(runs)


def lock(conn: Connection, keys: Iterable[Key]) -> dict[Key, Ledger]:
    """Read ledgers and hold them until the transaction ends, also those that are still to be made."""
    ordered = sorted(set(keys))
    if not ordered:
        return {}
    wanted = ([instrument_id for instrument_id, _ in ordered], [boot for _, boot in ordered])
    conn.execute(
        "INSERT INTO pack_ledger (instrument_id, boot) "
        "SELECT i, b FROM unnest(%s::int[], %s::text[]) AS k (i, b) ORDER BY i, b ON CONFLICT DO NOTHING",
        wanted,
    )
    rows = conn.execute(
        "SELECT instrument_id, boot, have::text, refused::text FROM pack_ledger "
        "WHERE (instrument_id, boot) IN "
        "(SELECT i, b FROM unnest(%s::int[], %s::text[]) AS k (i, b)) "
        "ORDER BY instrument_id, boot FOR NO KEY UPDATE",
        wanted,
    )
    return {(row["instrument_id"], row["boot"]): _ledger(row) for row in rows}


def add(conn: Connection, news: Mapping[Key, News]) -> list[Ledger]:
    """Enter packs and give back the ledgers as they are then.

    A pack that has come is not refused any more, whatever was said before.
    """
    keys = sorted(news)
    if not keys:
        return []
    rows = conn.execute(
        """
        INSERT INTO pack_ledger AS p (instrument_id, boot, have, refused)
        SELECT i, b, h, r - h
        FROM unnest(%s::int[], %s::text[], %s::text[]::int8multirange[], %s::text[]::int8multirange[])
            AS n (i, b, h, r)
        ORDER BY i, b
        ON CONFLICT (instrument_id, boot) DO UPDATE
        SET have = p.have + excluded.have,
            refused = (p.refused + excluded.refused) - (p.have + excluded.have)
        RETURNING instrument_id, boot, have::text, refused::text
        """,
        (
            [instrument_id for instrument_id, _ in keys],
            [boot for _, boot in keys],
            [_literal(ranges(news[key].have)) for key in keys],
            [_literal(ranges(news[key].refused)) for key in keys],
        ),
    )
    return [_ledger(row) for row in rows]


def contains(runs: Sequence[tuple[int, int]], number: int) -> bool:
    """Whether a number lies in one of the runs."""
    return any(first <= number <= last for first, last in runs)


def _literal(runs: Ranges) -> str:
    return "{" + ",".join(f"[{first},{last}]" for first, last in runs) + "}"


_RUN = re.compile(r"\[(\d+),(\d+)\)")
"""PostgreSQL gives ranges of whole numbers as [first, end); ours all have both."""


def _ledger(row: dict[str, Any]) -> Ledger:
    return Ledger(row["instrument_id"], row["boot"], _runs(row["have"]), _runs(row["refused"]))


def _runs(multirange: str) -> Ranges:
    return tuple((int(first), int(end) - 1) for first, end in _RUN.findall(multirange))

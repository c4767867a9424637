"""Compares what was promised with what is in the store."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field

import psycopg

from bench.chaos.ledger import STEP_PA, Ledger, Line, Pack, promised
from bench.chaos.mqtt import Published

Rows = list[tuple[float, int]]
"""Value and time [µs] of an instrument's rows."""

LATEST_US = 3_600_000_000
"""A time that counts from the arrival may be late by the longest outage, and by no more than this."""


@dataclass(slots=True)
class Verdict:
    """Readings and packs that are not as promised; `examples` says which."""

    lost_receipted: int = 0
    """Readings with a receipt that are not stored."""
    lost_acknowledged: int = 0
    """Readings with the broker's PUBACK, and no receipt, that are not stored."""
    doubled: int = 0
    invented: int = 0
    """Rows that no gateway sent: value or time are nobody's."""
    torn: int = 0
    """Packs of unknown outcome of which a part is stored."""
    miscounted: int = 0
    """Packs of which the product's own book of packs says something else than its readings."""
    quarantined: int = 0
    stored: int = 0
    unknown_stored: int = 0
    unknown_absent: int = 0
    examples: list[str] = field(default_factory=list)

    def blame(self, what: str, count: int, example: object) -> None:
        """Count, and remember the first few."""
        if count:
            setattr(self, what, getattr(self, what) + count)
            if len(self.examples) < 20:
                self.examples.append(f"{what}: {example}")

    @property
    def faults(self) -> dict[str, int]:
        """What must be zero."""
        every = asdict(self)
        return {name: every[name] for name in FAULTS}

    def good(self, *, broker_keeps: bool = True) -> bool:
        """Whether nothing is wrong; without ``broker_keeps`` a PUBACK promises nothing."""
        return not any(n for name, n in self.faults.items() if broker_keeps or name != "lost_acknowledged")


FAULTS = (
    "lost_receipted", "lost_acknowledged", "doubled", "invented", "torn", "miscounted", "quarantined",
)  # fmt: skip


def check(dsn: str, ledger: Ledger) -> Verdict:
    """Read the whole store and compare it with the ledger, at rest."""
    verdict = Verdict()
    with psycopg.connect(dsn) as conn:
        conn.isolation_level = psycopg.IsolationLevel.REPEATABLE_READ  # readings and book of one moment
        lines = _lines(conn)
        for line, ident in lines.items():
            rows = [
                (row[0], row[1])
                for row in conn.execute(
                    "SELECT value, (extract(epoch FROM time) * 1000000)::bigint FROM reading "
                    "WHERE instrument_id = %s",
                    (ident,),
                )
            ]
            verdict.stored += len(rows)
            compare(verdict, ledger, line, rows, _book(conn, ident))
        found = conn.execute("SELECT count(*) FROM quarantine").fetchone()
        verdict.blame("quarantined", found[0] if found else 0, "see the table")
    for problem in (*ledger.groundless, *ledger.refused):
        verdict.blame("invented", 1, f"a receipt for {problem}")
    return verdict


def compare(verdict: Verdict, ledger: Ledger, line: Line, rows: Rows, book: Mapping[str, set[int]]) -> None:
    """One instrument: its rows and the product's book of packs by boot, with the packs that were made."""
    there = Counter(value for value, _ in rows)
    verdict.blame("doubled", sum(n - 1 for n in there.values()), line)
    owners: dict[float, tuple[Pack, int]] = {}
    entered = {(boot, seq) for boot, seqs in book.items() for seq in seqs}
    for (whose, boot), packs in ledger.packs.items():
        if whose != line:
            continue
        for seq, pack in packs.items():
            owners.update((value, (pack, at)) for value, at in zip(pack.values, pack.times_us, strict=True))
            _weigh(verdict, pack, sum(value in there for value in pack.values), (boot, seq) in entered)
            entered.discard((boot, seq))
    verdict.blame("miscounted", len(entered), f"{line} {sorted(entered)[:3]}")
    for value, time_us in rows:
        owner = owners.get(value)
        if owner is None or not owner[0].sent:
            verdict.blame("invented", 1, f"{line} {value / STEP_PA:g}")
            continue
        off_us = time_us - owner[1]
        if off_us and not (line in ledger.relative and -1000 <= off_us <= LATEST_US):
            verdict.blame("invented", 1, f"{line} {value / STEP_PA:g} is {off_us} µs off")


def _weigh(verdict: Verdict, pack: Pack, present: int, entered: bool) -> None:
    missing = pack.size - present
    name = f"{pack.line} {pack.boot} {pack.seq}"
    match promised(pack):
        case "receipted":
            verdict.blame("lost_receipted", missing, name)
        case "acknowledged":
            verdict.blame("lost_acknowledged", missing, name)
        case "unknown":
            verdict.unknown_stored += present > 0
            verdict.unknown_absent += present == 0
            verdict.blame("torn", 0 < present < pack.size, name)
    verdict.blame("miscounted", entered != (missing == 0), name)


def ahead(dsn: str, ledger: Ledger, message: Published) -> int:
    """Packs that an acknowledgement or receipt on its way speaks for and that are not in the store.

    Parameters
    ----------
    message : Published
        The receipt, or the pack that is acknowledged.
    """
    _, _, gateway, *rest = message.topic.split("/")
    told = json.loads(message.payload)
    if rest == ["receipt"]:
        line, boot = (gateway, told["instrument"]), told["boot"]
        seqs = set(range(1, told["upto"] + 1))
        seqs.update(*(range(first, last + 1) for first, last in told["have"]))
    else:
        words = {record["n"]: record for record in told[:2]}
        line, boot, seqs = (gateway, rest[0]), words["boot"]["vs"], {words["seq"]["v"]}
    packs = ledger.packs[line, boot]
    values = [value for seq in seqs if seq in packs for value in packs[seq].values]
    with psycopg.connect(dsn, autocommit=True) as conn:
        ident = _lines(conn)[line]
        stored = {
            row[0]
            for row in conn.execute(
                "SELECT value FROM reading WHERE instrument_id = %s AND value = ANY(%s)", (ident, values)
            )
        }
        entered = _book(conn, ident).get(boot, set())
    return sum(
        seq not in packs or seq not in entered or not stored.issuperset(packs[seq].values) for seq in seqs
    )


def _lines(conn: psycopg.Connection) -> dict[Line, int]:
    rows = conn.execute("SELECT g.name, i.name, i.id FROM instrument i JOIN gateway g ON g.id = i.gateway_id")
    return {(gateway, name): ident for gateway, name, ident in rows}


def _book(conn: psycopg.Connection, ident: int) -> dict[str, set[int]]:
    rows = conn.execute(
        "SELECT boot, lower(r), upper(r) FROM pack_ledger, unnest(have) AS r WHERE instrument_id = %s",
        (ident,),
    )
    book: dict[str, set[int]] = {}
    for boot, first, end in rows:
        book.setdefault(boot, set()).update(range(first, end))
    return book

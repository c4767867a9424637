"""The write path: a batch of understood messages in one transaction, the same again as often as one likes."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from ingest import outcomes
from ingest import report as reports
from ingest.interpret import Item
from ingest.pack import Columns, Pack, RecordRefused
from ingest.receipts import Receipt
from store import orders, packs, presence, quarantine, readings
from store.database import Connection
from store.packs import Key, Ledger, News

NO_PLACE = 1
"""The row of the place without a name, by the first migration."""

_NOTHING = "The place is one too many: there are {} already."


@dataclass(slots=True)
class Written:
    """What a transaction did, once it is committed."""

    new: int = 0
    repeated: int = 0
    """Packs of which only the number shows that they came before."""
    receipts: list[Receipt] = field(default_factory=list)
    quarantined: int = 0
    put: quarantine.Put = field(default_factory=quarantine.Put)


def write(
    conn: Connection,
    items: Sequence[Item],
    places: Mapping[str, int],
    *,
    room: quarantine.Room,
    replay: bool = False,
    untaken: bool = False,
    fence: Callable[[Connection], None] | None = None,
) -> Written:
    """Store a batch in one transaction.

    Parameters
    ----------
    conn : Connection
        After `store.readings.prepare`, without an open transaction.
    items : sequence of Item
        In the order in which they came; outcomes after `ingest.outcomes.find_orders`.
    places : mapping
        Numbers of the places, see `find_places`.
    room : quarantine.Room
        What the quarantine may take.
    replay : bool
        From the quarantine: what is still refused stays there and is not put there anew; times
        count from the first arrival, so that a number seen already says nothing against a record.
    untaken : bool
        With ``replay``: nothing of it was taken, so that its number can be there only because it came again.
    fence : callable, optional
        Called first in the transaction; raises where nothing may be written.
    """
    written = Written()
    with conn.transaction():
        if fence is not None:
            fence(conn)
        stored = [item for item in items if item.pack is not None and item.instrument is not None]
        repeated = set() if replay and not untaken else _repeated(conn, stored)
        written.repeated = len(repeated)
        news = _news(stored)
        ledgers = packs.add(conn, news)
        rows = _rows((item for item in stored if id(item) not in repeated), places)
        written.new = readings.write(conn, readings.in_order(rows))
        _count_unknown(conn, stored)
        _fold_presence(conn, items)
        if not replay:
            refusals = [refusal for item in items for refusal in item.refusals()]
            written.quarantined = len(refusals)
            if refusals:
                written.put = quarantine.put(conn, refusals, room)
        outcomes.settle(conn, items)
    written.receipts = _receipts(stored, ledgers, news)
    written.receipts += _receipts_of_unregistered(items, written.put.full)
    return written


def find_places(conn: Connection, items: Sequence[Item], known: dict[str, int]) -> None:
    """Complete the numbers of the places that occur; refuse records of places beyond the bound."""
    named = {
        place for item in items if item.pack and item.instrument for place in item.pack.columns.place.values()
    }
    if named - known.keys():
        with conn.transaction():
            known.update(readings.place_ids(conn, named))
    lost = named - known.keys()
    if lost:
        for item in items:
            if item.pack is not None:
                _refuse_places(item.pack, lost)


def _refuse_places(pack: Pack, lost: set[str]) -> None:
    left = Columns()
    for row in pack.columns:
        if row[1] in lost:
            sentence = _NOTHING.format(readings.PLACES_AT_MOST)
            pack.refused.append(RecordRefused(None, "too-many-places", sentence))
        else:
            left.append(row)
    pack.columns = left


def _rows(items: Iterable[Item], places: Mapping[str, int]) -> readings.Rows:
    found = [
        (item.pack.columns, item.instrument.id, item.message.arrived_us)
        for item in items
        if item.pack is not None and item.instrument is not None
    ]
    counts = [len(columns) for columns, _, _ in found]
    rows = np.empty(sum(counts), readings.ROW)
    rows["instrument_id"] = np.repeat(np.array([ident for _, ident, _ in found], np.int32), counts)
    rows["arrived_us"] = np.repeat(np.array([arrived_us for _, _, arrived_us in found], np.int64), counts)
    rows["quantity"] = np.frombuffer(b"".join([columns.quantity for columns, _, _ in found]), np.int16)
    rows["time_us"] = np.frombuffer(b"".join([columns.time_us for columns, _, _ in found]), np.int64)
    rows["value"] = np.frombuffer(b"".join([columns.value for columns, _, _ in found]), np.float64)
    rows["place_id"] = NO_PLACE
    first = 0
    for (columns, _, _), count in zip(found, counts, strict=True):
        for position, place in columns.place.items():
            rows["place_id"][first + position] = places[place]
        first += count
    return rows


def _key(item: Item) -> Key | None:
    if item.pack is None or item.instrument is None or item.pack.number is None:
        return None
    return item.instrument.id, item.pack.boot


def _repeated(conn: Connection, stored: Sequence[Item]) -> set[int]:
    """Packs that came before and whose times do not show it, for they count from their arrival."""
    relative = [item for item in stored if item.pack is not None and item.pack.relative and _key(item)]
    if not relative:
        return set()
    # All of the batch's, in their order: locked in two steps, two processes would wait in a circle.
    ledgers = packs.lock(conn, (key for item in stored if (key := _key(item))))
    seen: set[tuple[Key, int]] = set()
    repeated: set[int] = set()
    for item in relative:
        key = _key(item)
        if key is None or item.pack is None or item.pack.seq is None:
            continue
        if (key, item.pack.seq) in seen or packs.contains(ledgers[key].have, item.pack.seq):
            repeated.add(id(item))
        seen.add((key, item.pack.seq))
    return repeated


def _news(stored: Sequence[Item]) -> dict[Key, News]:
    news: dict[Key, News] = {}
    for item in stored:
        key = _key(item)
        if key is None or item.pack is None or item.pack.seq is None:
            continue
        entry = news.setdefault(key, News(set(), set()))
        (entry.refused if item.pack.wholly_refused else entry.have).add(item.pack.seq)
    return news


def _receipts(stored: Sequence[Item], ledgers: Sequence[Ledger], news: Mapping[Key, News]) -> list[Receipt]:
    names = {item.instrument.id: item.instrument for item in stored if item.instrument is not None}
    result = []
    for ledger in ledgers:
        known = names[ledger.instrument_id]
        entry = news[ledger.instrument_id, ledger.boot]
        result.append(Receipt(known.gateway, known.name, ledger, entry.have | entry.refused))
    return result


def _receipts_of_unregistered(items: Sequence[Item], full: frozenset[str]) -> list[Receipt]:
    """Instruments without ledger: what is in quarantine need not come again; what found no room must."""
    numbers: dict[tuple[str, str, str], set[int]] = {}
    for item in items:
        if item.unregistered and item.unregistered[0] not in full and item.pack and item.pack.number:
            boot, seq = item.pack.number
            numbers.setdefault((*item.unregistered, boot), set()).add(seq)
    return [
        Receipt(gateway, instrument, Ledger(0, boot, (), packs.ranges(refused)), refused)
        for (gateway, instrument, boot), refused in sorted(numbers.items())
    ]


def _count_unknown(conn: Connection, stored: Sequence[Item]) -> None:
    counts: dict[tuple[int, str], int] = {}
    latest_us = 0
    for item in stored:
        if item.pack is not None and item.instrument is not None and item.pack.unknown:
            latest_us = max(latest_us, item.message.arrived_us)
            for name, n in item.pack.unknown.items():
                key = (item.instrument.id, name)
                counts[key] = counts.get(key, 0) + n
    readings.count_unknown(conn, counts, latest_us)


def _fold_presence(conn: Connection, items: Sequence[Item]) -> None:
    told = [item for item in items if item.report is not None and item.gateway_id is not None]
    if not told:
        return
    current = presence.lock(conn, (item.gateway_id for item in told if item.gateway_id is not None))
    changed: dict[int, presence.Presence] = {}
    for item in told:
        if item.report is None or item.gateway_id is None:
            continue
        after = reports.fold(
            current.get(item.gateway_id), item.report, item.message.arrived_us, again=item.message.again
        )
        if after is not None:
            current[item.gateway_id] = changed[item.gateway_id] = after
    presence.save(conn, changed)
    if any(after.online for after in changed.values()):
        orders.send_again(conn, (gateway_id for gateway_id, after in changed.items() if after.online))

"""Upkeep of the readings: partitions ahead, an empty DEFAULT one, the columnstore, retention.

`tend` does all of it and may be stopped anywhere: each step is a transaction that leaves nothing half done,
and the next run goes on. Only one at a time tends a database. Nothing is dropped that an unclosed job or
unfinished work may still need, and nothing of a closed job unless its evidence is committed with the drop, or
was before it.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime, timedelta

import psycopg
from psycopg import sql

from model.clock import to_datetime
from store import audit, evidence, layout
from store.database import Connection, one
from store.evidence import Kept
from store.layout import DAY, Part

LOCK = 0x54656E64
"""Advisory lock of whoever tends."""

PATIENCE = "500ms"
"""Longest wait for a lock. Whoever waits for one on all readings makes everybody wait behind it; so upkeep
gives up soon, before the server looks for deadlocks, and what it wanted waits for its next run."""

TRIES, PAUSE_S = 10, 0.5
"""So often a part that is packed already is tried to be dropped in one run: packing it again costs more."""

COLUMNSTORE_DAYS = 7
"""Readings stay in rows at least that long: what comes late to the columnstore costs much."""


@dataclass(frozen=True, slots=True)
class Rules:
    """What is kept how long.

    Parameters
    ----------
    keep_days : int or None
        Readings that serve no job are dropped so many days after they were taken; None: never.
    columnstore_days : int
        TimescaleDB compresses a day's readings so many days after it, and no earlier than the longest
        patience of a procedure and a day: so long may a gateway be offline and still change a verdict.
    """

    keep_days: int | None = None
    columnstore_days: int = COLUMNSTORE_DAYS


@dataclass(frozen=True, slots=True)
class Held:
    """A part that is due to be dropped and is not, and why."""

    name: str
    why: str


@dataclass(slots=True)
class Done:
    """What a run did, or with a dry run would do. Names are of tables, one a day."""

    layout: str
    busy: bool = False
    """Somebody else tends this database right now; nothing was done."""
    made: list[str] = field(default_factory=list)
    emptied: int = 0
    """Readings that moved from the DEFAULT partition to one of their day."""
    columnar: list[str] = field(default_factory=list)
    dropped: list[str] = field(default_factory=list)
    evidence: int = 0
    """Readings of dropped parts that are kept as evidence."""
    held: list[Held] = field(default_factory=list)
    rollups: int = 0
    """Minute rollups that went with their readings."""
    postponed: list[str] = field(default_factory=list)
    """What could not be done now because others were at it."""


Say = Callable[[str, int, int], None]
"""Gets what is being done, how much of it is, and of how much."""


def silent(_what: str, _at: int, _of: int) -> None:
    """Tells nobody."""


def tend(conn: Connection, rules: Rules, now_us: int, *, say: Say = silent, dry_run: bool = False) -> Done:
    """Do what is due.

    Parameters
    ----------
    conn : Connection
        In autocommit, with patience for long statements.
    now_us : int
        By the injected clock [µs].
    """
    done = Done(layout.kind_of(conn))
    now = to_datetime(now_us)
    with _alone(conn) as mine:
        if not mine:
            done.busy = True
        elif dry_run:
            _foresee(conn, rules, now, done)
        else:
            _tend(conn, rules, now, done, say)
    return done


def _tend(conn: Connection, rules: Rules, now: datetime, done: Done, say: Say) -> None:
    if done.layout == layout.PARTITIONS:
        _make_partitions(conn, now, done, say)
    # Retention before compression: what goes need not be compressed first.
    for number, part in enumerate(due := _past(layout.parts(conn), rules, now)):
        say(f"dropping {part.name}", number, len(due))
        with _postponing(done, f"dropping {part.name}"):
            _retire(conn, part, now, done, say)
        if done.postponed:
            break
    if rules.keep_days is not None:
        done.rollups = _drop_rollups(conn, _cut(rules.keep_days, now), now)
    if done.layout == layout.HYPERTABLE and layout.has_columnstore(conn):
        for number, part in enumerate(old := _settled(conn, rules, now)):
            say(f"compressing {part.name}", number, len(old))
            with _postponing(done, f"compressing {part.name}"):
                with _impatient(conn):
                    layout.to_columnstore(conn, part)
                if not part.columnar:
                    done.columnar.append(part.name)
            if done.postponed:
                break


def _foresee(conn: Connection, rules: Rules, now: datetime, done: Done) -> None:
    parts = layout.parts(conn)
    if done.layout == layout.PARTITIONS:
        strays = layout.default_days(conn)
        new = [layout.part_of(day) for day in sorted({*layout.missing_days(conn, now.date()), *strays})]
        done.made = [part.name for part in new]
        done.emptied = sum(strays.values())
        parts = sorted([*parts, *new], key=lambda part: part.since)
    for part in _past(parts, rules, now):
        if why := _holder(conn, part):
            done.held.append(Held(part.name, why))
        else:
            done.dropped.append(part.name)
            done.evidence += sum(
                evidence.count(conn, what) for what in evidence.kept(conn, part.since, part.until)
            )
    if done.layout == layout.HYPERTABLE and layout.has_columnstore(conn):
        done.columnar = [part.name for part in _settled(conn, rules, now) if not part.columnar]


@contextmanager
def _alone(conn: Connection) -> Iterator[bool]:
    """Whether this run is the only one; the lock goes with the connection, too."""
    row = one(conn.execute("SELECT pg_try_advisory_lock(%s) AS mine", (LOCK,)).fetchone())
    try:
        yield row["mine"]
    finally:
        if row["mine"] and not conn.closed:
            conn.execute("SELECT pg_advisory_unlock(%s)", (LOCK,))


@contextmanager
def _postponing(done: Done, what: str) -> Iterator[None]:
    """Let a step, and with it all of its kind, wait for the next run if others hold what it needs."""
    try:
        yield
    except (psycopg.errors.LockNotAvailable, psycopg.errors.DeadlockDetected):
        done.postponed.append(what)


@contextmanager
def _step(conn: Connection) -> Iterator[None]:
    """A transaction that waits for no lock longer than `PATIENCE`."""
    with conn.transaction():
        conn.execute(sql.SQL("SET LOCAL lock_timeout = {}").format(PATIENCE))
        yield


@contextmanager
def _impatient(conn: Connection) -> Iterator[None]:
    """The same for what is no single transaction."""
    conn.execute(sql.SQL("SET lock_timeout = {}").format(PATIENCE))
    try:
        yield
    finally:
        if not conn.closed:
            conn.execute("RESET lock_timeout")


# Partitions -------------------------------------------------------------------------------------------


def _make_partitions(conn: Connection, now: datetime, done: Done, say: Say) -> None:
    """For the days around now, and for every day that has readings in the DEFAULT partition."""
    days = sorted({*layout.missing_days(conn, now.date()), *layout.default_days(conn)})
    for number, day in enumerate(days):
        say(f"making the partition of {day}", number, len(days))
        with _postponing(done, f"making the partition of {day}"):
            with _step(conn):
                moved = layout.make_partition(conn, day)
            done.emptied += moved
            done.made.append(layout.part_of(day).name)
        if done.postponed:
            break


# Retention --------------------------------------------------------------------------------------------

# A job that is not closed may be judged from its first reading again; what has come and was not looked at yet
# may belong to one.
_HOLDER = """
SELECT string_agg(why, ', ' ORDER BY why) AS why FROM (
    SELECT DISTINCT 'job ' || j.id || ' is not closed' AS why
    FROM assignment a JOIN job j ON j.id = a.job_id
    WHERE j.closed_at IS NULL AND a.since < %(until)s
      AND (a.until IS NULL OR a.until + %(after)s > %(since)s)
    UNION ALL
    SELECT 'readings that no worker has looked at'
    WHERE EXISTS (SELECT FROM work WHERE since < %(until)s AND until >= %(since)s)
    UNION ALL
    SELECT 'rollups to be made'
    WHERE EXISTS (SELECT FROM rollup_todo WHERE minute >= %(since)s AND minute < %(until)s)
) holders
"""


def _cut(keep_days: int, now: datetime) -> datetime:
    return now - timedelta(days=keep_days)


def _past(parts: Iterable[Part], rules: Rules, now: datetime) -> list[Part]:
    """Parts of which every reading is older than the retention."""
    if rules.keep_days is None:
        return []
    return [part for part in parts if part.until <= _cut(rules.keep_days, now)]


def _holder(conn: Connection, part: Part) -> str | None:
    """Why a part must stay, None if it need not."""
    row = conn.execute(
        _HOLDER, {"since": part.since, "until": part.until, "after": evidence.AFTER}
    ).fetchone()
    return one(row)["why"] or None


def _retire(conn: Connection, part: Part, now: datetime, done: Done, say: Say) -> None:
    """Pack what a part has of jobs, and drop it.

    Packing is long and locks nothing. What came to the part or to its jobs since, few or none, is packed
    again with the door closed, in the transaction that drops it.
    """
    if why := _holder(conn, part):
        done.held.append(Held(part.name, why))
        return
    packed = {}
    everything = evidence.kept(conn, part.since, part.until)
    for number, what in enumerate(everything):
        say(f"keeping evidence of {part.name}", number, len(everything))
        with conn.transaction():
            packed[what] = evidence.pack(conn, what)
    for tries_left in reversed(range(TRIES)):
        try:
            _drop(conn, part, packed, now, done)
            return
        except psycopg.errors.LockNotAvailable:
            if not tries_left:
                raise
            time.sleep(PAUSE_S)


def _drop(conn: Connection, part: Part, packed: Mapping[Kept, int], now: datetime, done: Done) -> None:
    """Drop a part of which so many readings of each stretch are packed, unless something holds it by now."""
    with _step(conn):
        # No reading can come from here on. A table only grows, so an equal number is the same readings.
        conn.execute(sql.SQL("LOCK TABLE {} IN SHARE MODE").format(part.table))
        if why := _holder(conn, part):
            done.held.append(Held(part.name, why))
            return
        kept = 0
        for what in evidence.kept(conn, part.since, part.until):
            there = evidence.count(conn, what)
            if there != packed.get(what):
                evidence.pack(conn, what)
            kept += there
        layout.drop(conn, part)
        subject = f"readings:{part.since:%Y%m%d}"
        audit.record(conn, None, "drop-readings", subject, now, table=part.name, evidence=kept)
    done.dropped.append(part.name)
    done.evidence += kept


def _drop_rollups(conn: Connection, cut: datetime, now: datetime) -> int:
    """Minutes before the first reading that is left."""
    parts = layout.parts(conn)
    before = min([cut, *(part.since for part in parts[:1])])
    with conn.transaction():
        dropped = conn.execute(
            "DELETE FROM rollup_minute r USING latest l WHERE r.instrument_id = l.instrument_id "
            "AND r.quantity = l.quantity AND r.place_id = l.place_id AND r.minute < %s",
            (before,),
        ).rowcount
        if dropped:
            audit.record(conn, None, "drop-rollups", f"rollups:{before:%Y%m%d}", now, rollups=dropped)
    return dropped


# Columnstore ------------------------------------------------------------------------------------------


def _settled(conn: Connection, rules: Rules, now: datetime) -> list[Part]:
    """Parts that no gateway is likely to bring anything to any more."""
    row = one(conn.execute("SELECT coalesce(max(patience_s), 0) AS s FROM procedure").fetchone())
    delay = max(timedelta(days=rules.columnstore_days), timedelta(seconds=row["s"]) + DAY)
    return [part for part in layout.parts(conn) if part.until <= now - delay]

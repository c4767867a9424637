"""Upkeep of the readings on plain PostgreSQL: nothing is lost by it, and what is due goes."""

from __future__ import annotations

import subprocess
import sys
import threading
from collections.abc import Iterator
from datetime import UTC, datetime

import psycopg
import pytest

from model.clock import US
from model.reading import Quantity
from store import assignments, evidence, jobs, layout, upkeep
from store.acting import Actor
from store.database import Connection, connect
from store.evidence import Kept
from store.upkeep import Held, tend
from tests.ingest.helpers import register
from tests.store.history import (
    DAY_US,
    KEEP,
    NOW_US,
    Reading,
    all_of,
    every,
    in_rows,
    job,
    midnight_us,
    moment,
    names,
    part_of,
    put,
)
from tests.waiting import wait_until

HOUR_US = 3600 * US


@pytest.fixture
def conn(database: str) -> Iterator[Connection]:
    """Two gauges, 1 and 2, of a gateway and two of another."""
    register(database)
    with connect(database, application="test", autocommit=True) as made:
        yield made


def days(instrument_id: int, since: int, until: int) -> list[Reading]:
    """Readings of whole days, counted back from now."""
    return every(instrument_id, midnight_us(since), midnight_us(until))


# Partitions -------------------------------------------------------------------------------------------


def test_partitions_are_made_ahead_of_the_clock(conn: Connection) -> None:
    done = tend(conn, upkeep.Rules(), NOW_US)
    ahead = {part_of(midnight_us(-offset)) for offset in range(-layout.DAYS_BACK, layout.DAYS_AHEAD + 1)}
    assert set(done.made) == ahead <= names(conn)
    put(conn, every(1, NOW_US, NOW_US + 6 * DAY_US))
    assert layout.default_days(conn) == {}
    assert tend(conn, upkeep.Rules(), NOW_US).made == []


def test_the_default_partition_is_emptied_into_days_of_their_own(conn: Connection) -> None:
    ancient_us = int(datetime(2020, 1, 1, tzinfo=UTC).timestamp()) * US
    rows = days(1, 60, 57) + every(1, ancient_us, ancient_us + HOUR_US)
    put(conn, rows)
    assert sum(layout.default_days(conn).values()) == len(rows)
    done = tend(conn, upkeep.Rules(), NOW_US)
    assert done.emptied == len(rows)
    assert layout.default_days(conn) == {}
    assert {part_of(ancient_us), *(part_of(midnight_us(ago)) for ago in (60, 59, 58))} <= names(conn)
    assert all_of(conn, 1) == set(rows)
    assert done.dropped == []


def test_a_reading_that_comes_while_its_day_moves_is_not_lost(conn: Connection, database: str) -> None:
    rows = days(1, 60, 59)
    put(conn, rows[1:])
    with connect(database, application="test") as slow:
        insert(slow, rows[0])
        done: list[upkeep.Done] = []
        with connect(database, application="test", autocommit=True) as other:
            thread = threading.Thread(target=lambda: done.append(tend(other, upkeep.Rules(), NOW_US)))
            thread.start()
            wait_until(lambda: waiting(conn), what="the upkeep to wait for the reading")
            slow.commit()
            thread.join()
    # Either it waited so long, or it left the day to its next run.
    assert done[0].emptied + tend(conn, upkeep.Rules(), NOW_US).emptied == len(rows)
    assert all_of(conn, 1) == set(rows)


def insert(conn: Connection, row: Reading) -> None:
    """Store a reading and do not commit yet."""
    conn.execute(
        "INSERT INTO reading (instrument_id, quantity, time, value, arrived) "
        "VALUES (%s, %s, %s, %s, to_timestamp(%s / 1e6))",
        (row[0], row[1], moment(row[2]), row[3], row[4]),
    )


def waiting(conn: Connection) -> bool:
    return conn.execute("SELECT FROM pg_locks WHERE NOT granted").fetchone() is not None


# Retention --------------------------------------------------------------------------------------------


def test_without_a_limit_nothing_is_ever_dropped(conn: Connection) -> None:
    put(conn, days(1, 2000, 1999))
    assert tend(conn, upkeep.Rules(), NOW_US).dropped == []
    assert all_of(conn, 1) == set(days(1, 2000, 1999))


def test_what_serves_no_job_goes_by_whole_days_and_no_day_too_early(conn: Connection) -> None:
    put(conn, days(1, 40, 20))
    done = tend(conn, KEEP, NOW_US)
    # It is in the middle of a day now, and so was thirty days ago.
    assert done.dropped == [part_of(midnight_us(ago)) for ago in range(40, 30, -1)]
    assert done.evidence == 0
    assert all_of(conn, 1) == set(days(1, 30, 20))
    assert tend(conn, KEEP, NOW_US).dropped == []


def test_every_day_that_is_dropped_stands_in_the_audit(conn: Connection) -> None:
    put(conn, days(1, 34, 20))
    conn.execute(
        "INSERT INTO rollup_minute SELECT instrument_id, quantity, place_id, date_trunc('minute', time), 1, "
        "value, value, value FROM reading"
    )
    job(conn, 1, midnight_us(33), midnight_us(32))
    done = tend(conn, KEEP, NOW_US)
    assert len(done.dropped) == 4
    found = conn.execute(
        "SELECT subject, at, person_id, data FROM audit WHERE act = 'drop-readings' ORDER BY subject"
    ).fetchall()
    assert [row["data"]["table"] for row in found] == sorted(done.dropped)
    assert [row["subject"] for row in found] == [
        f"readings:{name.removeprefix('reading_')}" for name in sorted(done.dropped)
    ]
    assert {(row["at"], row["person_id"]) for row in found} == {(moment(NOW_US), None)}
    assert sum(row["data"]["evidence"] for row in found) == done.evidence > 0
    minutes = conn.execute("SELECT data FROM audit WHERE act = 'drop-rollups'").fetchall()
    assert [row["data"]["rollups"] for row in minutes] == [done.rollups]
    tend(conn, KEEP, NOW_US)
    assert len(conn.execute("SELECT FROM audit WHERE act LIKE 'drop-%'").fetchall()) == 5


def test_the_readings_of_a_closed_job_outlive_their_days(conn: Connection) -> None:
    rows = days(1, 40, 30)
    valve: list[Reading] = [(1, Quantity.VALVE, midnight_us(38) + 7, 1.0, NOW_US)]
    twice = [(who, what, at, value + 1.5, arrived) for who, what, at, value, arrived in days(1, 38, 37)[:50]]
    put(conn, rows + valve + twice + days(2, 40, 30))
    since_us, until_us = midnight_us(39) + 20 * HOUR_US, midnight_us(37) + 5 * HOUR_US
    job(conn, 1, since_us, until_us)
    done = tend(conn, KEEP, NOW_US)
    assert len(done.dropped) == 10
    after_us = until_us + DAY_US
    kept = {row for row in [*rows, *valve, *twice] if since_us <= row[2] < after_us}
    assert all_of(conn, 1) == kept
    assert done.evidence == len(kept)
    assert all_of(conn, 2) == set()
    assert in_rows(conn) == 0


def test_jobs_that_follow_each_other_share_their_evidence(conn: Connection) -> None:
    rows = days(1, 40, 36)
    put(conn, rows)
    job(conn, 1, midnight_us(40), midnight_us(39) + HOUR_US)
    job(conn, 1, midnight_us(39) + HOUR_US, midnight_us(38))
    tend(conn, KEEP, NOW_US)
    assert all_of(conn, 1) == set(days(1, 40, 37))


def test_a_day_of_an_unclosed_job_stays_whole_until_it_is_closed(conn: Connection) -> None:
    put(conn, days(1, 40, 36) + days(2, 40, 36))
    number = job(conn, 1, midnight_us(38) + HOUR_US, None)
    done = tend(conn, KEEP, NOW_US)
    assert set(done.dropped) == {part_of(midnight_us(40)), part_of(midnight_us(39))}
    assert done.held[0] == Held(part_of(midnight_us(38)), f"job {number} is not closed")
    assert all_of(conn, 2) == set(days(2, 38, 36))
    conn.execute("UPDATE job SET state = 'closed', closed_at = now() WHERE id = %s", (number,))
    tend(conn, KEEP, NOW_US)
    assert all_of(conn, 1) == set(every(1, midnight_us(38) + HOUR_US, midnight_us(36)) + days(1, 38, 36)[6:])
    assert all_of(conn, 2) == set()


def test_what_a_person_took_from_a_job_can_be_given_to_one_again(conn: Connection) -> None:
    put(conn, days(1, 40, 38))
    number = job(conn, 1, midnight_us(40), None)
    (line,) = jobs.assignments(conn, number)
    with conn.transaction():
        assignments.remove(conn, line.id, Actor("Mara", NOW_US))
    assert len(tend(conn, KEEP, NOW_US).dropped) == 2
    assert all_of(conn, 1) == set(days(1, 40, 38))


def test_readings_that_nobody_has_looked_at_stay(conn: Connection) -> None:
    put(conn, days(1, 40, 39))
    conn.execute("INSERT INTO work (instrument_id, since, until) SELECT 1, min(time), max(time) FROM reading")
    done = tend(conn, KEEP, NOW_US)
    assert done.held == [Held(part_of(midnight_us(40)), "readings that no worker has looked at")]
    assert all_of(conn, 1) == set(days(1, 40, 39))


def test_what_comes_later_than_its_retention_joins_the_evidence_or_goes(conn: Connection) -> None:
    rows = days(1, 40, 38)
    put(conn, rows[::2])
    job(conn, 1, midnight_us(40), midnight_us(39))
    tend(conn, KEEP, NOW_US)
    put(conn, rows[1::2] + rows[:10] + days(2, 40, 39))
    done = tend(conn, KEEP, NOW_US)
    assert done.emptied == len({*rows[1::2], *rows[:10], *days(2, 40, 39)})
    assert all_of(conn, 1) == set(rows)
    assert all_of(conn, 2) == set()
    assert layout.default_days(conn) == {}


def test_a_reading_that_comes_between_packing_and_dropping_is_kept(
    conn: Connection, database: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    rows = days(1, 40, 39)
    put(conn, rows[1:])
    job(conn, 1, midnight_us(40), midnight_us(39))
    real = evidence.pack

    def pack(connection: Connection, what: Kept) -> int:
        packed = real(connection, what)
        monkeypatch.setattr(evidence, "pack", real)
        with connect(database, application="test", autocommit=True) as other:
            put(other, rows[:1])
        return packed

    monkeypatch.setattr(evidence, "pack", pack)
    assert tend(conn, KEEP, NOW_US).dropped == [part_of(midnight_us(40))]
    assert all_of(conn, 1) == set(rows)


def test_a_reading_on_its_way_when_its_day_is_dropped_is_kept(conn: Connection, database: str) -> None:
    rows = days(1, 40, 39)
    put(conn, rows[1:])
    job(conn, 1, midnight_us(40), midnight_us(39))
    tend(conn, upkeep.Rules(), NOW_US)
    with (
        connect(database, application="test") as writer,
        connect(database, application="test", autocommit=True) as other,
    ):
        insert(writer, rows[0])
        thread = threading.Thread(target=lambda: tend(other, KEEP, NOW_US))
        thread.start()
        wait_until(lambda: waiting(conn), what="the upkeep to wait for the reading")
        writer.commit()
        thread.join()
    # Either it waited so long, or it left the day to its next run.
    tend(conn, KEEP, NOW_US)
    assert in_rows(conn) == 0
    assert all_of(conn, 1) == set(rows)


def test_minutes_go_with_the_readings_they_were_made_of(conn: Connection) -> None:
    put(conn, days(1, 40, 20))
    conn.execute(
        "INSERT INTO rollup_minute SELECT instrument_id, quantity, place_id, date_trunc('minute', time), 1, "
        "value, value, value FROM reading"
    )
    done = tend(conn, KEEP, NOW_US)
    assert done.rollups == len(days(1, 40, 30))
    left = conn.execute("SELECT min(minute) = min(time) AS same FROM rollup_minute, reading").fetchone()
    assert left == {"same": True}


# Others at work ---------------------------------------------------------------------------------------


def test_whoever_holds_readings_is_not_waited_for_long(conn: Connection, database: str) -> None:
    put(conn, days(1, 40, 38))
    with connect(database, application="test") as reader:
        reader.execute("SELECT count(*) FROM reading")
        done = tend(conn, KEEP, NOW_US)
        assert [what.split()[0] for what in done.postponed] == ["making"]
        assert done.dropped == []
    done = tend(conn, KEEP, NOW_US)
    assert len(done.dropped) == 2
    assert done.postponed == []


def test_a_part_that_somebody_reads_for_a_moment_is_dropped_in_the_same_run(
    conn: Connection, database: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    put(conn, days(1, 40, 39))
    job(conn, 1, midnight_us(40), midnight_us(39))
    tend(conn, upkeep.Rules(), NOW_US)
    packings = []
    real = evidence.pack
    with connect(database, application="test") as reader:

        def pack(connection: Connection, what: Kept) -> int:
            packings.append(what)
            reader.execute("SELECT count(*) FROM reading")
            return real(connection, what)

        monkeypatch.setattr(evidence, "pack", pack)
        monkeypatch.setattr("store.upkeep.time.sleep", lambda _: reader.rollback())
        done = tend(conn, KEEP, NOW_US)
    assert (len(packings), done.dropped, done.postponed) == (1, [part_of(midnight_us(40))], [])
    assert all_of(conn, 1) == set(days(1, 40, 39))


def test_only_one_tends_at_a_time(conn: Connection, database: str) -> None:
    put(conn, days(1, 40, 38))
    with connect(database, application="test", autocommit=True) as other:
        other.execute("SELECT pg_advisory_lock(%s)", (upkeep.LOCK,))
        assert tend(conn, KEEP, NOW_US).busy
        assert all_of(conn, 1) == set(days(1, 40, 38))
        other.execute("SELECT pg_advisory_unlock(%s)", (upkeep.LOCK,))
        assert not tend(conn, KEEP, NOW_US).busy
        other.execute("SELECT pg_advisory_lock(%s)", (upkeep.LOCK,))


def test_a_dry_run_says_what_a_run_does_and_does_nothing(conn: Connection) -> None:
    put(conn, days(1, 40, 37) + days(2, 40, 37))
    job(conn, 1, midnight_us(40), midnight_us(39))
    job(conn, 2, midnight_us(38), None)
    tend(conn, upkeep.Rules(), NOW_US)
    put(conn, days(1, 50, 49))
    before = names(conn)
    seen = tend(conn, KEEP, NOW_US, dry_run=True)
    assert names(conn) == before
    assert in_rows(conn) == len(days(1, 40, 37) * 2 + days(1, 50, 49))
    done = tend(conn, KEEP, NOW_US)
    assert seen.dropped
    assert seen == done


# Killed -----------------------------------------------------------------------------------------------

KILLED = """
import os, signal, sys
from store import evidence, layout, upkeep
from store.database import connect
from tests.store.history import KEEP, NOW_US
_, dsn, room, name, after, nth = sys.argv
module, nth = {"evidence": evidence, "layout": layout}[room], int(nth)
real, calls = getattr(module, name), []
def deadly(*given):
    calls.append(1)
    if len(calls) == nth and after == "before":
        os.kill(os.getpid(), signal.SIGKILL)
    result = real(*given)
    if len(calls) == nth:
        os.kill(os.getpid(), signal.SIGKILL)
    return result
setattr(module, name, deadly)
with connect(dsn, application="test", autocommit=True) as conn:
    upkeep.tend(conn, KEEP, NOW_US)
"""


@pytest.mark.parametrize(
    "where",
    [
        ("layout", "make_partition", "after", 2),
        ("evidence", "pack", "before", 2),
        ("evidence", "pack", "after", 1),
        ("evidence", "pack", "after", 3),
        ("layout", "drop", "before", 1),
        ("layout", "drop", "after", 1),
        ("layout", "drop", "after", 3),
    ],
    ids=lambda where: "-".join(map(str, where)),
)
def test_killed_at_any_step_it_loses_nothing_and_the_next_run_goes_on(
    conn: Connection, database: str, where: tuple[str, str, str, int]
) -> None:
    mine = {number: days(number, 40, 36) for number in (1, 2)}
    put(conn, mine[1] + mine[2] + days(3, 40, 36))
    for number in mine:
        job(conn, number, midnight_us(40), midnight_us(37))
    killed = subprocess.run(
        [sys.executable, "-c", KILLED, database, *map(str, where)], timeout=60, check=False
    )
    assert killed.returncode == -9
    for number, rows in mine.items():
        assert all_of(conn, number) == set(rows)
    wait_until(lambda: not tend(conn, KEEP, NOW_US).busy, what="the lock of the dead to go")
    for number, rows in mine.items():
        assert all_of(conn, number) == set(rows)
    assert all_of(conn, 3) == set()
    assert in_rows(conn) == 0


def test_the_database_killed_amid_a_drop_loses_nothing(
    conn: Connection, database: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    rows = days(1, 40, 38)
    put(conn, rows)
    job(conn, 1, midnight_us(40), midnight_us(38))
    real = layout.drop

    def drop(connection: Connection, part: layout.Part) -> None:
        real(connection, part)
        conn.execute("SELECT pg_terminate_backend(%s)", (connection.info.backend_pid,))

    monkeypatch.setattr(layout, "drop", drop)
    with (
        connect(database, application="test", autocommit=True) as other,
        pytest.raises(psycopg.OperationalError),
    ):
        tend(other, KEEP, NOW_US)
    monkeypatch.setattr(layout, "drop", real)
    assert all_of(conn, 1) == set(rows)
    assert len(tend(conn, KEEP, NOW_US).dropped) == 2
    assert all_of(conn, 1) == set(rows)

"""The analytics process tends the readings when it is due, once for all processes."""

from __future__ import annotations

import threading
from collections.abc import Iterator

import pytest

from analytics.worker import service
from analytics.worker.config import AnalyseConfig
from analytics.worker.upkeep import EVERY_US, KIND, Upkeep
from model.clock import HandClock
from model.errors import ThreadDied
from store import layout, timers, upkeep
from store.database import Connection, connect
from store.upkeep import Done, Rules
from tests.ingest.helpers import register
from tests.store.history import DAY_US, NOW_US, all_of, every, midnight_us, names, part_of, put
from tests.waiting import wait_until

KEEP = Rules(keep_days=30)


@pytest.fixture
def conn(database: str) -> Iterator[Connection]:
    register(database)
    with connect(database, application="test", autocommit=True) as made:
        yield made


@pytest.fixture
def clock() -> HandClock:
    return HandClock(NOW_US)


@pytest.fixture
def tending(database: str, clock: HandClock) -> Iterator[list[Upkeep]]:
    """Two processes' threads; they stop with the test."""
    stop = threading.Event()
    threads = [Upkeep(database, KEEP, clock, stop) for _ in range(2)]
    yield threads
    stop.set()
    for thread in threads:
        if thread.is_alive():
            thread.join(20)


def due_us(conn: Connection) -> int | None:
    return timers.next_due_us(conn, (KIND,))


def test_what_is_due_at_the_start_and_every_hour_is_done_once(
    conn: Connection, clock: HandClock, tending: list[Upkeep], monkeypatch: pytest.MonkeyPatch
) -> None:
    runs: list[Done] = []
    real = upkeep.tend

    def tend(connection: Connection, rules: Rules, now_us: int) -> Done:
        done = real(connection, rules, now_us)
        if not done.busy:
            runs.append(done)
        return done

    monkeypatch.setattr(upkeep, "tend", tend)
    put(conn, every(1, midnight_us(40), midnight_us(28)))
    for thread in tending:
        thread.start()
    wait_until(lambda: due_us(conn) == NOW_US + EVERY_US, what="the first upkeep")
    assert len(runs[0].dropped) == 10
    assert all_of(conn, 1) == set(every(1, midnight_us(30), midnight_us(28)))
    clock.us = NOW_US + DAY_US
    wait_until(lambda: due_us(conn) == NOW_US + DAY_US + EVERY_US, what="the next upkeep")
    assert part_of(midnight_us(-1 - layout.DAYS_AHEAD)) in names(conn)
    assert all_of(conn, 1) == set(every(1, midnight_us(29), midnight_us(28)))
    # One process at a time, and what one has done the other finds done.
    assert sum(len(run.dropped) for run in runs) == 11


def test_it_outlasts_a_lost_connection(
    conn: Connection, clock: HandClock, tending: list[Upkeep], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("analytics.worker.upkeep.RECONNECT_S", 0.05)
    tending[0].start()
    wait_until(lambda: due_us(conn) is not None, what="the first upkeep")
    conn.execute(
        "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE application_name LIKE '%%upkeep'"
    )
    clock.us = NOW_US + DAY_US
    wait_until(lambda: due_us(conn) == NOW_US + DAY_US + EVERY_US, what="the upkeep to come back")
    assert tending[0].failure is None


def test_a_process_whose_upkeep_has_died_ends_with_a_clear_word(
    conn: Connection, database: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object) -> Done:
        raise ValueError("nobody foresaw this")

    monkeypatch.setattr(upkeep, "tend", broken)
    with pytest.raises(ThreadDied, match="The thread upkeep ended: nobody foresaw this"):
        service.run(AnalyseConfig(dsn=database), HandClock(NOW_US), threading.Event())

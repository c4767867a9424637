"""Whose messages are refused is noted in one row a gateway, whoever takes them in and however many come."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator

import psycopg
import pytest

from desk.config import DeskConfig
from desk.worker.service import run as run_desk
from ingest import refusing as ingest_refusing
from ingest.limits import REFUSED_AT_ONCE, Limits
from ingest.refusing import Refusing
from ingest.registry import Registry
from model.clock import US, SystemClock
from store import equipment, refusing, timers
from store.database import Connection
from store.quarantine import NOBODY
from tests.fix_broker import NatsBroker
from tests.ingest.helpers import NOW_US, items, message, payload, pressure, register, rows, session
from tests.ingest.test_limits import NONSENSE, Clock
from tests.ingest.test_service import config, ingest, publish_many, query
from tests.waiting import wait_until

ROWS = "SELECT gateway, messages, beyond, reason FROM refusal_episode ORDER BY gateway"


@pytest.fixture
def conn(database: str) -> Iterator[Connection]:
    register(database)
    with session(database) as connection:
        yield connection


@pytest.fixture
def process(conn: Connection) -> Refusing:
    return another(conn)


def another(conn: Connection) -> Refusing:
    """What a process of its own keeps in memory."""
    registry = Registry()
    registry.reload(conn)
    return Refusing(registry)


def test_refused_messages_of_a_gateway_are_one_row_of_all_processes(
    conn: Connection, process: Refusing, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ingest_refusing, "NOTE_S", 0.0)
    for number, each in enumerate((process, another(conn), process)):
        each.take(items(conn, [message(NONSENSE, arrived_us=NOW_US + number * US)] * 2))
        each.take(items(conn, [message(payload(pressure(1)))]))
        each.note(conn, NOW_US)
    assert rows(conn, ROWS) == [("gw1", 6, 0, "not-senml")]
    episode = refusing.lock(conn, "gw1")
    assert episode is not None
    assert (episode.since_us, episode.at_us) == (NOW_US, NOW_US + 2 * US)
    assert episode.gateway_id == equipment.gateway_named(conn, "gw1").id
    assert [timer.subject for timer in timers.due(conn, [refusing.LOOK], NOW_US, 9)] == ["gw1"]


def test_a_partly_refused_pack_counts_and_names_of_no_gateway_are_one(
    conn: Connection, process: Refusing
) -> None:
    partly = payload(pressure(1), {"n": "pressure", "u": "furlong", "v": 1})
    strangers = [message(payload(pressure(1)), f"hf/1/stranger-{n}/g1/data") for n in range(300)]
    process.take(items(conn, [message(partly), *strangers]))
    process.note(conn, NOW_US)
    assert rows(conn, ROWS) == [(NOBODY, 300, 0, "unknown-gateway"), ("gw1", 1, 0, "unit")]


def test_of_a_revoked_gateway_nothing_is_reckoned(conn: Connection) -> None:
    equipment.revoke_gateway(conn, "gw1", NOW_US)
    process = another(conn)
    process.take(items(conn, [message(payload(pressure(1)))]))
    process.note(conn, NOW_US)
    assert rows(conn, ROWS) == []


def test_what_is_beyond_a_limit_is_told_as_that(conn: Connection, process: Refusing) -> None:
    limits, registry = Limits(Clock()), Registry()
    registry.reload(conn)
    flood = items(conn, [message(NONSENSE)] * (REFUSED_AT_ONCE + 7))
    for item in flood:
        limits.charge(item, registry.equipment)
    process.take(flood)
    process.note(conn, NOW_US)
    assert rows(conn, ROWS) == [("gw1", REFUSED_AT_ONCE + 7, 7, "not-senml")]


def test_however_many_come_a_row_is_written_now_and_then(
    conn: Connection, process: Refusing, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ingest_refusing, "NOTE_S", 3600.0)
    flood = items(conn, [message(NONSENSE)] * 1000)
    for _ in range(10):
        process.take(flood)
        process.note(conn, NOW_US)
    assert rows(conn, ROWS) == [("gw1", 1000, 0, "not-senml")]
    monkeypatch.setattr(ingest_refusing, "NOTE_S", 0.0)
    process.note(conn, NOW_US)
    assert rows(conn, ROWS) == [("gw1", 10_000, 0, "not-senml")]


def test_what_could_not_be_noted_is_noted_later(
    conn: Connection, process: Refusing, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ingest_refusing, "NOTE_S", 0.0)
    process.take(items(conn, [message(NONSENSE)]))
    conn.execute("ALTER TABLE refusal_episode RENAME TO away")
    with pytest.raises(psycopg.Error):
        process.note(conn, NOW_US)
    process.take(items(conn, [message(NONSENSE)]))
    conn.execute("ALTER TABLE away RENAME TO refusal_episode")
    process.note(conn, NOW_US)
    assert rows(conn, ROWS) == [("gw1", 2, 0, "not-senml")]


def test_a_gateway_that_is_refused_is_noted_while_ingest_runs(broker: NatsBroker, database: str) -> None:
    register(database)
    vain = json.dumps([{"n": "pressure", "u": "furlong", "v": n} for n in range(1200)]).encode()
    with ingest(config(database, broker)):
        publish_many(broker, "hf/1/gw1/g1/data", [vain + b" " * n for n in range(40)])
        publish_many(broker, "hf/1/gw2/g1/data", [NONSENSE])
        wait_until(
            lambda: [row[:2] for row in query(database, ROWS)] == [("gw1", 40), ("gw2", 1)],
            what="both gateways with all their messages",
        )
        assert query(database, ROWS)[0][2] > 0
        assert query(database, ROWS)[1][2] == 0


def test_a_flood_over_a_real_broker_is_one_alert_and_one_event_or_two(
    broker: NatsBroker, database: str
) -> None:
    register(database)
    stop = threading.Event()
    desk = threading.Thread(target=run_desk, args=(DeskConfig(database), SystemClock(), stop))
    alerts = "SELECT key, kind, state FROM alert"
    with ingest(config(database, broker)):
        desk.start()
        try:
            for _ in range(4):
                publish_many(broker, "hf/1/gw1/g1/data", [NONSENSE] * 1500)
            wait_until(
                lambda: (
                    query(database, alerts)
                    == [("gateway:gw1/refused", "gateway-over-limit", "active-unacknowledged")]
                ),
                what="the alert",
            )
            wait_until(lambda: query(database, ROWS)[0][1] == 6000, what="all of them to be counted")
        finally:
            stop.set()
            desk.join(20)
    assert len(query(database, "SELECT FROM event")) in (1, 2)
    assert query(database, "SELECT key FROM alert") == [("gateway:gw1/refused",)]

"""Readiness: it says what is down, and means it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from typing import Any

import httpx
import pytest

from api import readiness
from api.config import ApiConfig, MqttProbe
from model.clock import US, HandClock, to_datetime
from ops.embedded.postgres import EmbeddedPostgres
from store import beats, timers
from store.database import connect
from store.timers import Timer
from store.upkeep import Rules, tend
from tests.api.serving import NOON_US, Serving, serving
from tests.fix_broker import PASSWORDS, SERVICE, Broker, NatsBroker
from tests.ingest.helpers import register
from tests.waiting import wait_until

PROCESSES = ("ingest", "analyse", "desk")


def all_beat(dsn: str) -> None:
    """Every process gives a sign of life."""
    with connect(dsn, application="test") as conn:
        for process in PROCESSES:
            beats.beat(conn, process, "one")


def ready(address: str) -> tuple[int, dict[str, Any]]:
    """Status, and the parts."""
    answer = httpx.get(f"{address}/readyz", timeout=20)
    return answer.status_code, answer.json()["parts"]


@contextmanager
def with_broker(dsn: str, port: int, password: str = PASSWORDS[SERVICE]) -> Iterator[Serving]:
    """A process that includes a broker in its readiness."""
    probe = MqttProbe("127.0.0.1", port, SERVICE, password)
    with serving(ApiConfig(dsn, port=0, mqtt=probe), HandClock(NOON_US)) as running:
        yield running


def test_ready_means_that_every_part_answers(database: str, any_broker: Broker) -> None:
    all_beat(database)
    with with_broker(database, any_broker.port) as running:
        status, parts = ready(running.address)
        assert (status, [part for part in parts if not parts[part]["ready"]]) == (200, [])
        assert set(parts) == {"database", "readings", "broker", *PROCESSES}


def test_a_broker_that_is_gone_is_named(
    database: str, broker: NatsBroker, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(readiness, "PROBE_KEPT_S", 0.0)
    all_beat(database)
    with with_broker(database, broker.port) as running:
        assert ready(running.address)[0] == 200
        broker.kill()
        status, parts = ready(running.address)
        assert status == 503
        assert [name for name in parts if not parts[name]["ready"]] == ["broker"]
        broker.start()
        assert ready(running.address)[0] == 200


def test_a_broker_that_refuses_us_is_named(database: str, broker: NatsBroker) -> None:
    all_beat(database)
    with with_broker(database, broker.port, "wrong-password") as running:
        status, parts = ready(running.address)
        assert status == 503
        assert "refuses us" in parts["broker"]["detail"] or "closed" in parts["broker"]["detail"]
        assert "wrong-password" not in str(parts)


def test_a_port_that_takes_connections_and_says_nothing_is_no_broker(
    database: str, silent_port: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(readiness, "PROBE_PATIENCE_S", 0.2)
    all_beat(database)
    with with_broker(database, silent_port) as running:
        assert ready(running.address)[1]["broker"] == {
            "ready": False,
            "detail": "The broker took the connection and said nothing.",
        }


def test_readings_outside_of_their_days_are_told_and_overdue_upkeep_is_not_ready(api: Serving) -> None:
    all_beat(api.dsn)
    assert ready(api.address)[1]["readings"] == {"ready": True, "detail": "all in the tables of their days"}
    with api.database() as conn:
        register(api.dsn)
        ancient = datetime(2021, 3, 4, tzinfo=UTC)
        for second in range(3):
            conn.execute(
                "INSERT INTO reading (instrument_id, quantity, place_id, time, value, arrived) "
                "VALUES (1, 1, 1, %s, 60, %s)",
                (ancient + timedelta(seconds=second), to_datetime(NOON_US)),
            )
        timers.put(conn, [Timer(timers.READINGS_UPKEEP, "readings", NOON_US + 60 * US)])
        waiting = "3 in the DEFAULT partition, for the next upkeep to give them tables of their days"
        assert ready(api.address)[1]["readings"] == {"ready": True, "detail": waiting}
        assert ready(api.address)[0] == 200
        timers.put(conn, [Timer(timers.READINGS_UPKEEP, "readings", NOON_US - 2 * 3600 * US)])
        status, parts = ready(api.address)
        assert status == 503
        assert parts["readings"] == {
            "ready": False,
            "detail": "3 in the DEFAULT partition, and the upkeep that empties it is overdue by 2 h",
        }
        tend(conn, Rules(), NOON_US)
    assert ready(api.address)[0] == 200


@pytest.fixture
def silent_port() -> Iterator[int]:
    """A port that accepts and never answers."""
    import socket

    with socket.create_server(("127.0.0.1", 0)) as listener:
        yield listener.getsockname()[1]


@pytest.mark.parametrize("process", PROCESSES)
def test_a_process_without_a_fresh_sign_of_life_is_named(api: Serving, process: str) -> None:
    all_beat(api.dsn)
    with api.database() as conn:
        conn.execute("UPDATE beat SET at = at - interval '11 s' WHERE process = %s", (process,))
    status, parts = ready(api.address)
    assert status == 503
    assert [name for name in parts if not parts[name]["ready"]] == [process]
    assert "ago" in parts[process]["detail"]


def test_a_process_that_never_lived_is_named_in_the_problem(api: Serving) -> None:
    answer = httpx.get(f"{api.address}/readyz", timeout=20)
    assert answer.headers["content-type"] == "application/problem+json"
    assert "desk: gave no sign of life" in answer.json()["detail"]


def test_without_the_database_it_lives_but_is_not_ready(own_postgres: EmbeddedPostgres) -> None:
    all_beat(own_postgres.dsn)
    with serving(ApiConfig(own_postgres.dsn, port=0), HandClock(NOON_US)) as running:
        wait_until(lambda: ready(running.address)[0] == 200, what="readiness")
        own_postgres.stop()
        assert httpx.get(f"{running.address}/healthz", timeout=20).status_code == 200
        status, parts = ready(running.address)
        assert status == 503
        assert not parts["database"]["ready"]
        page = httpx.get(f"{running.address}/alerts", headers={"Cookie": "holdfast_login=x"}, timeout=20)
        assert page.status_code == 503
        assert "The database does not answer" in page.text
        own_postgres.start()
        all_beat(own_postgres.dsn)
        wait_until(lambda: ready(running.address)[0] == 200, what="readiness again")


def test_it_starts_without_a_database_and_says_so(free_port: int) -> None:
    dsn = f"host=127.0.0.1 port={free_port} user=nobody dbname=none connect_timeout=1"
    with serving(ApiConfig(dsn, port=0), HandClock(NOON_US)) as running:
        status, parts = ready(running.address)
        assert (status, parts["database"]["ready"]) == (503, False)


def test_the_answer_of_the_broker_is_kept_for_a_moment(
    broker: NatsBroker, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[MqttProbe] = []
    real = readiness.ask

    def count(settings: MqttProbe) -> str:
        asked.append(settings)
        return real(settings)

    monkeypatch.setattr(readiness, "ask", count)
    probe = readiness.BrokerProbe(MqttProbe("127.0.0.1", broker.port, SERVICE, PASSWORDS[SERVICE]))
    assert [probe.refusal() for _ in range(5)] == [""] * 5
    assert len(asked) == 1

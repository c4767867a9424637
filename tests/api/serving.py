"""The API process as a thread of the test, with a client that has logged in."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache

import httpx
from argon2 import PasswordHasher

from api.config import ApiConfig
from api.gate import COOKIE
from api.service import run
from model.clock import US, HandClock, to_datetime
from store import people, sessions
from store.database import Connection, connect
from tests.waiting import wait_until

LOGIN, PASSWORD = "mara", "a-long-password"
TECHNICIAN = "tarik"
NOON_US = 1_780_000_000_000_000


@dataclass(slots=True)
class Serving:
    """A running API process."""

    address: str
    dsn: str
    clock: HandClock
    stop: threading.Event
    thread: threading.Thread

    @contextmanager
    def client(self, login: str | None = LOGIN) -> Iterator[httpx.Client]:
        """A client, logged in unless ``login`` is None."""
        with httpx.Client(base_url=self.address, timeout=20) as client:
            if login is not None:
                client.cookies.set(COOKIE, self._session(login))
            yield client

    def _session(self, login: str) -> str:
        # As the login page would do it, but for the password, whose check is made to be slow.
        with self.database() as conn:
            now_us = self.clock.now_us()
            expires = to_datetime(now_us + int(ApiConfig("").login_days * 86_400 * US))
            return sessions.begin(conn, people.by_login(conn, login).id, to_datetime(now_us), expires)

    def database(self) -> Connection:
        """A connection of the test's own, each statement committed."""
        return connect(self.dsn, application="test", autocommit=True)


@contextmanager
def serving(config: ApiConfig, clock: HandClock) -> Iterator[Serving]:
    """Run the process until the block ends; it must end by itself when told to stop."""
    ports: list[int] = []
    stop = threading.Event()
    thread = threading.Thread(target=run, args=(config, clock, stop, ports.append), daemon=True)
    thread.start()
    wait_until(lambda: ports, what="the API to listen")
    address = f"{'https' if config.certificate else 'http'}://127.0.0.1:{ports[0]}"
    wait_until(lambda: _answers(address), what="the API to answer")
    try:
        yield Serving(address, config.dsn, clock, stop, thread)
    finally:
        stop.set()
        thread.join(timeout=20)
        assert not thread.is_alive(), "the API did not stop"


def add_people(dsn: str) -> None:
    """A dispatcher and a technician with the same password."""
    with connect(dsn, application="test") as conn:
        conn.execute(
            "INSERT INTO person (login, name, role, password_hash, created_at) "
            "VALUES (%s, 'Mara Vogt', 'manager', %s, now()), "
            "(%s, 'Tarik Brandt', 'technician', %s, now())",
            (LOGIN, _password_hash(), TECHNICIAN, _password_hash()),
        )


@cache
def _password_hash() -> str:
    return PasswordHasher().hash(PASSWORD)


def _answers(address: str) -> bool:
    try:
        # Whose certificate it is does not matter to this question.
        return httpx.get(f"{address}/healthz", timeout=5, verify=False).status_code == 200
    except httpx.TransportError:
        return False

"""A desk at work on a real database, with a real receiver of webhooks."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Iterator

import pytest

from desk.config import DeskConfig
from desk.worker import service
from model.clock import HandClock
from store import equipment, jobs, procedures
from store.database import Connection, connect
from tests.desk.facts import NIGHT_US
from tests.desk.receiver import Receiver
from tests.waiting import PATIENCE_S

Running = Callable[[DeskConfig], contextlib.AbstractContextManager[threading.Event]]


@pytest.fixture
def conn(database: str) -> Iterator[Connection]:
    with connect(database, application="test", autocommit=True) as connection:
        yield connection


@pytest.fixture
def job_id(conn: Connection) -> int:
    """An invented site with a job."""
    site = equipment.add_site(conn, "Saltmarsh cold store", "Europe/London")
    procedure = procedures.default(conn)
    return jobs.add(conn, "Rack B", site.id, procedure.id, NIGHT_US).id


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    server = Receiver()
    server.start()
    yield server
    server.stop()


@pytest.fixture
def running() -> Running:
    """Runs a desk in a thread; at the end it must stop by itself."""

    @contextlib.contextmanager
    def run(config: DeskConfig) -> Iterator[threading.Event]:
        stop = threading.Event()
        clock = HandClock(NIGHT_US + 60_000_000)
        thread = threading.Thread(target=service.run, args=(config, clock, stop))
        thread.start()
        try:
            yield stop
        finally:
            stop.set()
            thread.join(PATIENCE_S)
        assert not thread.is_alive(), "the desk did not stop"

    return run

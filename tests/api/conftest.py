"""A running API process for each test."""

from __future__ import annotations

from collections.abc import Iterator

import httpx
import pytest

from api.config import ApiConfig
from ingest.replay import replay
from model.clock import HandClock
from store.database import Connection
from tests.api.scene import Made, Scene, evening
from tests.api.serving import NOON_US, Serving, add_people, serving


@pytest.fixture
def api(database: str) -> Iterator[Serving]:
    """The process on a fresh database with two people."""
    add_people(database)
    with serving(ApiConfig(database, port=0, replay=replay), HandClock(NOON_US)) as running:
        yield running


@pytest.fixture
def client(api: Serving) -> Iterator[httpx.Client]:
    """Somebody who is logged in."""
    with api.client() as client:
        yield client


@pytest.fixture
def conn(api: Serving) -> Iterator[Connection]:
    """The test's own look at the database."""
    with api.database() as conn:
        yield conn


@pytest.fixture
def scene(conn: Connection) -> Scene:
    """To write jobs with."""
    return Scene(conn, NOON_US)


@pytest.fixture
def jobs(conn: Connection) -> dict[str, Made]:
    """Jobs in every state of the board."""
    return evening(conn, NOON_US)

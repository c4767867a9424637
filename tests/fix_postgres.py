"""Databases: one server per worker without fsync, and for each test a fresh migrated database.

``HOLDFAST_TEST_DATABASE_URL`` names another server to use (its user must be allowed to create databases).
"""

from __future__ import annotations

import itertools
import os
from collections.abc import Iterator
from pathlib import Path

import psycopg
import pytest
from psycopg.conninfo import make_conninfo

from ops.embedded.postgres import EmbeddedPostgres
from store.migrate import migrate

OTHER_SERVER = "HOLDFAST_TEST_DATABASE_URL"
COUNTER = itertools.count(1)


@pytest.fixture(scope="session")
def postgres(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Connection string of a server for this worker, to make databases on."""
    other = os.environ.get(OTHER_SERVER)
    if other:
        yield other
        return
    server = EmbeddedPostgres(tmp_path_factory.mktemp("postgres"), durable=False)
    server.start()
    yield server.dsn_of("postgres")
    server.stop()


@pytest.fixture(scope="session")
def template_database(postgres: str) -> Iterator[str]:
    """Name of a migrated database that others are copied from."""
    name = f"template_{os.getpid()}"
    _execute(postgres, f"CREATE DATABASE {name}")
    migrate(make_conninfo(postgres, dbname=name))
    yield name
    _execute(postgres, f"DROP DATABASE {name} WITH (FORCE)")


@pytest.fixture
def database(postgres: str, template_database: str) -> Iterator[str]:
    """Connection string of a fresh database with all migrations."""
    name = f"test_{os.getpid()}_{next(COUNTER)}"
    # Copying files is three times as fast as the default, which writes everything to the log.
    _execute(postgres, f"CREATE DATABASE {name} TEMPLATE {template_database} STRATEGY file_copy")
    yield make_conninfo(postgres, dbname=name)
    _execute(postgres, f"DROP DATABASE {name} WITH (FORCE)")


@pytest.fixture
def empty_database(postgres: str) -> Iterator[str]:
    """Connection string of a database without anything."""
    name = f"empty_{os.getpid()}_{next(COUNTER)}"
    _execute(postgres, f"CREATE DATABASE {name}")
    yield make_conninfo(postgres, dbname=name)
    _execute(postgres, f"DROP DATABASE {name} WITH (FORCE)")


@pytest.fixture
def own_postgres(tmp_path: Path) -> Iterator[EmbeddedPostgres]:
    """A server of the test's own, started and migrated, to be stopped, frozen or killed at will."""
    server = EmbeddedPostgres(tmp_path / "own-postgres", durable=False)
    server.start()
    migrate(server.dsn)
    yield server
    server.stop()


def _execute(dsn: str, statement: str) -> None:
    with psycopg.connect(dsn, autocommit=True) as connection:
        connection.execute(statement.encode())

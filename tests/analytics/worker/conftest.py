"""A bench on a fresh database for each test."""

from __future__ import annotations

from collections.abc import Iterator

import psycopg
import pytest
from psycopg.conninfo import make_conninfo

from tests.analytics.worker.bench import Bench, open_bench


@pytest.fixture
def bench(database: str) -> Iterator[Bench]:
    """One worker."""
    yield from open_bench(database)


@pytest.fixture
def two_workers(postgres: str, template_database: str) -> Iterator[Bench]:
    """Two workers that take turns, each with a memory of its own, on a database beside that of `bench`."""
    name = f"{template_database}_beside"
    with psycopg.connect(postgres, autocommit=True) as conn:
        conn.execute(f"CREATE DATABASE {name} TEMPLATE {template_database} STRATEGY file_copy".encode())
        yield from open_bench(make_conninfo(postgres, dbname=name), workers=2)
        conn.execute(f"DROP DATABASE {name} WITH (FORCE)".encode())

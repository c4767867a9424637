"""The same schema and queries on TimescaleDB (the real extension, compiled to WebAssembly)."""

from __future__ import annotations

import shutil
import socket
import subprocess
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from store.database import Connection, connect
from store.layout import ensure_layout
from store.migrate import MIGRATIONS

HERE = Path(__file__).parents[1] / "timescale"
pytestmark = pytest.mark.node


@pytest.fixture(scope="module")
def timescale() -> Iterator[Connection]:
    """A connection to a fresh database with the schema in it."""
    node = shutil.which("node")
    if node is None:
        pytest.skip("node is not installed (Debian package nodejs)")
    if not (HERE / "node_modules").is_dir():
        pytest.skip("TimescaleDB for tests is not installed: run npm ci in tests/timescale")
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    server = subprocess.Popen(
        [node, str(HERE / "server.mjs"), str(port)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    try:
        assert server.stdout is not None
        assert server.stdout.readline().strip() == "ready"
        dsn = f"host=127.0.0.1 port={port} user=postgres password=x dbname=postgres sslmode=disable"
        with connect(dsn, application="test") as conn:
            for path in sorted((MIGRATIONS / "versions").glob("*.sql")):
                conn.execute(path.read_bytes())
            assert ensure_layout(conn) == "hypertable"
            yield conn
    finally:
        server.kill()
        server.wait()
        if server.stdin:
            server.stdin.close()
        if server.stdout:
            server.stdout.close()


def put(conn: Connection, time: datetime, value: float) -> int:
    """Insert one reading the way ingest does; returns how many rows were new."""
    return conn.execute(
        "INSERT INTO reading (instrument_id, quantity, place_id, time, value, arrived) "
        "VALUES (1, 1, 1, %s, %s, %s) ON CONFLICT DO NOTHING",
        (time, value, time),
    ).rowcount


def test_readings_are_a_hypertable_cut_by_day(timescale: Connection) -> None:
    start = datetime(2026, 3, 1, tzinfo=UTC)
    for day in range(3):
        assert put(timescale, start + timedelta(days=day), 60.0) == 1
    row = timescale.execute(
        "SELECT count(*) AS n FROM timescaledb_information.chunks WHERE hypertable_name = 'reading'"
    ).fetchone()
    assert row is not None
    assert row["n"] == 3


def test_a_duplicate_vanishes_and_a_conflicting_value_is_kept(timescale: Connection) -> None:
    moment = datetime(2026, 4, 1, tzinfo=UTC)
    assert put(timescale, moment, 60.0) == 1
    assert put(timescale, moment, 60.0) == 0
    assert put(timescale, moment, 61.0) == 1


def test_laying_out_again_changes_nothing(timescale: Connection) -> None:
    before = timescale.execute("SELECT count(*) AS n FROM reading").fetchone()
    assert ensure_layout(timescale) == "hypertable"
    assert timescale.execute("SELECT count(*) AS n FROM reading").fetchone() == before

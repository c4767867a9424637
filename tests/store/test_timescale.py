"""The same schema and queries on TimescaleDB (the real extension, compiled to WebAssembly)."""

from __future__ import annotations

import shutil
import socket
import subprocess
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from model.equipment import Role
from model.reading import Quantity
from store import board, equipment, jobs, procedures, readings, series
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


def test_the_statement_of_ingest_tells_new_readings_from_old_ones(timescale: Connection) -> None:
    """COPY is not to be had here, so the staging table is filled by hand; the rest is what ingest runs."""
    moment = datetime(2026, 5, 1, tzinfo=UTC)
    readings.prepare(timescale)
    for expected in (1, 0):
        timescale.execute("TRUNCATE staging")
        timescale.execute(
            "INSERT INTO staging (instrument_id, quantity, place_id, time, value, arrived) "
            "VALUES (2, 1, 1, %s, 60.0, %s)",
            (moment, moment),
        )
        row = timescale.execute(readings.INSERT).fetchone()
        assert row is not None
        assert row["new"] == expected


def test_a_thinned_series_keeps_its_extremes_across_chunks(timescale: Connection) -> None:
    start = datetime(2026, 6, 1, 20, tzinfo=UTC)
    for step in range(600):
        value = 900.0 if step == 333 else 1.0 if step == 444 else 60.0
        timescale.execute(
            "INSERT INTO reading (instrument_id, quantity, place_id, time, value, arrived) "
            "VALUES (3, 1, 1, %s, %s, %s)",
            (start + timedelta(minutes=step), value, start),
        )
    span = series.Span(3, Quantity.PRESSURE, start, start + timedelta(days=1))
    found = series.read(timescale, span, points=40, gap_s=3600)
    assert found.total == 600
    assert len(found.times) <= 40
    assert (min(found.values), max(found.values)) == (1.0, 900.0)


def test_the_board_reads_its_rows(timescale: Connection) -> None:
    site = equipment.add_site(timescale, "Harrow Quay", "Europe/London")
    gateway, _ = equipment.add_gateway(timescale, "quay-gw", site.id, datetime(2026, 6, 1, tzinfo=UTC))
    gauge = equipment.add_instrument(timescale, gateway.id, "gauge-1", Role.GAUGE)
    procedure = procedures.default(timescale)
    job = jobs.add(timescale, "Chiller 2", site.id, procedure.id, 1_780_000_000_000_000)
    jobs.assign(timescale, job.id, gauge.id, 1_780_000_000_000_000)
    (row,) = board.rows(timescale)
    assert row.title == "Chiller 2"

"""The same schema and queries on TimescaleDB (the real extension, compiled to WebAssembly)."""

from __future__ import annotations

import shutil
import socket
import subprocess
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from model.clock import to_datetime
from model.equipment import Role
from model.reading import Quantity
from store import board, equipment, jobs, layout, procedures, readings, series, upkeep
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
        with connect(dsn, application="test", autocommit=True) as conn:
            for path in sorted((MIGRATIONS / "versions").glob("*.sql")):
                with conn.transaction():
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
        with timescale.transaction():
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


# Columnstore and retention ----------------------------------------------------------------------------

NOW_US = 1_800_000_000_000_000
DAY_US = 86_400_000_000
GAUGE = 77


def fill(conn: Connection, instrument_id: int, days_ago: int) -> int:
    """A reading a minute through a day; returns when it began [µs]."""
    begin_us = (NOW_US // DAY_US - days_ago) * DAY_US
    conn.execute(
        "INSERT INTO reading (instrument_id, quantity, place_id, time, value, arrived) "
        "SELECT %s, 1, 1, t, 40 + extract(epoch FROM t)::bigint %% 97, t + interval '1 second' FROM "
        "generate_series(%s::timestamptz, %s::timestamptz, interval '1 minute') t",
        (instrument_id, to_datetime(begin_us), to_datetime(begin_us + DAY_US - 1)),
    )
    return begin_us


def kept(conn: Connection, instrument_id: int) -> list[tuple[object, ...]]:
    """All there is of an instrument, wherever it is."""
    rows = conn.execute(
        "SELECT time, value, arrived FROM reading_of(%s, '-infinity', 'infinity') ORDER BY time, value",
        (instrument_id,),
    )
    return [tuple(row.values()) for row in rows]


def columnar(conn: Connection, days_ago: int) -> bool:
    begin = to_datetime((NOW_US // DAY_US - days_ago) * DAY_US)
    return next(part.columnar for part in layout.parts(conn) if part.since == begin)


def test_days_go_to_the_columnstore_once_no_gateway_is_likely_to_bring_more(timescale: Connection) -> None:
    for days_ago in (12, 7, 1):
        fill(timescale, GAUGE, days_ago)
    before = kept(timescale, GAUGE)
    done = upkeep.tend(timescale, upkeep.Rules(), NOW_US)
    assert done.layout == "hypertable"
    assert [columnar(timescale, ago) for ago in (12, 7, 1)] == [True, False, False]
    assert kept(timescale, GAUGE) == before
    assert upkeep.tend(timescale, upkeep.Rules(), NOW_US).columnar == []
    # A procedure that waits ten days for readings keeps ten days and one in rows.
    timescale.execute("UPDATE procedure SET patience_s = 10 * 86400 WHERE is_default")
    fill(timescale, GAUGE, 11)
    assert upkeep.tend(timescale, upkeep.Rules(columnstore_days=2), NOW_US).columnar == []
    timescale.execute("UPDATE procedure SET patience_s = 86400 WHERE is_default")
    assert len(upkeep.tend(timescale, upkeep.Rules(columnstore_days=2), NOW_US).columnar) == 2


def test_a_day_that_others_hold_is_compressed_at_the_next_run(
    timescale: Connection, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A second connection is not to be had here, so the server says by itself that the lock is not free."""
    fill(timescale, GAUGE + 9, 33)
    real, patience = layout.to_columnstore, []

    def held(conn: Connection, _: layout.Part) -> None:
        patience.append(conn.execute("SHOW lock_timeout").fetchone())
        conn.execute("DO $$ BEGIN RAISE 'held' USING ERRCODE = 'lock_not_available'; END $$")

    monkeypatch.setattr(layout, "to_columnstore", held)
    done = upkeep.tend(timescale, upkeep.Rules(), NOW_US)
    assert (len(done.postponed) > 0, done.columnar) == (True, [])
    assert patience[0] == {"lock_timeout": upkeep.PATIENCE}
    monkeypatch.setattr(layout, "to_columnstore", real)
    assert upkeep.tend(timescale, upkeep.Rules(), NOW_US).postponed == []
    assert columnar(timescale, 33)
    assert timescale.execute("SHOW lock_timeout").fetchone() == {"lock_timeout": "0"}


def test_a_late_reading_joins_a_compressed_day_and_one_that_comes_twice_vanishes(
    timescale: Connection,
) -> None:
    readings.prepare(timescale)
    begin_us = fill(timescale, GAUGE + 1, 20)
    upkeep.tend(timescale, upkeep.Rules(), NOW_US)
    assert columnar(timescale, 20)
    before = kept(timescale, GAUGE + 1)
    for new in (1, 0):
        with timescale.transaction():
            timescale.execute(
                "INSERT INTO staging (instrument_id, quantity, place_id, time, value, arrived) VALUES "
                "(%(gauge)s, 1, 1, %(old)s, %(value)s, now()), (%(gauge)s, 1, 1, %(late)s, 41.5, %(late)s)",
                {
                    "gauge": GAUGE + 1,
                    "old": before[3][0],
                    "value": before[3][1],
                    "late": to_datetime(begin_us + 12_345_678),
                },
            )
            row = timescale.execute(readings.INSERT).fetchone()
            assert row is not None
            assert row["new"] == new
    late = to_datetime(begin_us + 12_345_678)
    assert kept(timescale, GAUGE + 1) == sorted([*before, (late, 41.5, late)])
    # What came late is compressed with the rest by the next upkeep.
    timescale.execute("DELETE FROM work")
    upkeep.tend(timescale, upkeep.Rules(), NOW_US)
    assert kept(timescale, GAUGE + 1) == sorted([*before, (late, 41.5, late)])


@pytest.mark.parametrize("compressed", [False, True])
def test_retention_drops_chunks_and_keeps_the_evidence_of_jobs(
    timescale: Connection, *, compressed: bool
) -> None:
    days_ago = 41 + compressed
    gauge = GAUGE + 2 + 2 * compressed
    begin_us = fill(timescale, gauge, days_ago)
    fill(timescale, gauge + 1, days_ago)
    for table in ("work", "assignment"):
        timescale.execute(f"DELETE FROM {table}".encode())
    before = kept(timescale, gauge)
    if compressed:
        upkeep.tend(timescale, upkeep.Rules(), NOW_US)
        assert columnar(timescale, days_ago)
    site = equipment.add_site(timescale, f"Pier {days_ago}", "UTC")
    gateway, _ = equipment.add_gateway(timescale, f"pier-{days_ago}", site.id, to_datetime(begin_us))
    procedure = procedures.default(timescale)
    job = jobs.add(timescale, "Freezer", site.id, procedure.id, begin_us)
    timescale.execute(
        "INSERT INTO instrument (id, gateway_id, name, role, position) OVERRIDING SYSTEM VALUE "
        "VALUES (%s, %s, 'g1', 'gauge', 'circuit')",
        (gauge, gateway.id),
    )
    jobs.assign(timescale, job.id, gauge, begin_us)
    keep = upkeep.Rules(keep_days=40)
    held = upkeep.tend(timescale, keep, NOW_US)
    assert f"job {job.id} is not closed" in [one.why for one in held.held]
    assert kept(timescale, gauge) == before
    timescale.execute("UPDATE job SET state = 'closed', closed_at = opened_at WHERE id = %s", (job.id,))
    timescale.execute("UPDATE assignment SET until = since + interval '1 hour' WHERE job_id = %s", (job.id,))
    done = upkeep.tend(timescale, keep, NOW_US)
    assert done.evidence == len(before) == 1440
    assert kept(timescale, gauge) == before
    assert kept(timescale, gauge + 1) == []
    left = timescale.execute(
        "SELECT count(*) AS n FROM reading WHERE instrument_id = %s", (gauge,)
    ).fetchone()
    assert left == {"n": 0}

"""How long a record takes: gathered, signed, stored, and its page typeset.

``make bench-record``: jobs whose gauge and thermometer brought 12 h at 1 Hz, on an embedded PostgreSQL; then
a batch of a thousand smaller ones, as ``holdfast record make`` makes them.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from rich.progress import track

from api.records import making, signing
from api.records.signing import Signer
from bench.report import Measure, write
from model.clock import US, SystemClock, to_datetime
from model.equipment import Role
from model.reading import Quantity
from ops.services import DatabaseService
from store import company, equipment, jobs, procedures, readings, records
from store.audit import By
from store.database import Connection, connect
from store.migrate import migrate

LONG_S, SHORT_S = 12 * 3600, 1800
TARGET_S = 1.0


def job_with_readings(conn: Connection, gateway: int, number: int, seconds: int, now_us: int) -> int:
    """A job whose gauge and its temperature came once a second until now."""
    start_us = now_us - seconds * US
    site = equipment.add_site(conn, f"Site {number}", "Europe/Berlin")
    job = jobs.add(conn, f"Job {number}", site.id, procedures.default(conn).id, start_us).id
    gauge = equipment.add_instrument(conn, gateway, f"g{number}", Role.GAUGE, interval_s=1.0).id
    jobs.assign(conn, job, gauge, start_us, deciding=True)
    random = np.random.default_rng(number)
    times = start_us + np.arange(seconds, dtype=np.int64) * US
    rows = np.zeros(2 * seconds, readings.ROW)
    rows["instrument_id"], rows["place_id"], rows["arrived_us"] = gauge, 1, now_us
    rows["quantity"] = np.repeat([Quantity.PRESSURE, Quantity.TEMPERATURE], seconds)
    rows["time_us"] = np.tile(times, 2)
    pressure = 30.0 + 1e5 * np.exp(-np.arange(seconds) / 300.0)
    rows["value"][:seconds] = pressure * (1 + 0.01 * random.standard_normal(seconds))
    rows["value"][seconds:] = 293.0 + random.standard_normal(seconds)
    readings.write(conn, readings.in_order(rows))
    return job


def timed(conn: Connection, signer: Signer, job: int, now_us: int) -> tuple[float, float, float]:
    """Making, page, and file with its check [s]."""
    began = time.perf_counter()
    with conn.transaction():
        number = making.make(conn, signer, job, "The bench", By(to_datetime(now_us)))
    made_s = time.perf_counter() - began
    made, kept = records.by_id(conn, number), company.of(conn)
    assert made is not None
    began = time.perf_counter()
    making.pdf_of(made, kept, "a4", "")
    page_s = time.perf_counter() - began
    began = time.perf_counter()
    if not signing.check(making.file_of(made)).unaltered:
        raise SystemExit("a record that was just made is not as it was signed")
    return made_s, page_s, time.perf_counter() - began


def main() -> None:
    """Measure and write."""
    options = argparse.ArgumentParser(description="Records of long jobs, and a batch.")
    options.add_argument("--long", type=int, default=10)
    options.add_argument("--batch", type=int, default=1000)
    given = options.parse_args()
    now_us = SystemClock().now_us()
    with tempfile.TemporaryDirectory(prefix="holdfast-bench-") as folder:
        database = DatabaseService(Path(folder))
        database.server.start()
        try:
            migrate(database.server.dsn)
            with connect(database.server.dsn, application="bench-record", autocommit=True) as conn:
                found = measure(conn, given.long, given.batch, now_us)
        finally:
            database.server.stop()
    sys.exit(0 if write("record", found) else 1)


def measure(conn: Connection, long: int, batch: int, now_us: int) -> dict[str, Measure]:
    """Both kinds of jobs."""
    readings.prepare(conn)
    site = equipment.add_site(conn, "Bench", "UTC")
    gateway, _ = equipment.add_gateway(conn, "bench", site.id, to_datetime(now_us), "unused")
    signer = Signer(bytes(32))
    with conn.transaction():
        many = [job_with_readings(conn, gateway.id, n, LONG_S, now_us) for n in range(long)]
        few = [job_with_readings(conn, gateway.id, long + n, SHORT_S, now_us) for n in range(batch)]
    spent = [timed(conn, signer, job, now_us) for job in track(many, "12 h at 1 Hz")]
    whole = [made + page for made, page, _ in spent]
    began = time.perf_counter()
    for job in track(few, "a batch"):
        timed(conn, signer, job, now_us)
    batch_s = time.perf_counter() - began
    size = conn.execute(
        "SELECT avg(pg_column_size(readings)) AS n FROM record WHERE job_id <= %s", (long,)
    ).fetchone()
    assert size is not None
    return {
        "12 h at 1 Hz, two channels: made and typeset, worst": Measure(
            round(max(whole), 3), "s", f"< {TARGET_S:g}", max(whole) < TARGET_S
        ),
        "made, median": Measure(round(statistics.median(one[0] for one in spent), 3), "s", "shown", True),
        "typeset, median": Measure(round(statistics.median(one[1] for one in spent), 3), "s", "shown", True),
        "written and checked, median": Measure(
            round(statistics.median(one[2] for one in spent), 3), "s", "shown", True
        ),
        "stored, a reading": Measure(round(float(size["n"]) / (2 * LONG_S), 2), "B", "shown", True),
        f"batch of {batch}, each made, typeset, written, checked": Measure(
            round(batch_s / max(batch, 1), 3), "s", "shown", True
        ),
    }


if __name__ == "__main__":
    main()

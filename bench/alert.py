"""How long from a reading that decides a failing hold to whoever should know.

``make bench-alert``: 500 gauges publish a reading a second over MQTT, each with a job that is judged by the
usual procedure; some of their holds fail. For each of these the reading that the verdict names as its last is
found among those published, and the time from handing it to the MQTT client is taken to

- the commit of the alert, as a listener of the database hears it,
- the alert's arrival on an open page (server-sent events, logged in),
- the webhook's arrival at a receiver on this machine.

by one monotonic clock of this process. On the way, by the machine's clock as the processes noted it: when the
reading arrived at the ingest, and when the verdict was reached. That some of these fails were called early,
by alerts of their own, is not what is timed. Nothing is simulated but the gauges.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import statistics
import sys
import tempfile
import threading
import time
from collections.abc import Iterable, Sequence
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import httpx
import psycopg
from rich.console import Console
from rich.progress import Progress
from rich.table import Table

from bench.chain import Chain, Fleet, chain, processor_s, register, valve_of, wait
from bench.report import Measure, below, write
from model.clock import SystemClock, to_us
from simulator.load import Load
from store import procedures
from store.database import connect

TARGET_S = 2.0
PUMPED_PA = 60.0
LEAKED_PA = 1000.0
STAGGER_S = 1.7
"""Between two closings: not a multiple of the reading interval, so that decisions fall on all its phases."""

STAGES = ("alert committed", "open page", "webhook")

DECIDED = """
    SELECT alert.id, alert.job_id, alert.kind, alert.happened_at,
           (SELECT min(reading.arrived) FROM reading JOIN assignment USING (instrument_id)
            WHERE assignment.job_id = alert.job_id AND assignment.deciding
              AND reading.time = alert.happened_at) AS arrived_at,
           (SELECT min(event.recorded_at) FROM event
            WHERE event.job_id = alert.job_id AND event.kind = 'hold-failed') AS recorded_at
    FROM alert WHERE alert.kind = 'hold-failed' ORDER BY alert.id
"""
NOBODY_PROVOKED = """
    SELECT kind, job_id FROM alert
    WHERE kind NOT IN ('hold-failed', 'hold-will-fail') OR NOT job_id = ANY(%s)
"""


class Arrivals:
    """When each alert was first seen at each stage [s, monotonic]."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._seen: dict[str, dict[int, float]] = {stage: {} for stage in STAGES}

    def saw(self, stage: str, alert_id: int) -> None:
        """Note a first arrival; later ones are of updates."""
        now = time.monotonic()
        with self._lock:
            self._seen[stage].setdefault(alert_id, now)

    def of(self, stage: str, alerts: Iterable[int]) -> list[float]:
        """Those of some alerts that have arrived at a stage."""
        with self._lock:
            return [self._seen[stage][alert] for alert in alerts if alert in self._seen[stage]]


class Published:
    """When the readings of the failing holds went out, by gauge and event time."""

    def __init__(self) -> None:
        self.watched: frozenset[tuple[str, str]] = frozenset()
        self._at: dict[tuple[str, str, int], float] = {}

    def told(self, gateway: str, gauge: str, time_us: int, at: float) -> None:
        """As `simulator.load.Told`."""
        if (gateway, gauge) in self.watched:
            self._at[gateway, gauge, time_us] = at

    def at(self, gateway: str, gauge: str, time_us: int) -> float:
        """When that reading went out; a KeyError means that the verdict names one that never was."""
        return self._at[gateway, gauge, time_us]


def receive_webhooks(arrivals: Arrivals) -> ThreadingHTTPServer:
    """A receiver that only notes."""

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
            arrivals.saw("webhook", int(body["data"]["alert"]))
            self.send_response(204)
            self.end_headers()

        def log_message(self, *_: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    return server


def listen_to_commits(dsn: str, arrivals: Arrivals) -> None:
    """A listener of the database hears of an alert when its transaction commits."""
    # The database ends before this process does.
    with (
        contextlib.suppress(psycopg.OperationalError),
        connect(dsn, application="bench-ear", autocommit=True) as conn,
    ):
        conn.execute("LISTEN alert")
        for notify in conn.notifies():
            arrivals.saw("alert committed", int(notify.payload))


def watch_page(browser: httpx.Client, arrivals: Arrivals, opened: threading.Event) -> None:
    """What an open page gets. It resumes as browsers do: one that is far behind is dropped by the server.

    The start of a large fleet is such a case: all of it reaches its target at once.
    """
    known: dict[str, str] = {}
    with contextlib.suppress(httpx.TransportError):  # the pages end before this process does
        while True:
            headers = {"Last-Event-ID": known["id"]} if "id" in known else {}
            with browser.stream("GET", "/api/v1/events", timeout=None, headers=headers) as answer:
                answer.raise_for_status()
                for line in answer.iter_lines():
                    opened.set()
                    name, _, value = line.partition(":")
                    known[name] = value.strip()
                    if name == "data" and known.get("event") == "alert":
                        arrivals.saw("open page", int(json.loads(value)["id"]))
            time.sleep(int(known.get("retry", "3000")) / 1000)


def quietly(thread: threading.Thread) -> threading.Thread:
    """Start it; it ends with the process."""
    thread.daemon = True
    thread.start()
    return thread


def measure(running: Chain, arrivals: Arrivals, gauges: int, holds: int) -> dict[str, list[float]]:
    """Drive the fleet through its holds; seconds by stage, one each failing hold."""
    fleet = register(running, gauges, interval_s=1.0)
    failing = fleet.first(holds)
    published = Published()
    published.watched = frozenset(failing)
    load = Load(fleet.credentials, fleet.gauges, SystemClock(), pressure_pa=PUMPED_PA, told=published.told)
    opened = threading.Event()
    quietly(threading.Thread(target=listen_to_commits, args=(running.dsn, arrivals)))
    quietly(threading.Thread(target=watch_page, args=(running.browser(), arrivals, opened)))
    wait(opened.is_set, "the event stream")
    load.start()
    began, spent = time.monotonic(), {room: processor_s(pid) for room, pid in running.rooms.items()}
    try:
        wait(lambda: load.connected == len(fleet.credentials), "the gateways to connect")
        fail_holds(running, load, failing)
        wait(lambda: all_told(running, arrivals, holds), "every fail to reach everybody", 240)
    finally:
        load.stop()
    for room, pid in running.rooms.items():
        share = (processor_s(pid) - spent[room]) / (time.monotonic() - began)
        print(f"{room}: {share:.0%} of a core")
    return seconds(running, fleet, published, arrivals)


def all_told(running: Chain, arrivals: Arrivals, holds: int) -> bool:
    """Whether each hold has failed and its alert has passed every stage."""
    with connect(running.dsn, application="bench") as conn:
        alerts = [row["id"] for row in conn.execute(DECIDED)]
    return len(alerts) >= holds and all(len(arrivals.of(stage, alerts)) == len(alerts) for stage in STAGES)


def fail_holds(running: Chain, load: Load, failing: Sequence[tuple[str, str]]) -> None:
    """Close the valves one after another, and let each circuit rise once its hold has settled."""
    with connect(running.dsn, application="bench") as conn:
        procedure = procedures.default(conn)
    for gateway, gauge in failing:
        load.valve(gateway, valve_of(gauge), "open")
    begin = time.monotonic() + procedure.filter_s + procedure.dwell_s + 15.0
    close = [(begin + n * STAGGER_S, "closed", place) for n, place in enumerate(failing)]
    rise = [(at + procedure.settle_s + 5.0, "rise", place) for at, _, place in close]
    with Progress() as progress:
        task = progress.add_task("closing valves, then letting leaks show", total=len(close) + len(rise))
        for at, what, (gateway, gauge) in sorted(close + rise):
            time.sleep(max(0.0, at - time.monotonic()))
            if what == "closed":
                load.valve(gateway, valve_of(gauge), "closed")
            else:
                load.show(gateway, gauge, LEAKED_PA)
            progress.advance(task)


def seconds(running: Chain, fleet: Fleet, published: Published, arrivals: Arrivals) -> dict[str, list[float]]:
    """From publishing the reading at which each hold was decided to each stage."""
    with connect(running.dsn, application="bench") as conn:
        rows = conn.execute(DECIDED).fetchall()
        failing = [job for job, place in fleet.jobs.items() if place in published.watched]
        wrong = conn.execute(NOBODY_PROVOKED, (failing,)).fetchall()
    if wrong:
        raise SystemExit(f"alerts that nobody provoked: {wrong[:3]}")
    begun = {row["id"]: published.at(*fleet.jobs[row["job_id"]], to_us(row["happened_at"])) for row in rows}
    to_monotonic = time.monotonic() - time.time()
    noted = {
        "reading arrived": [row["arrived_at"].timestamp() + to_monotonic - begun[row["id"]] for row in rows],
        "verdict reached": [row["recorded_at"].timestamp() + to_monotonic - begun[row["id"]] for row in rows],
    }
    seen = {
        stage: [at - start for at, start in zip(arrivals.of(stage, begun), begun.values(), strict=True)]
        for stage in STAGES
    }
    return {**noted, **seen}


def table(found: dict[str, list[float]], gauges: int) -> Table:
    """The distribution, for people."""
    shown = Table(title=f"Seconds from the deciding reading, {gauges} gauges at 1 reading/s")
    for column in ("to", "holds", "min", "median", "p95", "max"):
        shown.add_column(column, justify="left" if column == "to" else "right")
    for stage, values in found.items():
        shown.add_row(
            stage,
            str(len(values)),
            *(f"{value:.3f}" for value in (min(values), statistics.median(values), p95(values), max(values))),
        )
    return shown


def p95(values: Sequence[float]) -> float:
    """The value that 95 % do not exceed."""
    return sorted(values)[max(0, -(-95 * len(values) // 100) - 1)]


def measures(found: dict[str, list[float]]) -> dict[str, Measure]:
    """For the results file."""
    result = {}
    for stage in STAGES:
        values = found[stage]
        for name, value in (
            ("min", min(values)),
            ("median", statistics.median(values)),
            ("p95", p95(values)),
            ("max", max(values)),
        ):
            result[f"{stage}: {name}"] = below(value, "s", TARGET_S)
    return result


def conditions() -> dict[str, Measure]:
    """What the figures depend on and nobody promised: on a busy machine they say little about us."""
    load, nice = os.getloadavg()[0], os.getpriority(os.PRIO_PROCESS, 0)
    print(f"Load of the machine by other work, last minute: {load:.1f}; our nice value: {nice}")
    return {
        "other work: load before": Measure(round(load, 1), "", "none", True),
        "our nice value": Measure(nice, "", "none", True),
    }


def main() -> None:
    """Measure and write."""
    options = argparse.ArgumentParser(description="Seconds from the deciding reading of a failing hold.")
    options.add_argument("--gauges", type=int, default=500)
    options.add_argument("--holds", type=int, default=40)
    chosen = options.parse_args()
    before = conditions()
    arrivals = Arrivals()
    receiver = receive_webhooks(arrivals)
    with tempfile.TemporaryDirectory(prefix="holdfast-bench-") as folder:
        url = f"http://127.0.0.1:{receiver.server_port}/"
        with chain(Path(folder), url) as running:
            found = measure(running, arrivals, chosen.gauges, chosen.holds)
    receiver.shutdown()
    Console().print(table(found, chosen.gauges))
    sys.exit(0 if write("alert", {**before, **measures(found)}) else 1)


if __name__ == "__main__":
    main()

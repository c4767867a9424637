"""The metrics as a scraper sees them, of real processes."""

from __future__ import annotations

import re
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from prometheus_client.metrics_core import Metric
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from analytics.worker.config import AnalyseConfig
from analytics.worker.service import run as run_analysis
from api.config import ApiConfig
from api.metrics import BY_NAME, CATALOGUE, PREFIX
from desk.config import DeskConfig
from desk.worker.service import run as run_desk
from ingest.config import BrokerConfig, IngestConfig
from ingest.service import run as run_ingest
from model.clock import HandClock, SystemClock
from store import clocks, layout, upkeep
from store.database import connect
from store.measures import BOUNDS_S, Measures
from tests.api.serving import serving
from tests.fix_broker import NatsBroker
from tests.ingest.helpers import NOW_US, register
from tests.store import history
from tests.waiting import wait_until

PAGE = Path(__file__).parents[2] / "docs" / "reference" / "metrics.md"
TOKEN = {"Authorization": "Bearer for-the-scraper"}


Families = dict[str, Metric]
parsed: Callable[[str], Iterator[Metric]] = text_string_to_metric_families
Scrape = Callable[[], Families]


@pytest.fixture
def scrape(database: str) -> Iterator[Scrape]:
    """Each metric, as a scraper with the token gets it and the library's parser reads it."""
    config = ApiConfig(database, port=0, metrics_token="for-the-scraper")
    with serving(config, HandClock(SystemClock().now_us())) as api, api.client(None) as client:

        def once() -> Families:
            answer = client.get("/metrics", headers=TOKEN)
            assert answer.status_code == 200
            kind = "application/openmetrics-text; version=1.0.0; charset=utf-8"
            assert answer.headers["content-type"] == kind
            # Source: the parser of prometheus_client, which is strict about OpenMetrics 1.0.
            return {family.name: family for family in parsed(answer.text)}

        yield once


def test_what_is_served_is_what_the_reference_lists(scrape: Scrape) -> None:
    served = {name: (family.type, family.documentation) for name, family in scrape().items()}
    rows = re.findall(r"^\| `holdfast_(\w+)` \| (\w+) \| ([^|]*) \| ([^|]*) \|$", PAGE.read_text(), re.M)
    written = {
        PREFIX + name.removesuffix("_total"): (kind, meaning.strip()) for name, kind, _, meaning in rows
    }
    assert written == served
    for name, kind, labels, _ in rows:
        assert name.endswith("_total") == (kind == "counter")
        known = BY_NAME[name.removesuffix("_total")].labels
        assert tuple(re.findall(r"`(\w+)`", labels)) == known


def test_gateways_whose_clock_is_off_are_counted(database: str, scrape: Scrape) -> None:
    register(database)
    lags = {"gw1": clocks.Lag(-9_000_000, 9, NOW_US), "gw2": clocks.Lag(-11_000_000, 9, NOW_US)}
    with connect(database, application="test") as conn:
        clocks.note(conn, lags)
    assert _in(scrape(), "gateways_clock_off") == 1


# Source: OpenMetrics 1.0, "Metric Types" and "Units"; Prometheus documentation, "Metric and label naming".
def test_names_keep_the_conventions() -> None:
    assert len(BY_NAME) == len(CATALOGUE) > 30
    for told in CATALOGUE:
        assert re.fullmatch(r"[a-z]+(_[a-z]+)*", told.name)
        assert not told.name.endswith(("_total", "_count", "_sum", "_bucket", "_info", "_created"))
        assert not re.search(r"_(ms|milliseconds|minutes|hours|kb|mb)$", told.name)
        if told.kind == "histogram":
            assert told.name.endswith("_seconds")


def test_a_reading_is_counted_on_its_whole_way(
    broker: NatsBroker, database: str, scrape: Scrape, mosquitto_pub: Callable[..., object]
) -> None:
    register(database)
    clock, stop = SystemClock(), threading.Event()
    rooms = (
        lambda: run_ingest(
            IngestConfig(database, BrokerConfig.from_url(broker.url("holdfast"))), clock, stop
        ),
        lambda: run_analysis(AnalyseConfig(dsn=database), clock, stop),
        lambda: run_desk(DeskConfig(dsn=database), clock, stop),
    )
    threads = [threading.Thread(target=room) for room in rooms]
    for thread in threads:
        thread.start()
    try:
        now_s = clock.now_us() / 1e6
        good = (
            f'[{{"n":"pressure","u":"Pa","v":42,"t":{now_s - 3}}},{{"n":"seq","v":1}},{{"n":"boot","vs":"b"}}'
            + (f',{{"n":"sent","v":{now_s - 1}}}]')
        )

        def value(name: str, **labels: str) -> float:
            return _in(scrape(), name, **labels) or 0.0

        wait_until(lambda: value("ingest_broker_connected", lane="live"), what="the ingest to listen")
        mosquitto_pub(broker.url("gw1"), "hf/1/gw1/g1/data", good)
        mosquitto_pub(broker.url("gw1"), "hf/1/gw1/g1/data", "nonsense")
        wait_until(lambda: value("judge_jobs_total"), what="its judgement to be told")
        wait_until(lambda: value("desk_events_total"), what="the desk's word")
        wait_until(lambda: value("ingest_refused_total", reason="not-senml") == 1, what="the refusal")
        families = scrape()
    finally:
        stop.set()
        for thread in threads:
            thread.join(10)
    live = {"lane": "live"}
    counted = {
        name: _in(families, f"ingest_{name}_total", **live)
        for name in ("messages", "packs", "readings", "receipts")
    }
    assert counted == {"messages": 2, "packs": 2, "readings": 1, "receipts": 1}
    assert _in(families, "ingest_inbox_messages", **live) == 0
    assert _in(families, "ingest_broker_connected", **live) == 1
    assert _in(families, "ingest_commit_delay_seconds_count", **live) == 2
    assert 1 <= (_in(families, "ingest_publish_delay_seconds_sum", **live) or 0) < 60
    assert 3 <= (_in(families, "ingest_reading_age_seconds_sum", **live) or 0) < 60
    # A reading that was three seconds old is in no bucket below that.
    assert _in(families, "ingest_reading_age_seconds_bucket", le="2.0", **live) == 0
    assert _in(families, "ingest_reading_age_seconds_bucket", le="+Inf", **live) == 1
    assert (_in(families, "judge_delay_seconds_count") or 0) >= 1
    assert _in(families, "jobs_open") == 1
    assert _in(families, "quarantined_refusals") == 1
    for process in ("ingest", "analyse", "desk"):
        assert _in(families, "process_alive", process=process) == 1


def _in(families: Families, name: str, **labels: str) -> float | None:
    found = [
        sample.value
        for family in families.values()
        for sample in family.samples
        if sample.name == PREFIX + name and labels.items() <= sample.labels.items()
    ]
    assert len(found) <= 1, (name, labels, found)
    return found[0] if found else None


def test_queues_and_overdue_things_show_their_age(database: str, scrape: Scrape) -> None:
    with connect(database, application="test") as conn:
        conn.execute(
            "INSERT INTO work (instrument_id, since, until, at) "
            "VALUES (1, now(), now(), now() - interval '90 s'), (1, now(), now(), now())"
        )
        conn.execute(
            "INSERT INTO timer (due, kind, subject) VALUES "
            "(now() - interval '2 min', 'job-wake', '1'), (now() + interval '1 h', 'job-wake', '2')"
        )
        conn.execute(
            "INSERT INTO beat (process, instance, at) VALUES "
            "('ingest', 'a', now() - interval '1 min'), ('ingest', 'old', now() - interval '1 h')"
        )
    families = scrape()
    assert _in(families, "work_items") == 2
    assert 90 <= (_in(families, "work_oldest_seconds") or 0) < 300
    assert (_in(families, "timers"), _in(families, "timers_overdue")) == (2, 1)
    # The API's clock of this test stands still since a little earlier.
    assert 60 <= (_in(families, "timer_overdue_seconds") or 0) < 300
    assert _in(families, "process_alive", process="ingest") == 0
    assert [sample.labels["worker"] for sample in families[PREFIX + "beat_age_seconds"].samples] == ["a"]


def test_a_histogram_counts_each_duration_once_and_below_its_bound() -> None:
    measures = Measures()
    for seconds in (0.0, -5.0, BOUNDS_S[3], BOUNDS_S[3] * 1.01, 1e9, float("nan")):
        measures.observe("judge_delay_seconds", seconds)
    ((_, _, counts, total),) = measures.told()["histograms"]
    assert sum(counts) == 5
    assert (counts[0], counts[3], counts[4], counts[-1]) == (2, 1, 1, 1)
    assert total == BOUNDS_S[3] * 2.01 + 1e9


def test_readings_without_a_day_of_their_own_are_told_until_somebody_tends_them(
    scrape: Scrape, database: str
) -> None:
    def told() -> dict[str, float]:
        families = scrape()
        names = ("reading_days", "reading_days_ahead", "readings_stray")
        return {name: families[PREFIX + name].samples[0].value for name in names}

    register(database)
    days = told()["reading_days"]
    with connect(database, application="test", autocommit=True) as conn:
        history.put(conn, history.every(1, history.midnight_us(60), history.midnight_us(58)))
        assert told()["readings_stray"] == 288
        upkeep.tend(conn, upkeep.Rules(), SystemClock().now_us())
    assert told() == {"reading_days": days + 2, "reading_days_ahead": layout.DAYS_AHEAD, "readings_stray": 0}

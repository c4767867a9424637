"""The numbers of ``/metrics``: what each is called and means, and their text in the OpenMetrics format.

Names follow OpenMetrics 1.0 and Prometheus' conventions: base units in the name, ``_total`` for what only
grows. Ingest, analysis and desk have no HTTP; they tell their numbers with their signs of life.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any, Literal

from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, HistogramMetricFamily, Metric
from prometheus_client.openmetrics.exposition import generate_latest
from prometheus_client.registry import CollectorRegistry

from api.context import Context
from model.clock import to_datetime
from store import beats, observed
from store.measures import BOUNDS_S, told_in

PREFIX = "holdfast_"
FORGOTTEN_S = 300.0
"""A worker that gave no sign of life for so long is not told of any more."""

Kind = Literal["counter", "gauge", "histogram"]


@dataclass(frozen=True, slots=True)
class Told:
    """A metric: its name without `PREFIX` and suffix, its labels, and what it means."""

    name: str
    kind: Kind
    labels: tuple[str, ...]
    meaning: str


WORKER = ("worker",)
LANE = ("worker", "lane")

CATALOGUE = (
    Told("ingest_messages", "counter", LANE, "Messages stored and acknowledged."),
    Told("ingest_packs", "counter", LANE, "Packs of readings among them."),
    Told("ingest_readings", "counter", LANE, "Readings stored that were not there before."),
    Told("ingest_commits", "counter", LANE, "Transactions committed."),
    Told("ingest_retries", "counter", LANE, "Batches tried again, as the database did not take them."),
    Told("ingest_receipts", "counter", LANE, "Receipts handed to the broker's connection."),
    Told("ingest_refused", "counter", ("worker", "reason"), "Records, packs, messages refused."),
    Told("ingest_inbox_messages", "gauge", LANE, "Messages received that wait for the database."),
    Told("ingest_inbox_bytes", "gauge", LANE, "Memory that these take."),
    Told("ingest_inbox_oldest_seconds", "gauge", LANE, "How long the oldest of them has waited."),
    Told("ingest_gateways_over_limit", "gauge", LANE,
         "Gateways of which, in the last minute, refusals were only counted or packs laid aside."),
    Told("ingest_broker_connected", "gauge", LANE, "1 while the session at the broker is subscribed."),
    Told("ingest_publish_delay_seconds", "histogram", LANE,
         "From the sending of a pack, as it says itself, to its commit."),
    Told("ingest_commit_delay_seconds", "histogram", LANE, "From the arrival of a message to its commit."),
    Told("ingest_reading_age_seconds", "histogram", LANE,
         "Age of the newest reading of a pack at its commit: how far event time lags behind."),
    Told("judge_transactions", "counter", WORKER, "Transactions of the judgement that had something to do."),
    Told("judge_jobs", "counter", WORKER, "Judgements of a job."),
    Told("judge_readings", "counter", WORKER, "Readings folded into judgements."),
    Told("judge_failures", "counter", WORKER, "Transactions of the judgement that failed."),
    Told("judge_delay_seconds", "histogram", WORKER, "From the commit of readings to their judgement."),
    Told("desk_events", "counter", WORKER, "Events that the alert rules have seen."),
    Told("desk_event_delay_seconds", "histogram", WORKER,
         "From the recording of an event to its alert, by the installation's clock."),
    Told("desk_sent", "counter", WORKER, "Notifications that a receiver has taken."),
    Told("desk_failed_attempts", "counter", WORKER, "Attempts to send a notification that failed."),
    Told("desk_send_delay_seconds", "histogram", WORKER,
         "From the moment a notification was due first, or again, to its being taken."),
    Told("process_alive", "gauge", ("process",), "1 if the newest sign of life is fresh."),
    Told("beat_age_seconds", "gauge", ("process", "worker"), "Since the last sign of life."),
    Told("jobs_open", "gauge", (), "Jobs not closed."),
    Told("jobs_parked", "gauge", (), "Jobs set aside because their judgement fails."),
    Told("gateways_online", "gauge", (), "Gateways that say they are there."),
    Told("gateways_clock_off", "gauge", (), "Gateways whose clock is more than 10 s from ours."),
    Told("work_items", "gauge", (), "Rows of work that wait for the judgement."),
    Told("work_oldest_seconds", "gauge", (), "How long the oldest of them has waited."),
    Told("timers", "gauge", (), "Moments at which something must be looked at again."),
    Told("timers_overdue", "gauge", (), "Those that have passed."),
    Told("timer_overdue_seconds", "gauge", (), "How long ago the earliest of those passed."),
    Told("events_waiting", "gauge", (), "Events that the alert rules have not seen."),
    Told("hold_tests", "gauge", ("verdict", "reason"), "Hold tests by verdict and reason."),
    Told("alerts", "gauge", ("state", "priority"), "Alerts that are not back to normal."),
    Told("orders", "gauge", ("state",), "Orders to valves."),
    Told("notifications_waiting", "gauge", (), "Notifications not sent and not given up."),
    Told("notification_overdue_seconds", "gauge", (), "How long the longest waiting one has been due."),
    Told("quarantined_refusals", "gauge", (), "Refusals in quarantine that were not replayed."),
    Told("quarantine_overflow_messages", "counter", ("reason",),
         "Refusals only counted, for want of room or because they came too fast."),
    Told("quarantine_overflow_gateways", "gauge", (),
         "Gateways of which something was only counted; all that are not registered are one."),
    Told("reading_days", "gauge", (), "Tables of readings, one a day."),
    Told("reading_days_ahead", "gauge", (),
         "Days to come that have theirs; TimescaleDB makes them when needed."),
    Told("readings_stray", "gauge", (),
         "Readings of days without a table, waiting for the next upkeep; counted up to 10,000."),
    Told("open_streams", "gauge", (), "Pages that listen to this process."),
    Told("events_published", "counter", (), "Events passed on to open pages."),
    Told("streams_dropped", "counter", (), "Open pages that were too slow and had to connect anew."),
)  # fmt: skip
"""Everything that is served, in this order; ``docs/reference/metrics.md`` has the same table."""

BY_NAME = {told.name: told for told in CATALOGUE}

Sample = tuple[str, dict[str, str], Any]
"""Name, labels, and a number or, of a histogram, its counts and their sum."""


def text(context: Context) -> bytes:
    """All metrics in the OpenMetrics text format."""
    with context.database() as conn:
        now = to_datetime(context.clock.now_us())
        numbers = observed.numbers(conn, now) | observed.readings(conn, now)
        samples = [*_of_tables(context, numbers)]
        samples += [
            ("hold_tests", _labels("hold_tests", key), n) for key, n in observed.hold_tests(conn).items()
        ]
        samples += [("alerts", _labels("alerts", key), n) for key, n in observed.alerts(conn).items()]
        samples += [("orders", {"state": state}, n) for state, n in observed.orders(conn).items()]
        samples += [
            ("quarantine_overflow_messages", {"reason": reason}, n)
            for reason, n in observed.only_counted(conn).items()
        ]
        samples += _of_processes(context, beats.all_instances(conn))
    registry = CollectorRegistry(auto_describe=False)
    registry.register(_Collected(samples))
    made: bytes = generate_latest(registry)  # type: ignore[no-untyped-call]
    return made


def _labels(name: str, values: Iterable[str]) -> dict[str, str]:
    return dict(zip(BY_NAME[name].labels, values, strict=True))


def _of_tables(context: Context, numbers: dict[str, float]) -> Iterator[Sample]:
    for name, value in numbers.items():
        yield name, {}, value
    yield "open_streams", {}, context.hub.pages
    yield "events_published", {}, context.hub.published
    yield "streams_dropped", {}, context.hub.dropped


def _of_processes(
    context: Context, found: list[tuple[str, str, float, dict[str, object]]]
) -> Iterator[Sample]:
    fresh = {process for process, _, age_s, _ in found if age_s <= context.config.beat_limit_s}
    for process in sorted({*context.config.processes, *fresh}):
        yield "process_alive", {"process": process}, int(process in fresh)
    for process, worker, age_s, detail in found:
        if age_s > FORGOTTEN_S:
            continue
        yield "beat_age_seconds", {"process": process, "worker": worker}, age_s
        told = told_in(detail)
        for name, labels, value in (*told.get("counters", ()), *told.get("gauges", ())):
            yield name, {**labels, "worker": worker}, value
        for name, labels, counts, total in told.get("histograms", ()):
            yield name, {**labels, "worker": worker}, (counts, total)


class _Collected:
    """What the library asks for: families of samples."""

    def __init__(self, samples: list[Sample]) -> None:
        self._samples = samples

    def collect(self) -> Iterator[Metric]:
        """Each metric of the catalogue, also one without a sample yet."""
        for told in CATALOGUE:
            mine = [(labels, value) for name, labels, value in self._samples if name == told.name]
            yield _family(told, mine)


def _family(told: Told, samples: list[tuple[dict[str, str], Any]]) -> Metric:
    name, labels = PREFIX + told.name, list(told.labels)
    if told.kind == "counter":
        counter = CounterMetricFamily(name, told.meaning, labels=labels)
        for given, value in samples:
            counter.add_metric([given.get(label, "") for label in labels], value)
        return counter
    if told.kind == "gauge":
        gauge = GaugeMetricFamily(name, told.meaning, labels=labels)
        for given, value in samples:
            gauge.add_metric([given.get(label, "") for label in labels], value)
        return gauge
    histogram = HistogramMetricFamily(name, told.meaning, labels=labels)
    for given, (counts, total) in samples:
        buckets, sum_so_far = [], 0
        for bound, n in zip((*map(str, BOUNDS_S), "+Inf"), counts, strict=True):
            sum_so_far += n
            buckets.append((bound, float(sum_so_far)))
        histogram.add_metric([given.get(label, "") for label in labels], buckets, total)
    return histogram

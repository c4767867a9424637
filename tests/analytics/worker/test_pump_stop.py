"""A pump that stops with the valve open, from its readings to the events."""

from __future__ import annotations

from model.clock import US
from model.event import EventKind
from model.reading import Quantity, Valve
from store import events, pull_downs
from tests.analytics.worker.bench import T0_US, Bench, Line, pull_down, valve


def test_it_is_told_by_time_alone_and_taken_back_by_a_late_report(bench: Bench) -> None:
    gateway = bench.gateway(bench.site())
    gauge, shut = bench.gauge(gateway), bench.valve(gateway)
    job = bench.job(1, [gauge, shut])

    def pump(at_us: int, runs: bool) -> Line:
        return Line(at_us, shut.id, Quantity.PUMP, float(runs))

    stopped_us = T0_US + 900 * US
    begun = [valve(shut.id, T0_US, Valve.OPEN), pump(T0_US, True), *pull_down(gauge.id, T0_US, 900)]
    bench.live(begun)
    assert pull_downs.running(bench.conn, job.id) is not None
    bench.live([pump(stopped_us, False)])
    # Nothing is said of when it will reach its target any more.
    assert pull_downs.running(bench.conn, job.id) is None
    assert EventKind.PUMP_STOPPED not in bench.told(job.id)
    bench.settle(stopped_us + 31 * US)
    (told,) = [one for one in events.of_job(bench.conn, job.id) if one.kind is EventKind.PUMP_STOPPED]
    assert (told.happened_us, told.data["over"]) == (stopped_us, False)
    bench.publish([pump(stopped_us + 60 * US, True)])
    bench.settle(stopped_us + 60 * US)
    assert EventKind.PUMP_STOP_OVER in bench.told(job.id)
    # The valve had been closed before: nothing had happened.
    bench.publish([valve(shut.id, stopped_us - US, Valve.CLOSED)])
    bench.settle(stopped_us + 70 * US)
    assert not [fact for fact in bench.facts(job.id) if fact.kind.startswith("pump")]

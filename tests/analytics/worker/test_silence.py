"""Silence is told by arrival and the injected clock."""

from __future__ import annotations

from analytics.worker.config import AnalyseConfig
from analytics.worker.moments import lasting
from analytics.worker.silence import patience_us
from model.clock import US, HandClock, ReplayClock, SystemClock
from model.equipment import Instrument
from model.event import EventKind
from store import events
from tests.analytics.worker.bench import T0_US, Bench, evacuation, pull_down

QUIET = (EventKind.SERIES_SILENT, EventKind.SERIES_BACK)


def quiet(bench: Bench, job_id: int) -> list[str]:
    return [kind for kind in bench.told(job_id) if kind in QUIET]


def running(bench: Bench, hold: bool) -> tuple[int, Instrument, int]:
    site = bench.site()
    gateway = bench.gateway(site)
    gauge, valve = bench.gauge(gateway), bench.valve(gateway)
    job = bench.job(site, [gauge, valve])
    lines = evacuation(gauge.id, valve.id, pa_per_s=0.01, hold_s=600)
    bench.live(lines if hold else lines[:100])
    return job.id, gauge, bench.clock.us


def test_a_gauge_of_a_running_job_is_told_silent_once(bench: Bench) -> None:
    job_id, gauge, last_us = running(bench, hold=False)
    bench.settle(last_us + 59 * US)
    assert quiet(bench, job_id) == []
    bench.settle(last_us + 61 * US)
    bench.settle(last_us + 600 * US)
    assert quiet(bench, job_id) == [EventKind.SERIES_SILENT]
    event = events.of_job(bench.conn, job_id, limit=1)[0]
    assert (event.happened_us, event.subject) == (last_us, f"series:{gauge.id}")
    assert event.data["phase"] == "pull-down"


def test_silence_says_whether_a_hold_is_running(bench: Bench) -> None:
    job_id, _, last_us = running(bench, hold=True)
    bench.settle(last_us + 61 * US)
    event = next(one for one in events.of_job(bench.conn, job_id) if one.kind is EventKind.SERIES_SILENT)
    assert (event.data["phase"], event.data["by_valve"]) == ("hold", True)
    assert "hold test is running" in event.text


def test_a_silent_gauge_that_is_heard_again_is_told_back_and_can_fall_silent_again(bench: Bench) -> None:
    job_id, gauge, last_us = running(bench, hold=False)
    bench.settle(last_us + 61 * US)
    bench.clock.us = last_us + 300 * US
    # What comes is old, stored by the gateway; that it comes is what counts.
    bench.publish(pull_down(gauge.id, last_us + US, 20))
    bench.settle()
    assert quiet(bench, job_id) == [EventKind.SERIES_SILENT, EventKind.SERIES_BACK]
    bench.settle(last_us + 400 * US)
    assert quiet(bench, job_id) == [EventKind.SERIES_SILENT, EventKind.SERIES_BACK, EventKind.SERIES_SILENT]


def test_a_slow_gauge_has_five_intervals(bench: Bench) -> None:
    gauge = bench.gauge(bench.gateway(bench.site()), interval_s=60.0)
    assert patience_us(gauge, bench.config, bench.clock) == 300 * US


def test_a_finished_job_is_not_watched(bench: Bench) -> None:
    site = bench.site()
    gateway = bench.gateway(site)
    gauge, valve = bench.gauge(gateway), bench.valve(gateway)
    job = bench.job(site, [gauge, valve])
    bench.live(evacuation(gauge.id, valve.id, pa_per_s=0.01))
    bench.settle(bench.clock.us + 3600 * US)
    assert quiet(bench, job.id) == []


def test_our_own_delay_is_no_silence_in_a_fast_replay() -> None:
    clock = SystemClock()
    now_us = clock.now_us()
    replay = ReplayClock(now_us, now_us - 12 * 3600 * US, 1000.0)
    seconds = lasting(replay, 2.0)
    assert 2000 * 0.99 <= seconds <= 2000 * 1.5
    assert lasting(clock, 2.0) == 2.0
    assert lasting(HandClock(T0_US), 2.0) == 2.0
    gauge = Instrument(1, 1, "g1", "gauge", "circuit", "", "Pa", None, None, 0.1, 1.0, "")  # type: ignore[arg-type]
    assert patience_us(gauge, AnalyseConfig(dsn="", transit_s=2.0), replay) >= 1980 * US

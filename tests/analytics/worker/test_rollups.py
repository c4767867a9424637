"""Minute rollups agree with the readings, however often and late those come."""

from __future__ import annotations

import random
from typing import Any

from model.clock import US
from model.reading import Quantity
from store import rollups
from store.work import Span
from tests.analytics.worker.bench import T0_US, Bench, Line

EXPECTED = """
SELECT instrument_id, quantity, place_id, date_trunc('minute', time) AS minute, count(*)::int AS n,
       min(value) AS low, max(value) AS high
FROM (SELECT instrument_id, quantity, place_id, time, min(value) AS value FROM reading GROUP BY 1, 2, 3, 4) r
GROUP BY 1, 2, 3, 4 ORDER BY 1, 2, 3, 4
"""
MADE = """
SELECT instrument_id, quantity, place_id, minute, n, low, high FROM rollup_minute ORDER BY 1, 2, 3, 4
"""


def make_all(bench: Bench) -> None:
    while rollups.make(bench.conn, 50, ahead_s=3600):
        pass


def both(bench: Bench) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    return bench.conn.execute(MADE).fetchall(), bench.conn.execute(EXPECTED).fetchall()


def lines_of(gauge: int, rng: random.Random) -> list[Line]:
    return [
        Line(T0_US + number * 7 * US, gauge, quantity, rng.uniform(1, 100))
        for number in range(200)
        for quantity in (Quantity.PRESSURE, Quantity.BATTERY_VOLTS)
    ]


def test_rollups_follow_the_readings_in_any_order(bench: Bench, rng: random.Random) -> None:
    gauge = bench.gauge(bench.gateway(bench.site()))
    lines = lines_of(gauge.id, rng)
    lines += [line.with_value(line.value + 1) for line in rng.sample(lines, 20)]
    rng.shuffle(lines)
    while lines:
        bench.publish(lines[:30])
        lines = lines[30:]
        bench.settle()
        if rng.random() < 0.3:
            make_all(bench)
    make_all(bench)
    made, expected = both(bench)
    assert made == expected
    assert made


def test_a_pack_with_one_old_reading_does_not_fill_the_years_between(bench: Bench) -> None:
    gauge = bench.gauge(bench.gateway(bench.site()))
    old_us = T0_US - 400 * 86_400 * US
    bench.publish(
        [Line(old_us, gauge.id, Quantity.PRESSURE, 5.0), Line(T0_US, gauge.id, Quantity.PRESSURE, 6.0)]
    )
    bench.settle()
    row = bench.conn.execute("SELECT count(*) AS n FROM rollup_todo").fetchone()
    assert row is not None
    assert row["n"] == 2
    make_all(bench)
    made, expected = both(bench)
    assert made == expected


def test_a_touched_minute_waits_for_its_other_readings(bench: Bench) -> None:
    rollups.note(bench.conn, [Span(1, T0_US, T0_US)])
    assert rollups.make(bench.conn) == 0
    assert rollups.make(bench.conn, ahead_s=rollups.SPREAD_S + 1) == 1

"""Series for people to look at: thinned here or by the server, they are the same."""

from __future__ import annotations

import random
from collections.abc import Iterator
from datetime import timedelta

import numpy as np
import pytest

from model.clock import US, to_datetime
from model.reading import Quantity
from store import readings, series
from store.database import Connection, connect
from store.series import NO_PLACE, Series, Span
from tests.ingest.helpers import register

NOW_US = 1_780_000_000_000_000


@pytest.fixture
def conn(database: str) -> Iterator[Connection]:
    register(database)
    with connect(database, application="test", autocommit=True) as made:
        yield made


def fill(conn: Connection, pairs: list[tuple[int, float]]) -> Span:
    rows = np.array([(1, Quantity.PRESSURE, NO_PLACE, *pair, NOW_US) for pair in pairs], readings.ROW)
    readings.prepare(conn)
    with conn.transaction():
        readings.write(conn, readings.in_order(rows))
    begin, end = to_datetime(NOW_US - 10_000 * US), to_datetime(NOW_US + 10_000 * US)
    return Span(1, Quantity.PRESSURE, begin, end)


@pytest.mark.parametrize("points", [4, 50, 999, 5000])
def test_thinned_here_or_by_the_server_a_series_is_the_same(
    conn: Connection, rng: random.Random, monkeypatch: pytest.MonkeyPatch, points: int
) -> None:
    times_us = sorted(rng.sample(range(NOW_US, NOW_US + 3000 * US), 1000))
    # Few values, so that extremes are many; some times twice.
    span = fill(conn, [(at, float(rng.randrange(9))) for at in [*times_us, *times_us[::7]]])
    here = series.read(conn, span, points, 6.0)
    monkeypatch.setattr(series, "AT_ONCE", 0)
    assert here == series.read(conn, span, points, 6.0)
    assert here.total == 1000
    assert len(here.gaps) > 10
    assert len(here.times) <= points


def test_an_empty_span_is_an_empty_series(conn: Connection) -> None:
    span = fill(conn, [(NOW_US, 5.0)])
    later = Span(1, Quantity.PRESSURE, span.until, span.until + timedelta(days=1))
    assert series.read(conn, later, 1000, 60.0) == Series((), (), (), 0)

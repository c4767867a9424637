"""Series for people to look at: whole or day by day, from rows or from evidence, they are the same."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from model.clock import US, to_datetime, to_us
from model.reading import Quantity
from store import evidence, readings, series
from store.database import Connection, connect
from store.evidence import Kept
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


# Few moments and values, so that extremes are many and some times come twice.
PAIRS = st.lists(
    st.tuples(
        st.integers(0, 3000).map(lambda at: NOW_US + at * US // 2), st.integers(-4, 4).map(lambda n: n / 2)
    ),
    unique=True,
    min_size=1,
    max_size=150,
)


def plainly(
    pairs: list[tuple[int, float]], points: int, gap_us: int
) -> tuple[set[tuple[int, float]], list[tuple[int, int]]]:
    """What must be shown, by loops: all, or first, last and the extremes of equal stretches; and the gaps."""
    lowest: dict[int, float] = {}
    for at, value in pairs:
        lowest[at] = min(value, lowest.get(at, value))
    line = sorted(lowest.items())
    gaps = [(a, b) for (a, _), (b, _) in pairwise(line) if b - a > gap_us]
    if len(line) <= points:
        return set(line), gaps
    shown = {line[0], line[-1]}
    first, last, stretches = line[0][0], line[-1][0], points // 2 - 1
    for number in range(stretches):
        inside = [pair for pair in line if (pair[0] - first) * stretches // (last - first + 1) == number]
        if inside:
            shown |= {min(inside, key=lambda p: (p[1], p[0])), min(inside, key=lambda p: (-p[1], p[0]))}
    return shown, gaps


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(PAIRS, st.integers(4, 40), st.sampled_from(["rows", "evidence", "both"]), st.booleans())
def test_a_plot_keeps_first_last_and_every_extreme_wherever_the_readings_are(
    conn: Connection, pairs: list[tuple[int, float]], points: int, where: str, piecewise: bool
) -> None:
    conn.execute("TRUNCATE reading, evidence")
    span = fill(conn, pairs)
    if where != "rows":
        evidence.pack(conn, Kept(1, (span.since,), (span.until,)))
    if where == "evidence":
        conn.execute("TRUNCATE reading")
    with pytest.MonkeyPatch.context() as patch:
        if piecewise:
            patch.setattr(series, "AT_ONCE", 0)
            patch.setattr(series, "SLICE", timedelta(seconds=97))
        found = series.read(conn, span, points, 6.0)
    shown, gaps = plainly(pairs, points, 6 * US)
    assert [(to_us(at), value) for at, value in zip(found.times, found.values, strict=True)] == sorted(shown)
    assert [(to_us(a), to_us(b)) for a, b in found.gaps] == gaps
    assert found.total == len({at for at, _ in pairs})
    assert len(found.times) <= points


def test_an_empty_span_is_an_empty_series(conn: Connection) -> None:
    span = fill(conn, [(NOW_US, 5.0)])
    later = Span(1, Quantity.PRESSURE, span.until, span.until + timedelta(days=1))
    assert series.read(conn, later, 1000, 60.0) == Series((), (), (), 0)

"""Evidence gives back every reading that was packed, to the bit, wherever else readings are."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from model.clock import US
from model.reading import Quantity
from store import evidence
from store.database import Connection, connect
from store.evidence import Kept
from tests.ingest.helpers import register
from tests.store.history import DAY_US, NOW_US, Reading, all_of, every, moment, put

BEGIN_US = NOW_US - 10 * DAY_US


@pytest.fixture
def conn(database: str) -> Iterator[Connection]:
    register(database)
    with connect(database, application="test", autocommit=True) as made:
        yield made


def span(since_us: int, until_us: int) -> Kept:
    return Kept(1, (moment(since_us),), (moment(until_us),))


# Few moments and values, so that some are equal; some at the very edges of half hours.
TIMES = st.one_of(
    st.integers(0, 4 * 3600 * US),
    st.sampled_from([n * 1800 * US + off for n in range(5) for off in (-1, 0, 1)]).filter(lambda t: t >= 0),
)
VALUES = st.one_of(
    st.sampled_from([0.0, -0.5, 66.6611937075, 1e-300]), st.floats(-5.0, 1.5e6, allow_subnormal=True)
)
READINGS = st.lists(
    st.tuples(
        st.sampled_from([Quantity.PRESSURE, Quantity.VALVE]),
        TIMES,
        VALUES,
        st.integers(-300 * US, 3 * 365 * DAY_US),
    ),
    max_size=60,
    unique_by=lambda row: row[:3],
)


@settings(
    max_examples=60,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
    print_blob=True,
)
@given(READINGS, st.integers(0, 60))
def test_what_is_packed_comes_back_also_when_more_comes_late(
    conn: Connection, given: list[tuple[Quantity, int, float, int]], first: int
) -> None:
    conn.execute("TRUNCATE reading, evidence")
    rows: list[Reading] = [
        (1, int(what), BEGIN_US + at, value, BEGIN_US + at + late) for what, at, value, late in given
    ]
    whole = span(BEGIN_US, BEGIN_US + DAY_US)
    for some in (rows[:first], rows[first:]):
        if some:
            put(conn, some)
        assert evidence.pack(conn, whole) == len(some)
        conn.execute("TRUNCATE reading")
    assert all_of(conn, 1) == set(rows)
    # Any stretch of it, both ends included.
    for since, until in ((0, 1800 * US), (1800 * US - 1, 3600 * US), (7000 * US, 7000 * US)):
        found = conn.execute(
            "SELECT count(*) AS n FROM reading_of(1, to_timestamp(%s / 1e6), to_timestamp(%s / 1e6))",
            (BEGIN_US + since, BEGIN_US + until),
        ).fetchone()
        assert found == {"n": sum(since <= at <= until for _, at, _, _ in given)}


def test_packing_again_changes_nothing(conn: Connection) -> None:
    rows = every(1, BEGIN_US, BEGIN_US + DAY_US)
    put(conn, rows)
    for _ in range(2):
        assert evidence.pack(conn, span(BEGIN_US, BEGIN_US + DAY_US)) == len(rows)
        assert all_of(conn, 1) == set(rows)
    packed = conn.execute("SELECT count(*) AS pieces, sum(n)::int AS n FROM evidence").fetchone()
    assert packed == {"pieces": 49, "n": len(rows)}


def test_only_what_served_a_job_is_packed(conn: Connection) -> None:
    hour = 3600 * US
    put(conn, every(1, BEGIN_US, BEGIN_US + DAY_US) + every(2, BEGIN_US, BEGIN_US + DAY_US))
    evidence.pack(conn, span(BEGIN_US + 2 * hour, BEGIN_US + 5 * hour))
    conn.execute("TRUNCATE reading")
    assert all_of(conn, 1) == set(every(1, BEGIN_US + 2 * hour, BEGIN_US + 5 * hour))
    assert all_of(conn, 2) == set()


def test_the_readings_of_a_stretch_are_found_by_the_indexes_of_both(conn: Connection) -> None:
    conn.execute("SET enable_seqscan = off")
    plan = "\n".join(
        row["QUERY PLAN"]
        for row in conn.execute(
            "EXPLAIN SELECT time, value FROM reading_of(1, %s, %s) WHERE quantity = 1 AND place_id = 1",
            (moment(BEGIN_US), moment(BEGIN_US + 3600 * US)),
        )
    )
    assert "Function Scan on reading_of" not in plan
    assert "Index Cond: ((instrument_id = 1) AND (quantity = 1) AND (place_id = 1) AND (starts >" in plan
    # One partition, not all.
    assert plan.count("reading_") == plan.count("reading_default") > 0

"""The shortcut for packs of the common shape says nothing else than the way record by record."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from ingest import common, pack
from ingest.pack import ALWAYS_UNITS, EARLIEST_US, MAX_SEQ, Pack
from ingest.senml import MAX_BYTES, MAX_RECORDS

NOW_S = 1_780_000_000.0
NOW_US = 1_780_000_000_000_000


def told(read: Pack) -> dict[str, Any]:
    """All that a pack says."""
    return {
        "rows": read.rows,
        "refused": read.refused,
        "unknown": read.unknown,
        "relative": read.relative,
        "seq": read.seq,
        "boot": read.boot,
        "sent_us": read.sent_us,
    }


def shortcut(raw: bytes, content_type: str | None = None) -> Pack | None:
    return common.read(raw, NOW_US, ALWAYS_UNITS, content_type)


def written(records: object) -> bytes:
    return json.dumps(records, ensure_ascii=False).encode("utf-8", "surrogatepass")


TIMES = st.one_of(
    st.floats(NOW_S - 1e5, NOW_S + 400),
    st.integers(int(NOW_S) - 100_000, int(NOW_S) + 400),
    st.floats(-100, 100),
    st.sampled_from(
        [0, EARLIEST_US / 1e6, EARLIEST_US / 1e6 - 1e-6, NOW_S + 300, NOW_S + 300.000001, 2.0**28, 1e11]
    ),
    st.floats(allow_nan=True, allow_infinity=True),
)
VALUES = st.one_of(
    st.floats(-10, 2e6),
    st.integers(-10, 2_000_000),
    st.sampled_from(
        [-5.0, -5.0000001, 1.5e6, 1.5000001e6, 15_000, 15_000.1, -0.0, 0, 1e400, MAX_SEQ, MAX_SEQ + 2]
    ),
    st.floats(allow_nan=True, allow_infinity=True),
    st.integers(),
)
TEXTS = st.one_of(
    st.text(max_size=5), st.sampled_from(["b1", "", "x" * 64, "x" * 65, "a\0", "\ud800", 'q"', "ü", "_"])
)
UNITS = st.sampled_from(["Pa", "hPa", "kPa", "micron", "", "\0", None])
ODD = st.one_of(
    st.none(), st.booleans(), st.integers(), st.text(max_size=3), st.lists(st.integers(), max_size=2)
)


def record(name: str, **fields: st.SearchStrategy[Any]) -> st.SearchStrategy[dict[str, Any]]:
    """A record with a name, perhaps base fields, and its order of labels shuffled."""
    base = {"bn": TEXTS, "bt": TIMES, "bu": UNITS, "t": TIMES}
    odd = {
        "bver": st.sampled_from([10, 26, 99]),
        "x": ODD,
        "x_": ODD,
        "vs": TEXTS,
        "vb": ODD,
        "s": VALUES,
        "v": ODD,
    }
    return st.tuples(
        st.fixed_dictionaries(
            {"n": st.just(name), **fields},
            optional={key: each for key, each in base.items() if key not in fields},
        ),
        st.one_of(st.just({}), st.just({}), st.just({}), st.fixed_dictionaries({}, optional=odd)),
    ).flatmap(lambda parts: st.permutations(list((parts[0] | parts[1]).items())).map(dict))


RECORDS = st.lists(
    st.one_of(
        record("pressure", v=VALUES, u=UNITS),
        record("pressure", v=st.floats(0, 1000), t=st.floats(NOW_S - 100, NOW_S)),
        record("seq", v=st.one_of(st.integers(0, 3), VALUES)),
        record("boot", vs=TEXTS),
        record("sent", v=TIMES),
        record("temperature", v=VALUES, u=st.just("Cel")),
        ODD,
    ),
    max_size=5,
)
GOOD = st.builds(
    lambda bt, unit, rest, seq, boot, sent: [
        {"n": "pressure", "bt": bt, "bu": unit, "v": 60.0},
        *({"n": "pressure", "t": t, "v": v} for t, v in rest),
        {"n": "seq", "v": seq},
        {"n": "boot", "vs": boot},
        {"n": "sent", "v": sent},
    ],
    st.floats(NOW_S - 1e6, NOW_S),
    st.sampled_from(["Pa", "hPa", "kPa"]),
    st.lists(st.tuples(st.floats(-1000, 299), st.floats(-0.005, 1499)), max_size=20),
    st.integers(0, MAX_SEQ),
    st.text("abcdef0123456789-", min_size=1, max_size=64),
    st.floats(NOW_S - 100, NOW_S + 100),
)  # fmt: skip


@given(st.one_of(RECORDS, GOOD))
@example([{"n": "seq", "v": 1}, {"n": "seq", "v": 2}])
@example([{"n": "boot", "vs": "a"}, {"n": "boot", "vs": "b"}])
@example([])
def test_where_it_answers_it_says_what_the_long_way_says(records: object) -> None:
    raw = written(records)
    found = shortcut(raw)
    if found is not None:
        assert told(found) == told(pack.read(raw, NOW_US, ALWAYS_UNITS))
        assert not found.refused


@given(GOOD)
def test_it_answers_for_the_shape_that_gateways_send(records: list[dict[str, Any]]) -> None:
    found = shortcut(written(records))
    assert found is not None
    assert told(found) == told(pack.read(written(records), NOW_US, ALWAYS_UNITS))
    assert len(found.rows) == len(records) - 3


EDGES_S = [
    EARLIEST_US / 1e6,
    EARLIEST_US / 1e6 - 1e-6,
    NOW_S + 300,
    NOW_S + 300.000001,
    2.0**28,
    2.0**28 - 1,
    1e11,
    9e10,
]
EDGES_PA = [-5.0, -5.0000001, 1.5e6, 1_500_000.1, 1e308, -0.0]
EDGES_SEQ = [-1, 0, 0.5, MAX_SEQ, MAX_SEQ + 2]


@pytest.mark.parametrize(
    "edge",
    [
        *([{"n": "pressure", "u": "Pa", "v": 5, "t": at}] for at in EDGES_S),
        *([{"n": "pressure", "u": u, "v": v, "t": NOW_S}] for v in EDGES_PA for u in ("Pa", "hPa", "Torr")),
        *([{"n": "seq", "v": v}] for v in EDGES_SEQ),
        *([{"n": "sent", "v": at}] for at in EDGES_S),
        *([{"n": "boot", "vs": "x" * n}] for n in (0, 1, 64, 65)),
        *([{"n": name, key: 1}, {"n": name, key: 2}] for name, key in (("seq", "v"), ("boot", "vs"))),
        [{"n": "pressure", "bt": NOW_S - n, "bu": u, "v": 1} for n, u in enumerate(("kPa", "Pa"))],
    ],
    ids=str,
)  # fmt: skip
def test_at_the_edges_both_ways_say_the_same(edge: list[dict[str, Any]]) -> None:
    raw = written(edge)
    long = pack.read(raw, NOW_US, ALWAYS_UNITS)
    found = shortcut(raw)
    assert (found is None) == bool(long.refused or long.relative)
    assert found is None or told(found) == told(long)


@given(st.binary(max_size=200), st.sampled_from([None, "application/senml+json", "application/senml+cbor"]))
def test_bytes_that_are_no_pack_are_left_to_the_long_way(raw: bytes, content_type: str | None) -> None:
    found = shortcut(raw, content_type)
    assert found is None or told(found) == told(pack.read(raw, NOW_US, ALWAYS_UNITS, content_type))


PRESSURE = b'{"n":"pressure","u":"Pa","v":5,"t":1780000000}'


@pytest.mark.parametrize(
    ("raw", "content_type"),
    [
        (b"[" + b",".join([PRESSURE] * (MAX_RECORDS // 2 + 1)) + b" " * MAX_BYTES + b"]", None),
        (b"[" + b",".join([b'{"n":"seq","v":1}'] * (MAX_RECORDS + 1)) + b"]", None),
        (b"[" + PRESSURE + b"]", "application/senml+cbor"),
        (b'[{"n":"pressure","u":"Pa","v":5,"t":1780000000,"x_":1}]', None),
        (b'[{"n":"boot","vs":"\\u0000"}]', None),
    ],
    ids=["too large", "too many records", "said to be CBOR", "must be understood", "text"],
)
def test_what_is_refused_is_judged_the_long_way(raw: bytes, content_type: str | None) -> None:
    assert shortcut(raw, content_type) is None
    assert pack.read(raw, NOW_US, ALWAYS_UNITS, content_type).refused

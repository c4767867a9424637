"""Packs in the contract's terms, and each refusal that it names. Expected figures by hand unless said."""

from __future__ import annotations

import json
import math
import random

import cbor2
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.pack import ALWAYS_UNITS, Pack, pressure_units, read
from model.reading import Quantity, Valve

ARRIVED_US = 1_780_000_000_000_000
ARRIVED_S = 1_780_000_000
MICRON_PA = 0.133322387415


def of(*records: dict[str, object], unit: str = "Pa", arrived_us: int = ARRIVED_US) -> Pack:
    return read(json.dumps(records).encode(), arrived_us, pressure_units(unit))


def pressure(value: object = 66.5, **more: object) -> dict[str, object]:
    return {"n": "pressure", "u": "Pa", "v": value, "t": ARRIVED_S - 5, **more}


def codes(pack: Pack) -> list[tuple[int | None, str]]:
    return [(refused.index, refused.code) for refused in pack.refused]


def value_of(pack: Pack) -> float:
    [(_, _, _, value)] = pack.rows
    return value


@pytest.mark.parametrize(
    ("record", "quantity", "place", "value"),
    [
        ({"n": "pressure", "u": "Pa", "v": 66.5}, Quantity.PRESSURE, "", 66.5),
        ({"n": "pressure", "u": "hPa", "v": 0.5}, Quantity.PRESSURE, "", 50.0),
        ({"n": "pressure", "u": "kPa", "v": 101.325}, Quantity.PRESSURE, "", 101_325.0),
        ({"n": "temperature", "u": "Cel", "v": 20}, Quantity.TEMPERATURE, "", 293.15),
        ({"n": "temperature", "u": "K", "v": 300}, Quantity.TEMPERATURE, "", 300.0),
        (
            {"n": "temperature.suction-line", "u": "Cel", "v": -10},
            Quantity.TEMPERATURE,
            "suction-line",
            263.15,
        ),
        ({"n": "ambient", "u": "Cel", "v": 0}, Quantity.AMBIENT, "", 273.15),
        ({"n": "battery", "u": "%EL", "v": 98}, Quantity.BATTERY_SHARE, "", 0.98),
        ({"n": "battery", "u": "V", "v": 3.1}, Quantity.BATTERY_VOLTS, "", 3.1),
        ({"n": "valve", "vs": "open"}, Quantity.VALVE, "", Valve.OPEN),
        ({"n": "valve", "vs": "closed"}, Quantity.VALVE, "", Valve.CLOSED),
        ({"n": "valve", "vs": "moving"}, Quantity.VALVE, "", Valve.MOVING),
        ({"n": "valve", "vs": "unknown"}, Quantity.VALVE, "", Valve.UNKNOWN),
        ({"n": "pump", "vb": True}, Quantity.PUMP, "", 1.0),
        ({"n": "hands", "vb": False}, Quantity.HANDS, "", 0.0),
        ({"n": "overrange", "vb": True}, Quantity.OVERRANGE, "", 1.0),
        ({"n": "fault", "vb": True}, Quantity.FAULT, "", 1.0),
    ],
)
def test_names_and_units_of_the_contract(
    record: dict[str, object], quantity: Quantity, place: str, value: float
) -> None:
    pack = of({**record, "t": ARRIVED_S})
    assert pack.refused == []
    [row] = pack.rows
    assert row[:3] == (quantity, place, ARRIVED_US)
    assert row[3] == pytest.approx(value, rel=1e-12)


def test_base_name_is_stripped_and_base_fields_apply() -> None:
    pack = of(
        {"bn": "g1:", "bt": ARRIVED_S - 10, "bu": "Pa", "n": "pressure", "v": 5},
        {"n": "pressure", "t": 1, "v": 6},
    )
    assert pack.rows == [
        (Quantity.PRESSURE, "", ARRIVED_US - 10_000_000, 5.0),
        (Quantity.PRESSURE, "", ARRIVED_US - 9_000_000, 6.0),
    ]


def test_whole_name_in_the_base_name_counts_by_its_last_part() -> None:
    pack = of(
        {"bn": "urn:dev:mac:0024befffe804ff1:pressure", "bu": "Pa", "bt": ARRIVED_S, "v": 5}, {"t": 1, "v": 6}
    )
    assert [value for _, _, _, value in pack.rows] == [5.0, 6.0]


@pytest.mark.parametrize(
    ("registered", "sent"),
    [("micron", "micron"), ("micron", "microns"), ("microns", "micron"), ("µmHg", "micron")],
)
def test_registered_unit_is_taken_in_any_spelling(registered: str, sent: str) -> None:
    # 1 mmHg = 133.322387415 Pa (conventional), so 500 micron are 66.66 Pa
    assert value_of(of(pressure(500, u=sent), unit=registered)) == pytest.approx(500 * MICRON_PA, rel=1e-12)


@pytest.mark.parametrize(
    ("unit", "sent"),
    [
        ("Pa", "micron"), ("micron", "Torr"), ("Pa", "mbar"), ("Pa", "pa"), ("Pa", "KPA"), ("Pa", "furlong"),
        ("Pa", ""), ("nonsense", "nonsense"), ("Pa", "\u212b"),
    ],
)  # fmt: skip
def test_other_units_are_refused(unit: str, sent: str) -> None:
    assert codes(of(pressure(u=sent), unit=unit)) == [(0, "unit")]


def test_pressure_without_a_unit_is_refused_for_nobody_may_guess_it() -> None:
    assert codes(of({"n": "pressure", "v": 500}, unit="micron")) == [(0, "unit")]


@pytest.mark.parametrize(
    "record",
    [
        {"n": "temperature", "u": "F", "v": 70},
        {"n": "battery", "u": "Pa", "v": 3},
        {"n": "ambient", "v": 3},
    ],
)
def test_wrong_units_of_other_quantities_are_refused(record: dict[str, object]) -> None:
    assert codes(of(record)) == [(0, "unit")]


@pytest.mark.parametrize("text", ["NaN", "Infinity", "-Infinity", "1e999", "-1e999", "9" * 5000])
def test_number_that_is_not_finite_is_refused_alone(text: str) -> None:
    raw = b'[{"n":"pressure","u":"Pa","v":%s,"t":0},{"n":"pressure","u":"Pa","v":7,"t":0}]' % text.encode()
    pack = read(raw, ARRIVED_US, ALWAYS_UNITS)
    assert codes(pack) == [(0, "not-finite")]
    assert value_of(pack) == 7.0


@pytest.mark.parametrize("time", [math.nan, math.inf, -math.inf, 1e300])
def test_time_that_is_not_finite_is_refused(time: float) -> None:
    assert codes(of(pressure(t=time))) == [(0, "not-finite")]
    assert codes(read(cbor2.dumps([{0: "pressure", 1: "Pa", 2: 1, 6: time}]), ARRIVED_US, ALWAYS_UNITS)) == [
        (0, "not-finite")
    ]


@pytest.mark.parametrize(
    ("value", "code"),
    [(-5.0, None), (-0.1, None), (1.5e6, None), (-5.001, "pressure-low"), (1_500_001, "pressure-high")],
)
def test_range_of_absolute_pressure(value: float, code: str | None) -> None:
    assert codes(of(pressure(value))) == ([(0, code)] if code else [])


def test_range_counts_in_pascal_whatever_the_unit() -> None:
    assert codes(of(pressure(1501, u="kPa"), pressure(-0.06, u="hPa"))) == [
        (0, "pressure-high"),
        (1, "pressure-low"),
    ]


def test_temperature_below_absolute_zero_is_refused() -> None:
    assert codes(of({"n": "temperature", "u": "Cel", "v": -300})) == [(0, "temperature-low")]


@pytest.mark.parametrize(
    ("time", "code"),
    [
        (ARRIVED_S + 300, None), (ARRIVED_S + 300.001, "time-ahead"), (301, "time-ahead"), (300, None),
        (1_577_836_800, None), (1_577_836_799.999, "time-old"), (2**28, "time-old"), (-2**28, "time-old"),
    ],
)  # fmt: skip
def test_times_from_2020_to_five_minutes_ahead(time: float, code: str | None) -> None:
    # 1577836800 is 2020-01-01T00:00Z
    assert codes(of(pressure(t=time))) == ([(0, code)] if code else [])


def test_times_relative_to_arrival() -> None:
    pack = of(pressure(t=-1.5), {"n": "ambient", "u": "K", "v": 290})
    assert [row[2] for row in pack.rows] == [ARRIVED_US - 1_500_000, ARRIVED_US]
    assert pack.relative
    assert not of(pressure()).relative


@pytest.mark.parametrize("encode", [lambda r: json.dumps(r).encode(), cbor2.dumps])
def test_times_are_whole_microseconds_however_base_and_offset_divide_them(
    encode: object, rng: random.Random
) -> None:
    labels = {"bt": -3, "n": 0, "u": 1, "v": 2, "t": 6}
    for _ in range(300):
        us = ARRIVED_US - rng.randrange(10**12)
        base_us = us - rng.randrange(-(10**9), 10**9)
        record = {"bt": base_us / 1e6, "n": "pressure", "u": "Pa", "v": 1.0, "t": (us - base_us) / 1e6}
        raw = (
            cbor2.dumps([{labels[key]: value for key, value in record.items()}])
            if encode is cbor2.dumps
            else json.dumps([record]).encode()
        )
        assert [row[2] for row in read(raw, ARRIVED_US, ALWAYS_UNITS).rows] == [us]


@pytest.mark.parametrize(
    "record",
    [
        {"n": "pressure", "u": "Pa", "vs": "5"}, {"n": "pressure", "u": "Pa", "vb": True},
        {"n": "pressure", "u": "Pa", "v": 5, "vs": "x"}, {"n": "pressure", "u": "Pa", "t": 0},
        {"n": "valve", "vs": "ajar"}, {"n": "valve", "vb": True}, {"n": "valve", "v": 1, "vs": "open"},
        {"n": "pump", "v": 1}, {"n": "pump", "vs": "true"}, {"n": "fault", "vb": True, "v": 1},
        {"n": "something", "t": 3}, {"n": "seq", "vs": "1"}, {"n": "seq", "v": -1}, {"n": "seq", "v": 1.5},
        {"n": "boot", "v": 1}, {"n": "boot", "vs": ""}, {"n": "boot", "vs": "x" * 65}, {"n": "sent", "v": 3},
    ],
)  # fmt: skip
def test_value_of_the_wrong_kind_is_refused(record: dict[str, object]) -> None:
    assert codes(of(record)) == [(0, "value")]


def test_number_boot_and_time_of_sending() -> None:
    pack = of(
        pressure(), {"n": "seq", "v": 17}, {"n": "boot", "vs": "a1f3"}, {"n": "sent", "v": ARRIVED_S - 0.25}
    )
    assert (pack.number, pack.sent_us) == (("a1f3", 17), ARRIVED_US - 250_000)
    assert len(pack.rows) == 1


def test_number_without_a_boot_counts_nothing() -> None:
    assert of(pressure(), {"n": "seq", "v": 17}).number is None


def test_second_number_in_a_pack_is_refused() -> None:
    pack = of(
        {"n": "seq", "v": 1},
        {"n": "seq", "v": 1},
        {"n": "seq", "v": 2},
        {"n": "boot", "vs": "a"},
        {"n": "boot", "vs": "b"},
    )
    assert codes(pack) == [(2, "value"), (4, "value")]
    assert pack.number == ("a", 1)


def test_unknown_names_are_counted_never_refused() -> None:
    pack = of(
        pressure(),
        {"n": "humidity", "u": "%RH", "v": 3},
        {"n": "humidity", "vs": "x"},
        {"n": "energy", "s": 5},
        {"n": "pressure", "s": 5},
        {"n": "temperature.", "v": 1},
        {"n": "Pressure", "u": "Pa", "v": 1},
    )
    assert pack.refused == []
    assert pack.unknown == {
        "humidity": 2,
        "energy (sum)": 1,
        "pressure (sum)": 1,
        "temperature.": 1,
        "Pressure": 1,
    }


def test_examples_of_rfc_8428_decode_and_their_names_are_counted() -> None:
    raw = (
        b'[{"bn":"urn:dev:ow:10e2073a01080063:","n":"voltage","u":"V","v":120.1},'
        b'{"n":"current","u":"A","v":1.2}]'
    )
    assert read(raw, ARRIVED_US, ALWAYS_UNITS).unknown == {"voltage": 1, "current": 1}
    single = b'[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]'
    assert read(single, ARRIVED_US, ALWAYS_UNITS).unknown == {"urn:dev:ow:10e2073a01080063": 1}


def test_one_bad_record_does_not_refuse_its_pack() -> None:
    pack = of(
        pressure(1), pressure("x"), pressure(2), pressure(1e9), {"n": "seq", "v": 4}, {"n": "boot", "vs": "b"}
    )
    assert [row[3] for row in pack.rows] == [1.0, 2.0]
    assert codes(pack) == [(1, "record"), (3, "pressure-high")]
    assert not pack.wholly_refused
    assert pack.number == ("b", 4)


def test_pack_refused_whole_still_tells_its_number() -> None:
    many: list[dict[str, object]] = 2000 * [{"n": "pump", "vb": True}]
    pack = of({"n": "seq", "v": 9}, {"n": "boot", "vs": "b"}, *many)
    assert codes(pack) == [(None, "too-many-records")]
    assert pack.wholly_refused
    assert pack.number == ("b", 9)
    in_cbor = read(
        cbor2.dumps([{0: "seq", 2: 9}, {0: "boot", 3: "b"}, *2000 * [{}]]), ARRIVED_US, ALWAYS_UNITS
    )
    assert (codes(in_cbor), in_cbor.number) == ([(None, "too-many-records")], ("b", 9))
    version = of({"bver": 99, "n": "seq", "v": 9}, {"n": "boot", "vs": "b"})
    assert (codes(version), version.number) == ([(None, "version")], ("b", 9))


def test_text_that_is_not_utf8_or_holds_nul_is_refused() -> None:
    raw = b'[{"n":"boot","vs":"\xff"},{"n":"hum\\u0000","v":1},{"n":"pump","vb":true}]'
    pack = read(raw, ARRIVED_US, ALWAYS_UNITS)
    assert codes(pack) == [(0, "text"), (1, "text")]
    assert len(pack.rows) == 1


anything = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8) | st.binary(max_size=8),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(st.text(max_size=4) | st.integers(-8, 9), inner, max_size=5)
    ),
    max_leaves=12,
)
NAMES = [
    "pressure",
    "temperature",
    "temperature.x",
    "battery",
    "valve",
    "pump",
    "seq",
    "boot",
    "sent",
    "other",
]
LIKELY = {
    "n": st.sampled_from(NAMES), "u": st.sampled_from(["Pa", "Cel", "%EL", "micron"]), "bt": st.floats(),
    "v": st.floats() | st.integers(), "t": st.floats() | st.integers(-10, 10),
    "vs": st.text(max_size=5), "vb": st.booleans(),
    "bn": st.text(max_size=3), "bver": st.integers(0, 30), "s": st.floats(), "bv": st.floats(),
}  # fmt: skip
likely = st.lists(
    st.fixed_dictionaries({}, optional={key: value | anything for key, value in LIKELY.items()}), max_size=5
)


@settings(max_examples=300)
@given(
    st.binary(max_size=200)
    | likely.map(lambda r: json.dumps(r, default=str).encode())
    | anything.map(cbor2.dumps)
)
def test_any_bytes_give_a_pack_that_can_be_stored(payload: bytes) -> None:
    pack = read(payload, ARRIVED_US, ALWAYS_UNITS)
    for quantity, place, time_us, value in pack.rows:
        assert isinstance(time_us, int)
        assert 1_577_836_800 * 10**6 <= time_us <= ARRIVED_US + 300 * 10**6
        assert math.isfinite(value)
        assert quantity in list(Quantity)
        place.encode()
    for text in [*pack.unknown, *(refused.message for refused in pack.refused)]:
        text.encode()
        assert "\0" not in text
        assert len(text) < 300


@settings(max_examples=200)
@given(likely, st.data())
def test_broken_copies_of_likely_packs_give_a_pack_too(
    records: list[dict[str, object]], data: st.DataObject
) -> None:
    labels = {
        "bver": -1,
        "bn": -2,
        "bt": -3,
        "bv": -5,
        "n": 0,
        "u": 1,
        "v": 2,
        "vs": 3,
        "vb": 4,
        "s": 5,
        "t": 6,
    }
    good = data.draw(
        st.sampled_from(
            [
                json.dumps(records, default=str).encode(),
                cbor2.dumps([{labels[key]: value for key, value in record.items()} for record in records]),
            ]
        )
    )
    raw = bytearray(good)
    for _ in range(data.draw(st.integers(0, 4))):
        raw[data.draw(st.integers(0, len(raw) - 1))] = data.draw(st.integers(0, 255))
    assert isinstance(read(bytes(raw), ARRIVED_US, ALWAYS_UNITS), Pack)

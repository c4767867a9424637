"""Pump and hose as people write them, and what is refused."""

from __future__ import annotations

import pytest

from model import quantities
from model.equipment import Properties, Role
from model.errors import BadFields, BadInput
from model.records import read_properties, write_properties
from model.rig import NO_RIG, Rig, together
from model.texts import Texts

INCH_M, FOOT_M = 0.0254, 0.3048  # by definition


@pytest.mark.parametrize(
    ("text", "bore_m", "length_m"),
    [
        ("6.35 mm x 1.5 m", 6.35e-3, 1.5),
        ("10mm×150cm", 10e-3, 1.5),
        ("3/8 in x 5 ft", 0.375 * INCH_M, 5 * FOOT_M),
    ],
)
def test_a_hose_is_a_bore_and_a_length(text: str, bore_m: float, length_m: float) -> None:
    assert quantities.hose(text, "hose") == pytest.approx((bore_m, length_m))


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("10 mm", "is no bore and length"),
        ("10 x 1.5 m", "lacks its unit"),
        ("1.5 m x 10 mm", "smaller than its length"),
        ("0 mm x 1 m", "above zero"),
        ("500 mm x 2 m", "at most 300 mm wide"),
        ("10 mm x 2 km", "lacks its unit"),
    ],
)
def test_what_is_no_hose_gets_one_sentence(text: str, says: str) -> None:
    with pytest.raises(BadInput, match=says) as caught:
        quantities.hose(text, "hose")
    assert str(caught.value).count("\n") == 0
    assert caught.value.field == "hose"


@pytest.mark.parametrize("text", ["6 cfm", "10 m3/h", "170 l/min"])
def test_a_rating_is_shown_again_as_it_was_written(text: str) -> None:
    assert quantities.write_flow(quantities.flow(text, "speed")) == text


def test_a_hose_is_shown_again_as_it_was_written() -> None:
    for text in ("10 mm x 1.5 m", "0.375 in x 5 ft"):
        assert quantities.write_hose(*quantities.hose(text, "hose")) == text
    assert quantities.write_hose(12.5e-3, 1.5, ",") == "12,5 mm x 1,5 m"


def test_a_pump_has_a_rating_and_nothing_else_has() -> None:
    pump = read_properties(Texts({"role": "pump", "speed": "6 cfm", "ultimate": "15 micron"}))
    # 6 ft³/min; a foot is 0.3048 m and a micron 0.133322387 Pa by definition.
    assert pump.pump_m3_s == pytest.approx(6 * FOOT_M**3 / 60)
    assert pump.ultimate_pa == pytest.approx(15 * 0.133322387)
    assert write_properties(pump)["speed"] == "6 cfm"
    assert read_properties(Texts({"speed": ""}), Properties(Role.PUMP, pump_m3_s=1e-3)).pump_m3_s is None
    with pytest.raises(BadFields) as caught:
        read_properties(Texts({"role": "gauge", "speed": "6 cfm"}))
    assert caught.value.errors == {"speed": "Only a pump has this; the role is gauge."}


@pytest.mark.parametrize(
    ("values", "field"),
    [
        ({"speed": "6"}, "speed"),
        ({"speed": "0 cfm"}, "speed"),
        ({"speed": "6 cfh"}, "speed"),
        ({"speed": "6 m3/s"}, "speed"),
        ({"ultimate": "15 micron"}, "ultimate"),
        ({"speed": "6 cfm", "ultimate": "1 atm"}, "ultimate"),
        ({"speed": "6 cfm", "ultimate": "101 kPa"}, "ultimate"),
    ],
)
def test_what_is_no_rating_gets_one_sentence_at_its_field(values: dict[str, str], field: str) -> None:
    with pytest.raises(BadFields) as caught:
        read_properties(Texts({"role": "pump", **values}))
    assert list(caught.value.errors) == [field]


def test_pumps_side_by_side_add_up_where_all_are_rated() -> None:
    one, two = Rig(1e-3, 2.0), Rig(2e-3, 5.0)
    both = together([one, two])
    assert both.pump_m3_s == pytest.approx(3e-3)
    assert both.ultimate_pa == 5.0
    assert together([one, Rig(2e-3)]).ultimate_pa is None
    assert together([one, Rig()]) == NO_RIG
    assert together([]) == NO_RIG

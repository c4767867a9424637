"""Quantities as people write them, and as forms show them again."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from model import quantities
from model.errors import BadInput
from physics.units import PRESSURE_UNITS


@pytest.mark.parametrize(
    ("text", "metres"),
    [
        ("22 mm", 0.022),
        ("7/8 in", 0.875 * 0.0254),
        ("1 1/8 in", 1.125 * 0.0254),
        ('1-1/8"', 1.125 * 0.0254),
        ("30 m", 30.0),
        ("100 ft", 30.48),
    ],
)
def test_lengths(text: str, metres: float) -> None:
    assert quantities.length(text, "x") == pytest.approx(metres)


@pytest.mark.parametrize(
    ("text", "cubic_metres"),
    [("38 l", 0.038), ("38 L", 0.038), ("1.5 ft3", 0.04247527), ("0.5 m³", 0.5), ("250 ml", 2.5e-4)],
)
def test_volumes(text: str, cubic_metres: float) -> None:
    # International foot, 0.3048 m exactly.
    assert quantities.volume(text, "x") == pytest.approx(cubic_metres)


@pytest.mark.parametrize(
    ("reader", "text", "words"),
    [
        (quantities.length, "7/8", "lacks its unit"),
        (quantities.length, "7/0 in", "divides by zero"),
        (quantities.length, "", "not a number"),
        (quantities.volume, "38", "lacks its unit"),
        (quantities.volume, "1,500 l", "may mean 1500 or 1.5"),
        (quantities.volume, "1,000 l", "may mean 1000 or 1;"),
        (quantities.volume, "1,234,567 l", "thousands without a mark"),
        (quantities.volume, "1.000,5 l", "thousands without a mark"),
        (quantities.volume, "inf l", "not a number"),
        (quantities.pressure, "1e999 Pa", "not a number"),
        (quantities.pressure, "500", "lacks its unit"),
        (quantities.pressure, "500 inHgV", "no unit of absolute pressure"),
        (quantities.share, "10 ppm", "no share"),
        (quantities.number, "3 s", "is not a number"),
        (quantities.duration, "half an hour", "not a number"),
    ],
)
def test_what_cannot_be_read_is_said_in_a_sentence(
    reader: Callable[[str, str], float], text: str, words: str
) -> None:
    with pytest.raises(BadInput, match=words) as error:
        reader(text, "the-field")
    assert error.value.field == "the-field"
    assert str(error.value).endswith(".")


@given(st.floats(1e-3, 1.4e6), st.sampled_from(sorted(PRESSURE_UNITS)))
def test_what_a_form_shows_reads_back_the_same(pascal: float, unit: str) -> None:
    shown = quantities.write_pressure(pascal, unit)
    assert math.isclose(quantities.pressure(shown, "x"), pascal, rel_tol=1e-11)


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(60.0, "1 min"), (90.0, "90 s"), (1800.0, "30 min"), (86_400.0, "24 h"), (0.5, "0.5 s"), (0.0, "0 s")],
)
def test_times_are_written_in_whole_units(seconds: float, text: str) -> None:
    assert quantities.write_duration(seconds) == text
    assert quantities.duration(text, "x") == seconds


@pytest.mark.parametrize("text", ["66,7 Pa", "66.7 Pa", "0,667 hPa", "6,67e1 Pa", " 66,70Pa", "66,7000 Pa"])
def test_a_comma_that_can_only_be_a_decimal_sign_is_one(text: str) -> None:
    assert quantities.pressure(text, "x") == pytest.approx(66.7)


@pytest.mark.parametrize(
    ("text", "meant"),
    [("1,500 Pa", 1.5), ("66,661 Pa", 66.661), ("66.7 Pa", 66.7), ("1500 Pa", 1500.0), ("0.500 Pa", 0.5)],
)
def test_who_writes_decimal_commas_is_understood(text: str, meant: float) -> None:
    assert quantities.pressure(quantities.pointed(text, ",", "x"), "x") == pytest.approx(meant)


def test_a_point_that_may_stand_between_thousands_is_refused_from_who_writes_decimal_commas() -> None:
    with pytest.raises(BadInput, match=r"'1.500 Pa' may mean 1500 or 1,5; write the one you mean\."):
        quantities.pointed("1.500 Pa", ",", "x")


@given(st.floats(1e-3, 1e6), st.sampled_from(".,"), st.sampled_from(sorted(PRESSURE_UNITS)))
def test_what_a_form_shows_reads_back_the_same_with_either_decimal_sign(
    value: float, decimal: str, unit: str
) -> None:
    shown = quantities.write_pressure(value, unit, decimal)
    assert quantities.pressure(quantities.pointed(shown, decimal, "x"), "x") == pytest.approx(
        value, rel=1e-11
    )

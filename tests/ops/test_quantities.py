"""Quantities on the command line."""

from __future__ import annotations

import pytest

from model.errors import BadInput
from ops import quantities


@pytest.mark.parametrize(
    ("text", "pascal"),
    [
        # conventional millimetre of mercury, 133.322387415 Pa (the trade page; BIPM)
        ("500 micron", 66.6611937),
        ("2500micron", 333.3059685),
        ("1.5 mbar", 150.0),
        ("1e2 Pa", 100.0),
    ],
)
def test_pressures(text: str, pascal: float) -> None:
    assert quantities.pressure(text, "--target") == pytest.approx(pascal, rel=1e-9)


@pytest.mark.parametrize(
    ("text", "seconds"), [("30 min", 1800.0), ("90", 90.0), ("1.5h", 5400.0), ("2 days", 172_800.0)]
)
def test_lengths_of_time(text: str, seconds: float) -> None:
    assert quantities.duration(text, "--hold") == seconds


@pytest.mark.parametrize("text", ["", "micron", "500", "500 furlong", "nan micron", "1e999 Pa"])
def test_a_pressure_that_cannot_be_read_names_its_option(text: str) -> None:
    with pytest.raises(BadInput, match="--target"):
        quantities.pressure(text, "--target")


@pytest.mark.parametrize("text", ["", "h", "12 micron", "ten minutes"])
def test_a_length_of_time_that_cannot_be_read_names_its_option(text: str) -> None:
    with pytest.raises(BadInput, match="--hold"):
        quantities.duration(text, "--hold")

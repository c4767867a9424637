"""Records of texts: what a form shows and takes back unchanged is the same to the last bit."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from model.equipment import Position, Properties, Role
from model.errors import BadFields
from model.procedure import Procedure
from model.records import read_procedure, read_properties, write_procedure, write_properties
from model.texts import Texts


@given(st.floats(0.01, 10.0), st.floats(20.0, 1e5), st.sampled_from(["micron", "Pa", "Torr", "mbar"]))
def test_what_was_not_touched_is_the_same_figure(low: float, high: float, unit: str) -> None:
    before = Properties(Role.GAUGE, Position.PUMP, "thermistor", "Pa", low, high, 0.07, 7.3, "A-9")
    assert read_properties(Texts(write_properties(before, unit)), before) == before
    rule = Procedure("x", low, 60.0, 1800.0, 120.0, high, None, "own")
    assert read_procedure(Texts(write_procedure(rule, unit)), rule) == rule


def test_a_missing_field_leaves_and_an_empty_one_takes_away() -> None:
    before = Properties(Role.GAUGE, range_low_pa=0.1, range_high_pa=3000.0, serial="A-9")
    after = read_properties(Texts({"range_high": "", "serial": ""}), before)
    assert (after.range_low_pa, after.range_high_pa, after.serial) == (0.1, None, "")


def test_every_field_that_cannot_be_used_is_named_at_once() -> None:
    with pytest.raises(BadFields) as error:
        read_properties(Texts({"role": "teapot", "accuracy": "200 %", "range_low": "5", "unit": "furlong"}))
    assert error.value.errors.keys() == {"role", "accuracy", "range_low", "unit"}

"""What a gauge's label may say."""

from __future__ import annotations

import pytest

from model.errors import BadInput
from model.labels import instrument_in


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("van-7/gauge-1", "van-7/gauge-1"),
        ("  Gauge-1 ", "gauge-1"),
        ("https://vacuum.example.com/i/van-7/gauge-1", "van-7/gauge-1"),
        ("HTTP://192.0.2.7:8470/i/van-7/gauge-1/?x=1", "van-7/gauge-1"),
    ],
)
def test_a_name_or_an_address_of_ours_names_an_instrument(text: str, name: str) -> None:
    assert instrument_in(text) == name


@pytest.mark.parametrize(
    "text",
    ["", "/", "a/b/c", "gauge 1", "https://example.com/other", "https://example.com/i/", "javascript:x", "x"],
)
def test_anything_else_is_refused_at_its_field(text: str) -> None:
    with pytest.raises(BadInput) as refused:
        instrument_in(text)
    assert refused.value.field == "instrument"

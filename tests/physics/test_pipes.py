"""Volumes of pipes against published tables and elementary geometry."""

from __future__ import annotations

import math

import pytest

from physics.pipes import (
    INCH_M,
    Between,
    bore_area,
    inner_diameter,
    pipe_volume,
    total,
    vessel_volume,
)

FOOT_M = 0.3048

# Copper Development Association, Copper Tube Handbook, table 14.2f (tube L, which has the walls of drawn
# ACR tube): outside and inside diameter [in], volume [cubic feet per linear foot].
HANDBOOK = [
    (0.375, 0.315, 0.00054),
    (0.500, 0.430, 0.00101),
    (0.625, 0.545, 0.00162),
    (0.750, 0.666, 0.00242),
    (0.875, 0.785, 0.00336),
    (1.125, 1.025, 0.00573),
    (1.375, 1.265, 0.00873),
    (1.625, 1.505, 0.0124),
    (2.125, 1.985, 0.0215),
]
# Reprint of ASTM B280 (Engineering ToolBox): outside, inside diameter [in], area of the bore [square inches].
REPRINT = [
    (0.250, 0.190, 0.0284),
    (0.312, 0.248, 0.0483),
    (0.375, 0.311, 0.076),
    (0.500, 0.436, 0.149),
    (0.625, 0.555, 0.242),
    (0.750, 0.680, 0.363),
    (0.875, 0.785, 0.484),
    (1.125, 1.025, 0.825),
    (1.375, 1.265, 1.26),
]


@pytest.mark.parametrize(("outer", "inner", "cubic_feet"), HANDBOOK)
def test_volume_per_foot_is_the_handbooks(outer: float, inner: float, cubic_feet: float) -> None:
    volume = pipe_volume(FOOT_M, inner_m=inner * INCH_M).value / FOOT_M**3
    # The table gives two or three digits: half a step of the last.
    assert volume == pytest.approx(cubic_feet, abs=0.6 * 10 ** (math.floor(math.log10(cubic_feet)) - 1))
    bore = inner_diameter(outer * INCH_M)
    assert bore.low - 1e-9 <= inner * INCH_M <= bore.high + 1e-9


@pytest.mark.parametrize(("outer", "inner", "square_inches"), REPRINT)
def test_the_bore_of_a_listed_tube_is_the_reprints(outer: float, inner: float, square_inches: float) -> None:
    assert bore_area(inner * INCH_M) / INCH_M**2 == pytest.approx(square_inches, rel=0.01)
    bore = inner_diameter(outer * INCH_M)
    # 0.312 is written for 5/16; the wall is the same.
    assert bore.low - 1e-9 <= inner * INCH_M <= bore.high + 1e-9


def test_a_cube_of_pipe_is_elementary_geometry() -> None:
    # A cylinder of 2 m across and 1 m long holds π m³.
    assert pipe_volume(1.0, inner_m=2.0).value == pytest.approx(math.pi)
    # Twice as wide holds four times as much.
    wide, narrow = (pipe_volume(7.0, inner_m=d).value for d in (0.04, 0.02))
    assert wide == pytest.approx(4 * narrow)


def test_a_wall_that_is_not_known_widens_the_range() -> None:
    known = pipe_volume(10.0, inner_m=0.430 * INCH_M, length_share=0.0)
    assert known.low == known.value == known.high
    unknown = pipe_volume(10.0, outer_m=0.500 * INCH_M, length_share=0.0)
    # ASTM B280: half an inch has walls of 0.032 and 0.035 in.
    assert unknown.low == pytest.approx(bore_area(0.430 * INCH_M) * 10)
    assert unknown.high == pytest.approx(bore_area(0.436 * INCH_M) * 10)


def test_worst_cases_add_up() -> None:
    parts = [pipe_volume(10.0, inner_m=0.02), vessel_volume(0.008)]
    both = total(parts)
    assert both.value == pytest.approx(math.pi / 4 * 0.0004 * 10 + 0.008)
    assert both.low == pytest.approx(0.9 * both.value)
    assert both.high == pytest.approx(1.1 * both.value)
    assert total([]) == Between(0.0, 0.0, 0.0)


@pytest.mark.parametrize(
    ("figures", "word"),
    [
        ({"length_m": 0.0, "inner_m": 0.02}, "length"),
        ({"length_m": math.nan, "inner_m": 0.02}, "length"),
        ({"length_m": 1.0}, "inside or outside"),
        ({"length_m": 1.0, "inner_m": 0.02, "outer_m": 0.02}, "smaller"),
        ({"length_m": 1.0, "inner_m": -0.02}, "above zero"),
        ({"length_m": 1.0, "outer_m": 0.0333}, "no usual copper tube"),
        ({"length_m": 1.0, "inner_m": 0.02, "length_share": 1.0}, "share"),
    ],
)
def test_figures_that_cannot_be_are_refused(figures: dict[str, float], word: str) -> None:
    with pytest.raises(ValueError, match=word):
        pipe_volume(**figures)
    with pytest.raises(ValueError, match="above zero"):
        vessel_volume(0.0)

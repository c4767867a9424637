"""The refrigerant table, computed again with CoolProp."""

from __future__ import annotations

import CoolProp.CoolProp as CoolProp
import pytest

from physics.refrigerants import REFERENCE_TEMPERATURE_K, REFRIGERANTS, refrigerant

# Ours → CoolProp's name; blends without an equation of their own are its predefined mixtures.
COOLPROP_NAMES = {
    "R-22": "R22",
    "R-32": "R32",
    "R-134a": "R134a",
    "R-290": "R290",
    "R-404A": "R404A",
    "R-407C": "R407C",
    "R-407F": "R407F.mix",
    "R-410A": "R410A",
    "R-448A": "R448A.mix",
    "R-449A": "R449A.mix",
    "R-452A": "R452A.mix",
    "R-454B": "R454B.mix",
    "R-454C": "R454C.mix",
    "R-507A": "R507A",
    "R-513A": "R513A.mix",
    "R-600a": "R600a",
    "R-717": "Ammonia",
    "R-744": "CO2",
    "R-1234yf": "R1234yf",
    "R-1234ze(E)": "R1234ze(E)",
    "R-1270": "Propylene",
}


def test_every_refrigerant_is_checked() -> None:
    assert set(COOLPROP_NAMES) == set(REFRIGERANTS)


@pytest.mark.parametrize("name", sorted(REFRIGERANTS))
def test_molar_mass_and_saturation_agree_with_coolprop(name: str) -> None:
    ours, theirs = REFRIGERANTS[name], COOLPROP_NAMES[name]
    assert ours.molar_mass == pytest.approx(CoolProp.PropsSI("M", theirs), rel=1e-4)
    pressure = CoolProp.PropsSI("P", "T", REFERENCE_TEMPERATURE_K, "Q", 0, theirs)
    assert ours.saturation_pa == pytest.approx(pressure, rel=1e-3)


@pytest.mark.parametrize("name", sorted(REFRIGERANTS))
def test_vapour_viscosity_agrees_with_coolprop(name: str) -> None:
    viscosity = CoolProp.PropsSI("V", "T", REFERENCE_TEMPERATURE_K, "Q", 1, COOLPROP_NAMES[name])
    assert REFRIGERANTS[name].vapour_viscosity == pytest.approx(viscosity, rel=1e-3)


def test_safety_groups_of_standard_34() -> None:
    # ANSI/ASHRAE 34 and ISO 817, as listed in published tables of the standard.
    groups = {
        "A1": {"R-22", "R-134a", "R-404A", "R-407C", "R-407F", "R-410A", "R-448A", "R-449A", "R-452A"}
        | {"R-507A", "R-513A", "R-744"},
        "A2L": {"R-32", "R-454B", "R-454C", "R-1234yf", "R-1234ze(E)"},
        "A3": {"R-290", "R-600a", "R-1270"},
        "B2L": {"R-717"},
    }
    for group, names in groups.items():
        assert {name for name, row in REFRIGERANTS.items() if row.safety_group == group} == names
    assert refrigerant("R-290").flammable
    assert refrigerant("R-32").flammable
    assert not refrigerant("R-410A").flammable


@pytest.mark.parametrize("written", ["R-410A", "r410a", " R410A "])
def test_designations_are_found_however_written(written: str) -> None:
    assert refrigerant(written).name == "R-410A"


def test_unknown_refrigerant_is_one_clear_sentence() -> None:
    with pytest.raises(ValueError, match="'R-999' is not a known refrigerant"):
        refrigerant("R-999")

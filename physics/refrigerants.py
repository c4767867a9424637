"""Properties of common refrigerants that a leak estimate needs.

The numbers were computed with the open library CoolProp (Bell, Wronski, Quoilin, Lemort, Ind. Eng.
Chem. Res. 53 (2014) 2498), whose equations of state carry their own references; the tests compute
them again. Safety groups are those of ANSI/ASHRAE Standard 34 and ISO 817.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType


@dataclass(frozen=True)
class Refrigerant:
    """One refrigerant.

    Attributes
    ----------
    name : str
        Designation of ANSI/ASHRAE 34 and ISO 817.
    molar_mass : float
        [kg/mol].
    saturation_pa : float
        Saturation pressure at 25 degrees Celsius, at the bubble point where a blend glides [Pa].
    vapour_viscosity : float
        Dynamic viscosity of the saturated vapour at 25 degrees Celsius [Pa s].
    safety_group : str
        A1, A2L, A3, B2L …: toxicity letter, flammability number.
    """

    name: str
    molar_mass: float
    saturation_pa: float
    vapour_viscosity: float
    safety_group: str

    @property
    def flammable(self) -> bool:
        """Whether ventilation and ignition control come before opening or pumping."""
        return not self.safety_group.endswith("1")


REFERENCE_TEMPERATURE_K = 298.15
"""Temperature of the table [K]."""

_TABLE = (
    Refrigerant("R-22", 0.086468, 1.04392e6, 1.3952e-5, "A1"),
    Refrigerant("R-32", 0.052024, 1.68962e6, 1.3768e-5, "A2L"),
    Refrigerant("R-134a", 0.102032, 6.6538e5, 1.1693e-5, "A1"),
    Refrigerant("R-290", 0.044096, 9.5207e5, 8.270e-6, "A3"),
    Refrigerant("R-404A", 0.097604, 1.25458e6, 1.3003e-5, "A1"),
    Refrigerant("R-407C", 0.086204, 1.19024e6, 1.2611e-5, "A1"),
    Refrigerant("R-407F", 0.082058, 1.31102e6, 1.2862e-5, "A1"),
    Refrigerant("R-410A", 0.072585, 1.65725e6, 1.3735e-5, "A1"),
    Refrigerant("R-448A", 0.086283, 1.29011e6, 1.2994e-5, "A1"),
    Refrigerant("R-449A", 0.087213, 1.27299e6, 1.2925e-5, "A1"),
    Refrigerant("R-452A", 0.103511, 1.30854e6, 1.3264e-5, "A1"),
    Refrigerant("R-454B", 0.062614, 1.58435e6, 1.3637e-5, "A2L"),
    Refrigerant("R-454C", 0.090776, 1.17715e6, 1.2999e-5, "A2L"),
    Refrigerant("R-507A", 0.098859, 1.28256e6, 1.3084e-5, "A1"),
    Refrigerant("R-513A", 0.108426, 7.0983e5, 1.2147e-5, "A1"),
    Refrigerant("R-600a", 0.058122, 3.5067e5, 7.496e-6, "A3"),
    Refrigerant("R-717", 0.017031, 1.00269e6, 9.835e-6, "B2L"),
    Refrigerant("R-744", 0.044010, 6.43424e6, 1.9716e-5, "A1"),
    Refrigerant("R-1234yf", 0.114042, 6.8270e5, 1.2551e-5, "A2L"),
    Refrigerant("R-1234ze(E)", 0.114042, 4.9852e5, 1.2433e-5, "A2L"),
    Refrigerant("R-1270", 0.042080, 1.15445e6, 8.903e-6, "A3"),
)

REFRIGERANTS: MappingProxyType[str, Refrigerant] = MappingProxyType(
    {refrigerant.name: refrigerant for refrigerant in _TABLE}
)
"""The table by designation."""

_BY_PLAIN_NAME = {name.replace("-", "").casefold(): name for name in REFRIGERANTS}

PLAIN_NAMES = tuple(_BY_PLAIN_NAME)
"""The designations without hyphen, in small letters."""

NOT_LISTED = "is not in our table: it is taken for possibly flammable, and no loss can be named"
"""What to say of such a refrigerant, after its name."""


def refrigerant(name: str) -> Refrigerant:
    """Look a refrigerant up by its designation, with or without hyphen, in any case.

    Raises
    ------
    ValueError
        If it is not in the table.

    Examples
    --------
    >>> refrigerant("r410a").name
    'R-410A'
    """
    try:
        return REFRIGERANTS[_BY_PLAIN_NAME[name.strip().replace("-", "").casefold()]]
    except KeyError:
        known = ", ".join(REFRIGERANTS)
        raise ValueError(f"{name!r} is not a known refrigerant; known are {known}") from None


def listed(name: str | None) -> Refrigerant | None:
    """The same, None for one that is not in the table, or for none."""
    try:
        return refrigerant(name) if name else None
    except ValueError:
        return None

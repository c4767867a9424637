"""A refrigerant as it was written down at a circuit, and whether it burns."""

from __future__ import annotations

from dataclasses import dataclass

from physics.refrigerants import listed


@dataclass(frozen=True, slots=True)
class Fluid:
    """What is known of a refrigerant.

    Parameters
    ----------
    written : str or None
        As it stands at the circuit; None: nothing does.
    safety_group : str or None
        Of ANSI/ASHRAE 34 and ISO 817; None: it is not in our table.
    flammable : bool
        Whether ventilation and ignition control come first; of what is not known too.
    """

    written: str | None
    safety_group: str | None
    flammable: bool

    @classmethod
    def of(cls, written: str | None) -> Fluid:
        """Look it up."""
        found = listed(written)
        group = None if found is None else found.safety_group
        return cls(written or None, group, found is None or found.flammable)

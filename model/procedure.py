"""Procedures: every number of the rule of a hold test, as data with its origin."""

from __future__ import annotations

from dataclasses import dataclass, replace

from model.errors import BadFields, BadInput
from model.texts import LONGEST_WORDS, check_text
from physics.constants import ATMOSPHERE_PA
from physics.leaks import smallest_leak_shown

NEEDS_ORIGIN = "Say where the numbers come from: a code, a manual, own practice."
LONGEST = (
    ("dwell_s", 86_400.0, "a day"),
    ("hold_s", 30 * 86_400.0, "30 days"),
    ("persistence_s", 3_600.0, "an hour"),
    ("filter_s", 3_600.0, "an hour"),
    ("patience_s", 366 * 86_400.0, "a year"),
    ("breaks", 20, "20"),
)
"""What a procedure may ask for at most, and that in words; our own choice, against slips of the unit."""


@dataclass(frozen=True, slots=True)
class Procedure:
    """What a job asks for. Pressures are absolute [Pa], times [s].

    Parameters
    ----------
    target_pa, dwell_s : float
        The target is reached when the filtered pressure stays at or below it for the dwell time.
    hold_s, settle_s : float
        Length of the hold, and the settling time that it includes.
    limit_pa : float or None
        Permitted absolute pressure.
    rise_pa : float or None
        Permitted rise above the start value. With both, the stricter wins; one at least is given.
    persistence_s : float
        How long the filtered pressure must be over the limit for a fail.
    filter_s : float
        Length of the trailing median.
    breaks : int
        Breaks with dry nitrogen before the last pull.
    patience_s : float
        How long missing readings of a hold that is over are awaited.
    origin : str
        Where the numbers come from, in words.
    """

    name: str
    target_pa: float
    dwell_s: float
    hold_s: float
    settle_s: float
    limit_pa: float | None
    rise_pa: float | None
    origin: str
    persistence_s: float = 60.0
    filter_s: float = 60.0
    breaks: int = 0
    patience_s: float = 86_400.0
    id: int = 0
    version: int = 1

    def __post_init__(self) -> None:
        if self.limit_pa is None and self.rise_pa is None:
            raise BadInput(
                "A procedure needs a permitted pressure, a permitted rise, or both.", field="limit_pa"
            )
        if not 0 <= self.settle_s < self.hold_s:
            raise BadInput("The settling time must be shorter than the hold.", field="settle_s")
        for field in ("target_pa", "limit_pa", "rise_pa", "persistence_s", "filter_s"):
            value = getattr(self, field)
            if value is not None and not value > 0:
                raise BadInput("This must be above zero.", field=field)
        for field in ("dwell_s", "breaks", "patience_s"):
            if not getattr(self, field) >= 0:
                raise BadInput("This cannot be negative.", field=field)

    def checked(self) -> Procedure:
        """This procedure if it may be stored: stricter than what is asked of one that is stored already.

        Raises
        ------
        BadFields
            With a sentence for each field.
        """
        errors: dict[str, str] = {}
        for field, longest, what in LONGEST:
            if not getattr(self, field) <= longest:
                errors[field] = f"This is at most {what}."
        for field in ("target_pa", "limit_pa", "rise_pa"):
            value = getattr(self, field)
            if value is not None and not value < ATMOSPHERE_PA:
                errors[field] = "This must be below the pressure of the air."
        if self.hold_s - self.settle_s < self.persistence_s and "hold_s" not in errors:
            errors["hold_s"] = (
                "After settling, the hold must last at least as long as the pressure must be over the limit."
            )
        if self.limit_pa is not None and self.limit_pa <= self.target_pa:
            errors["limit_pa"] = (
                "The permitted pressure must lie above the target: a hold that begins there could not pass."
            )
        for field, needed in (("name", "A procedure needs a name."), ("origin", NEEDS_ORIGIN)):
            try:
                text = check_text(getattr(self, field), field, longest=LONGEST_WORDS)
            except BadInput as error:
                errors[field] = str(error)
            else:
                if not text:
                    errors[field] = needed
        if errors:
            raise BadFields(errors)
        return replace(self, name=self.name.strip(), origin=self.origin.strip())

    @property
    def smallest_rise_pa_per_s(self) -> float | None:
        """Smallest steady rise that a hold begun at the target would fail [Pa/s]; times volume: a leak."""
        limits = [self.limit_pa, None if self.rise_pa is None else self.target_pa + self.rise_pa]
        limit = min(value for value in limits if value is not None)
        if limit <= self.target_pa:
            return None
        return smallest_leak_shown(1.0, self.target_pa, limit, self.hold_s, self.settle_s)

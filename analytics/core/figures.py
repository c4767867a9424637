"""How the judgement's sentences write figures."""

from __future__ import annotations

from physics.units import MICRON_PA


def pressure_text(pressure_pa: float) -> str:
    """A pressure in the trade's unit and in SI."""
    # Adding zero after rounding makes a negative zero a plain one.
    micron = round(pressure_pa / MICRON_PA) + 0
    pascal = round(pressure_pa, 1 if abs(pressure_pa) < 1000 else None) + 0
    return f"{micron} micron ({pascal} Pa)"


def duration_text(seconds: float) -> str:
    """A duration in the two largest units that fit."""
    whole = round(seconds)
    if whole < 120:
        return f"{whole} s"
    minutes, rest = divmod(whole, 60)
    if minutes < 60:
        return f"{minutes} min" + (f" {rest} s" if rest else "")
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h" + (f" {minutes} min" if minutes else "")

"""The one place where a stored SI value becomes text for a reader.

In templates: ``{{ pa | pressure(accuracy) }}`` a reading, ``{{ pa | setting }}`` what somebody typed (limits,
targets, ranges), ``{{ m3 | volume }}``, ``{{ kelvin | temperature }}``, ``{{ moment | when(time_zone) }}``.
With the unit in the heading: ``pressure_number``, ``setting_number``, ``volume_number`` and
``{{ units().pressure }}``, ``{{ units().volume }}``; what was typed in them times ``units.pascals`` or
``units.cubic_metres`` is SI. In code: ``figures_of(request)`` and its methods of the same names.

A reading is shown in steps that its gauge supports; ``static/figures.js`` does the same for what the event
stream brings, from what `Figures.script` hands it. The rule and its source: docs/explanation/figures.md.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from decimal import ROUND_HALF_UP, Decimal
from zoneinfo import ZoneInfo

from markupsafe import Markup, escape

from api.conventions import MINUS, SI, THIN, Conventions
from model.equipment import ZERO_OFFSET_PA
from model.quantities import FLOW_M3_S, LENGTH_M
from physics.units import (
    CUBIC_FOOT_M3,
    FAHRENHEIT_PER_K,
    LITRE_M3,
    PRESSURE_UNITS,
    to_celsius,
    to_fahrenheit,
)
from store.preferences import NONE_CHOSEN, PRESSURE, TEMPERATURE, Preferences

NOTHING = "–"
USUAL_ACCURACY = 0.1
"""Share of the reading, of a gauge whose own is not at hand; what instruments are registered with."""
COARSEST_ACCURACY = 0.5
TEMPERATURE_LIMIT_K = 0.5
"""Thermometers are registered without an accuracy: ± this much is assumed. Common practice, no source."""
LADDER = tuple(float(f"{mantissa}e{power}") for power in range(-12, 10) for mantissa in (1, 2, 5))
FINEST = 9
"""Rungs that a step may go down to keep a figure on its side of a limit."""
EXACT_DIGITS = 12
"""What a conversion adds behind them is no reading."""
TYPED_DIGITS = 7
VOLUME_UNITS = {"L": LITRE_M3, "ft³": CUBIC_FOOT_M3}
FLOW_UNITS = {"L": "L/s", "ft³": "cfm"}
_ALL_VOLUMES = (1.0, *VOLUME_UNITS.values())

Rounded = tuple[int, int]
"""Coefficient and power of ten."""


def digits(value: float, most: int) -> Rounded:
    """The number to so many significant digits, halves away from zero."""
    if value == 0:
        return 0, 0
    exact = Decimal(value)
    exponent = exact.adjusted() - most + 1
    rounded = exact.quantize(Decimal((0, (1,), exponent)), ROUND_HALF_UP)
    return int(rounded.scaleb(-exponent)), exponent


def trimmed(number: Rounded) -> Rounded:
    """Without zeros at its end."""
    coefficient, exponent = number
    if coefficient == 0:
        return 0, 0
    while coefficient % 10 == 0:
        coefficient, exponent = coefficient // 10, exponent + 1
    return coefficient, exponent


def stepped(value: float, accuracy: float, offset: float = 0.0, marks: Sequence[float] = ()) -> Rounded:
    """A reading to the step that its gauge supports.

    The step is the largest of 1, 2 or 5 × 10^n not above half the standard uncertainty; it changes only where
    the reading passes 1, 2 or 5 × 10^n, so that it does not flicker. A reading over or under a mark is not
    rounded onto it or past it.

    Parameters
    ----------
    value : float
        The reading in the reader's unit.
    accuracy : float
        Half-width of the gauge's error as a share of the reading.
    offset : float
        Half-width that it has at least, in the reader's unit.
    marks : sequence of float
        Target and limit in the reader's unit.
    """
    foot = LADDER[max(_rung(abs(value)), 0)] if value else 0.0
    uncertainty = max(min(accuracy, COARSEST_ACCURACY) * foot, offset) / math.sqrt(3.0)
    rung = max(_rung(uncertainty / 2.0), 0)
    last = max(rung - FINEST, 0)
    while rung > last and not all(_beside(value / LADDER[rung], mark / LADDER[rung]) for mark in marks):
        rung -= 1
    power, mantissa = divmod(rung, 3)
    return math.floor(value / LADDER[rung] + 0.5) * (1, 2, 5)[mantissa], power - 12


def _rung(value: float) -> int:
    return bisect_right(LADDER, value) - 1


def _beside(value: float, mark: float) -> bool:
    """Whether the whole number nearest the value lies on the same side of the mark as the value itself."""
    near = 1e-9 * max(1.0, abs(mark))
    shown = math.floor(value + 0.5) - mark
    side = value - mark
    if abs(side) <= near:
        return abs(shown) <= near
    return (shown > near) if side > 0 else (shown < -near)


def typed(value: float, factor: float, factors: Sequence[float]) -> Rounded:
    """What somebody typed, in another unit: never with fewer digits than were typed.

    Parameters
    ----------
    value : float
        In SI.
    factor : float
        SI in one of the reader's unit.
    factors : sequence of float
        The same of all units in which it may have been typed.
    """
    inside = trimmed(digits(value / factor, EXACT_DIGITS))
    if len(str(abs(inside[0]))) <= TYPED_DIGITS:
        return inside
    fewest = min(len(str(abs(trimmed(digits(value / one, EXACT_DIGITS))[0]))) for one in factors)
    return trimmed(digits(value / factor, max(4, fewest + 1)))


@dataclass(frozen=True, slots=True)
class Units:
    """Labels for headings and forms."""

    pressure: str
    beside: str | None
    temperature: str
    volume: str

    @property
    def flow(self) -> str:
        """Of pumping speeds; it goes with the unit of volume."""
        return FLOW_UNITS[self.volume]

    @property
    def pascals(self) -> float:
        """Pascals in one of the unit of pressure."""
        return PRESSURE_UNITS[self.pressure]

    @property
    def cubic_metres(self) -> float:
        """Cubic metres in one of the unit of volume."""
        return VOLUME_UNITS[self.volume]


@dataclass(frozen=True, slots=True)
class Figures:
    """Writes figures for one reader.

    Parameters
    ----------
    chosen : Preferences
        Units, and steps or exact.
    conventions : Conventions
        Of the reader's locale.
    reader_zone : str or None
        Where the reader is, if known: an offset is then shown only where the site's differs.
    this_year : int
        Dates of other years say theirs.
    """

    chosen: Preferences = NONE_CHOSEN
    conventions: Conventions = SI
    reader_zone: str | None = None
    this_year: int = 0

    @property
    def units(self) -> Units:
        """The reader's units."""
        c = self.chosen
        return Units(c.pressure_unit, c.beside_unit, c.temperature_unit, c.volume_unit)

    def asked_for(self, pressure: str | None, temperature: str | None) -> Figures:
        """For a reader who asks for these units this time, and for no second one of pressure."""
        chosen = self.chosen
        if pressure is not None:
            chosen = replace(chosen, pressure_unit=pressure, beside_unit=None)
        if temperature in TEMPERATURE:
            chosen = replace(chosen, temperature_unit=temperature)
        return replace(self, chosen=chosen)

    # Pressure ------------------------------------------------------------------------------------------

    def pressure_number(
        self,
        pressure_pa: float | None,
        accuracy: float | None = USUAL_ACCURACY,
        marks: Sequence[float | None] = (),
        unit: str | None = None,
    ) -> str:
        """A reading without its unit, in steps or exact as the reader chose."""
        if pressure_pa is None or not math.isfinite(pressure_pa):
            return NOTHING
        factor = PRESSURE_UNITS[unit or self.chosen.pressure_unit]
        value = pressure_pa / factor
        if self.chosen.exact:
            return self.exact_number(value)
        near = [mark / factor for mark in marks if mark is not None]
        share = USUAL_ACCURACY if accuracy is None else accuracy
        return self.conventions.write(*stepped(value, share, ZERO_OFFSET_PA / factor, near))

    def pressure_text(
        self,
        pressure_pa: float | None,
        accuracy: float | None = USUAL_ACCURACY,
        marks: Sequence[float | None] = (),
    ) -> str:
        """A reading with its unit: ``500 micron (66.7 Pa)``, the second if the reader wants one."""
        if pressure_pa is None:
            return NOTHING
        return self._with_units(lambda unit: self.pressure_number(pressure_pa, accuracy, marks, unit))

    def pressure(
        self,
        pressure_pa: float | None,
        accuracy: float | None = USUAL_ACCURACY,
        marks: Sequence[float | None] = (),
    ) -> Markup:
        """The same for a page: a tap or the pointer over it shows the stored value in full."""
        return self._data(self.pressure_text(pressure_pa, accuracy, marks), pressure_pa)

    def setting_number(self, pressure_pa: float | None, unit: str | None = None) -> str:
        """What somebody typed (a limit, a target), without its unit."""
        if pressure_pa is None or not math.isfinite(pressure_pa):
            return NOTHING
        factors = [PRESSURE_UNITS[one] for one in PRESSURE]
        factor = PRESSURE_UNITS[unit or self.chosen.pressure_unit]
        return self.conventions.write(*typed(pressure_pa, factor, factors))

    def setting_text(self, pressure_pa: float | None) -> str:
        """The same with its unit."""
        if pressure_pa is None:
            return NOTHING
        return self._with_units(lambda unit: self.setting_number(pressure_pa, unit))

    def setting(self, pressure_pa: float | None) -> Markup:
        """The same for a page."""
        return self._data(self.setting_text(pressure_pa), pressure_pa)

    def about(self, pressure_pa: float) -> str:
        """A pressure of which no more is known than a sentence says, to three digits."""
        return self._with_units(
            lambda unit: self.conventions.write(*trimmed(digits(pressure_pa / PRESSURE_UNITS[unit], 3)))
        )

    def pressure_rate(self, pascal_per_s: float | None) -> str:
        """A rise, per minute in the reader's unit, to two digits: ``1.2 micron/min``."""
        if pascal_per_s is None:
            return NOTHING
        unit = self.chosen.pressure_unit
        return f"{self.number(60.0 * pascal_per_s / PRESSURE_UNITS[unit], 2)}{THIN}{unit}/min"

    def exact_text(self, pressure_pa: float) -> str:
        """A stored pressure in full: in the reader's unit, and as it is stored."""
        unit = self.chosen.pressure_unit
        stored = f"{self._written(repr(float(pressure_pa)))}{THIN}Pa"
        if unit == "Pa":
            return f"{stored}, as stored"
        return f"{self.exact_number(pressure_pa / PRESSURE_UNITS[unit])}{THIN}{unit}; stored: {stored}"

    def _with_units(self, number: Callable[[str], str]) -> str:
        first, second = self.chosen.pressure_unit, self.chosen.beside_unit
        text = f"{number(first)}{THIN}{first}"
        return f"{text} ({number(second)}{THIN}{second})" if second else text

    def _data(self, text: str, pressure_pa: float | None) -> Markup:
        if pressure_pa is None or not math.isfinite(pressure_pa):
            return escape(text)
        return Markup('<data class="fig" value="{}" title="{}">{}</data>').format(
            repr(float(pressure_pa)), self.exact_text(pressure_pa), text
        )

    # Temperature, volume -------------------------------------------------------------------------------

    def temperature(self, kelvin: float | None) -> str:
        """A temperature: ``21.4 °C``."""
        if kelvin is None:
            return NOTHING
        fahrenheit = self.chosen.temperature_unit == "°F"
        value = to_fahrenheit(kelvin) if fahrenheit else to_celsius(kelvin)
        limit = TEMPERATURE_LIMIT_K * (FAHRENHEIT_PER_K if fahrenheit else 1.0)
        number = trimmed(digits(value, EXACT_DIGITS)) if self.chosen.exact else stepped(value, 0.0, limit)
        return f"{self.conventions.write(*number)}{THIN}{self.chosen.temperature_unit}"

    def temperature_difference(self, kelvin: float) -> str:
        """A difference: ``5 K`` or ``9 °F``."""
        if self.chosen.temperature_unit == "°C":
            return f"{self.conventions.write(*trimmed(digits(kelvin, 3)))}{THIN}K"
        return f"{self.conventions.write(*trimmed(digits(kelvin * FAHRENHEIT_PER_K, 3)))}{THIN}°F"

    def volume_number(self, cubic_metres: float | None) -> str:
        """A volume as somebody entered it, without its unit."""
        if cubic_metres is None:
            return NOTHING
        return self.conventions.write(
            *typed(cubic_metres, VOLUME_UNITS[self.chosen.volume_unit], _ALL_VOLUMES)
        )

    def volume(self, cubic_metres: float | None) -> str:
        """The same with its unit: ``12 L``."""
        if cubic_metres is None:
            return NOTHING
        return f"{self.volume_number(cubic_metres)}{THIN}{self.chosen.volume_unit}"

    def flow(self, m3_s: float | None) -> str:
        """A pump's rating as somebody entered it: ``2.832 L/s``."""
        if m3_s is None:
            return NOTHING
        unit = self.units.flow
        factors = list(dict.fromkeys(FLOW_M3_S.values()))
        return f"{self.conventions.write(*typed(m3_s, FLOW_M3_S[unit.casefold()], factors))}{THIN}{unit}"

    def flow_about(self, m3_s: float) -> str:
        """An estimated pumping speed, to two digits."""
        unit = self.units.flow
        return f"{self.number(m3_s / FLOW_M3_S[unit.casefold()], 2)}{THIN}{unit}"

    def hose(self, bore_m: float | None, length_m: float | None) -> str:
        """A hose as somebody entered it: ``10 mm × 1.5 m``."""
        if bore_m is None or length_m is None:
            return NOTHING
        narrow, long = ("mm", "m") if self.units.flow == "L/s" else ("in", "ft")
        factors = list(dict.fromkeys(LENGTH_M.values()))
        parts = [
            f"{self.conventions.write(*typed(value, LENGTH_M[unit], factors))}{THIN}{unit}"
            for value, unit in ((bore_m, narrow), (length_m, long))
        ]
        return f"{parts[0]} × {parts[1]}"

    # Numbers and times ---------------------------------------------------------------------------------

    def number(self, value: float, most: int = 3) -> str:
        """A number with so many significant digits: ``1 230``, ``66.7``, ``0.0500``."""
        if not math.isfinite(value):
            return NOTHING
        if value == 0:
            return "0"
        coefficient, exponent = digits(value, most)
        if len(str(abs(coefficient))) > most:  # 9.995 became 10.00
            coefficient, exponent = coefficient // 10, exponent + 1
        return self.conventions.write(coefficient, exponent)

    def exact_number(self, value: float) -> str:
        """A number with every digit that is not of the conversion's making."""
        return self.conventions.write(*trimmed(digits(value, EXACT_DIGITS)))

    def percent(self, share: float) -> str:
        """``87 %``."""
        return f"{round(share * 100)}{THIN}%"

    def scientific(self, value: float) -> str:
        """``1.6 × 10⁻³``."""
        if value == 0 or not math.isfinite(value):
            return self.number(value)
        coefficient, exponent = digits(value, 2)
        if abs(coefficient) > 99:
            coefficient, exponent = coefficient // 10, exponent + 1
        raised = str(exponent + 1).translate(str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹"))
        return f"{self.conventions.write(coefficient, -1)}{THIN}×{THIN}10{raised}"

    def when(self, moment: datetime | None, time_zone: str, *, seconds: bool = False) -> str:
        """Day and time at a site, with its offset where the reader's own clock differs or is not known."""
        if moment is None:
            return NOTHING
        local = moment.astimezone(ZoneInfo(time_zone))
        year = self.this_year not in (0, local.year)
        text = self.conventions.moment(local, year=year, seconds=seconds)
        own = None if self.reader_zone is None else moment.astimezone(ZoneInfo(self.reader_zone))
        same = own is not None and own.utcoffset() == local.utcoffset()
        return text if same else f"{text} {offset_text(local)}"

    def _written(self, plain: str) -> str:
        """A number as Python writes it, by the reader's conventions."""
        sign, figures, exponent = Decimal(plain).as_tuple()
        assert isinstance(exponent, int)
        coefficient = int("".join(map(str, figures))) * (-1 if sign else 1)
        return self.conventions.write(*trimmed((coefficient, exponent)))

    def script(self) -> dict[str, object]:
        """What the pages' script needs to write the same."""
        chosen = self.chosen
        return {
            "unit": chosen.pressure_unit,
            "beside": chosen.beside_unit,
            "temperature": chosen.temperature_unit,
            "exact": chosen.exact,
            "factors": {unit: PRESSURE_UNITS[unit] for unit in PRESSURE},
            "offset": ZERO_OFFSET_PA,
            "accuracy": USUAL_ACCURACY,
            "kelvin": TEMPERATURE_LIMIT_K,
            "zone": self.reader_zone,
            "year": self.this_year,
            "conventions": self.conventions.script(),
        }


def offset_text(local: datetime) -> str:
    """How far a local time is from UTC: ``UTC+1``, ``UTC−3:30``."""
    offset = local.utcoffset()
    minutes = 0 if offset is None else round(offset.total_seconds() / 60)
    sign = MINUS if minutes < 0 else "+"
    hours, rest = divmod(abs(minutes), 60)
    if minutes == 0:
        return "UTC"
    return f"UTC{sign}{hours}" + (f":{rest:02d}" if rest else "")

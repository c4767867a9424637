"""Records of texts, from a form or a row of a table, as what they describe.

A field that is missing leaves what there was; one that is there and empty takes it away, or gives the usual
value. The names of fields are the columns of tables and the fields of forms.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TypeVar

from model import quantities
from model.equipment import Position, Properties, Role
from model.errors import BadFields, BadInput
from model.procedure import NEEDS_ORIGIN, Procedure
from model.texts import LONGEST_WORDS, Texts
from physics.units import pressure_unit

T = TypeVar("T")

SITE = ("name", "time_zone", "place")
CIRCUIT = ("site", "name", "volume", "refrigerant", "oil")
CREW = ("name",)
GATEWAY = ("name", "site")
PROPERTIES = (
    "role",
    "position",
    "principle",
    "unit",
    "range_low",
    "range_high",
    "accuracy",
    "interval",
    "serial",
    "speed",
    "ultimate",
)
INSTRUMENT = ("gateway", "name", *PROPERTIES)
PROCEDURE = (
    "name",
    "target",
    "dwell",
    "hold",
    "settle",
    "limit",
    "rise",
    "persistence",
    "median",
    "breaks",
    "patience",
    "origin",
)

_COLUMN_OF = {
    "target_pa": "target",
    "dwell_s": "dwell",
    "hold_s": "hold",
    "settle_s": "settle",
    "limit_pa": "limit",
    "rise_pa": "rise",
    "persistence_s": "persistence",
    "filter_s": "median",
    "patience_s": "patience",
}


def kept(new: T, old: object) -> T:
    """The old figure where the new one is the same but for what writing and reading it lost."""
    if (
        isinstance(new, float)
        and isinstance(old, float)
        and math.isclose(new, old, rel_tol=1e-9, abs_tol=1e-12)
    ):
        return old  # type: ignore[return-value]
    return new


def read_properties(texts: Texts, before: Properties | None = None) -> Properties:
    """An instrument's properties; raises `BadFields` with a sentence for each field that cannot be used."""
    role = before.role if before and "role" not in texts else texts.choice("role", Role)
    start = before or Properties(Role.GAUGE)

    def part(field: str, old: T, read: Callable[[], T | None]) -> T:
        found = read() if field in texts else old
        return kept(old if found is None else found, old)

    def figure(field: str, old: float | None, read: Callable[[str, str], float]) -> float | None:
        return kept(texts.read(field, read), old) if field in texts else old

    def unit() -> str | None:
        return texts.read("unit", _unit, "Pa")

    values = Properties(
        role=role or Role.GAUGE,
        position=part(
            "position", start.position, lambda: texts.choice("position", Position, Position.CIRCUIT)
        ),
        principle=part("principle", start.principle, lambda: texts.text("principle")),
        unit=part("unit", start.unit, unit),
        range_low_pa=figure("range_low", start.range_low_pa, quantities.pressure),
        range_high_pa=figure("range_high", start.range_high_pa, quantities.pressure),
        accuracy=part("accuracy", start.accuracy, lambda: texts.read("accuracy", quantities.share, 0.1)),
        interval_s=part(
            "interval", start.interval_s, lambda: texts.read("interval", quantities.duration, 10.0)
        ),
        serial=part("serial", start.serial, lambda: texts.text("serial")),
        pump_m3_s=figure("speed", start.pump_m3_s, quantities.flow),
        ultimate_pa=figure("ultimate", start.ultimate_pa, quantities.pressure),
    )
    return _all_errors(texts, values.checked)


def write_properties(what: Properties, unit: str = "micron", decimal: str = ".") -> dict[str, str]:
    """The record of an instrument's properties, pressures in that unit, with that decimal sign."""
    return {
        "role": what.role.value,
        "position": what.position.value,
        "principle": what.principle,
        "unit": what.unit,
        "range_low": quantities.write_pressure(what.range_low_pa, unit, decimal),
        "range_high": quantities.write_pressure(what.range_high_pa, unit, decimal),
        "accuracy": quantities.write_share(what.accuracy, decimal),
        "interval": quantities.write_duration(what.interval_s, decimal),
        "serial": what.serial,
        "speed": quantities.write_flow(what.pump_m3_s, decimal),
        "ultimate": quantities.write_pressure(what.ultimate_pa, unit, decimal),
    }


def read_procedure(texts: Texts, before: Procedure | None = None) -> Procedure:
    """A procedure; raises `BadFields` with a sentence for each field that cannot be used."""

    def part(
        field: str,
        read: Callable[[str, str], float],
        old: float | None,
        usual: float | None,
        *,
        required: bool = False,
    ) -> float | None:
        if before is not None and field not in texts:
            return old
        return kept(texts.read(field, read, usual, required=required), old)

    seconds, pressure = quantities.duration, quantities.pressure
    name = before.name if before and "name" not in texts else texts.text("name", required=True)
    origin = before.origin if before and "origin" not in texts else _origin(texts)
    breaks = before.breaks if before and "breaks" not in texts else texts.whole("breaks", 0)

    def stored(field: str) -> float | None:
        return None if before is None else getattr(before, field)

    figures = {
        "target_pa": part("target", pressure, stored("target_pa"), None, required=True),
        "dwell_s": part("dwell", seconds, stored("dwell_s"), 60.0),
        "hold_s": part("hold", seconds, stored("hold_s"), None, required=True),
        "settle_s": part("settle", seconds, stored("settle_s"), 120.0),
        "limit_pa": part("limit", pressure, stored("limit_pa"), None),
        "rise_pa": part("rise", pressure, stored("rise_pa"), None),
        "persistence_s": part("persistence", seconds, stored("persistence_s"), 60.0),
        "filter_s": part("median", seconds, stored("filter_s"), 60.0),
        "patience_s": part("patience", seconds, stored("patience_s"), 86_400.0),
    }
    texts.done()
    try:
        made = Procedure(name=name, origin=origin, breaks=breaks, **figures)  # type: ignore[arg-type]
        return made.checked()
    except BadFields as error:
        raise BadFields(
            {_COLUMN_OF.get(field, field): text for field, text in error.errors.items()}
        ) from error
    except BadInput as error:
        column = _COLUMN_OF.get(error.field or "", error.field or "limit")
        raise BadFields({column: str(error)}) from error


def write_procedure(what: Procedure, unit: str = "micron", decimal: str = ".") -> dict[str, str]:
    """The record of a procedure, pressures in that unit, with that decimal sign."""
    return {
        "name": what.name,
        "target": quantities.write_pressure(what.target_pa, unit, decimal),
        "dwell": quantities.write_duration(what.dwell_s, decimal),
        "hold": quantities.write_duration(what.hold_s, decimal),
        "settle": quantities.write_duration(what.settle_s, decimal),
        "limit": quantities.write_pressure(what.limit_pa, unit, decimal),
        "rise": quantities.write_pressure(what.rise_pa, unit, decimal),
        "persistence": quantities.write_duration(what.persistence_s, decimal),
        "median": quantities.write_duration(what.filter_s, decimal),
        "breaks": str(what.breaks),
        "patience": quantities.write_duration(what.patience_s, decimal),
        "origin": what.origin,
    }


def _origin(texts: Texts) -> str:
    if not texts.raw("origin"):
        texts.errors.setdefault("origin", NEEDS_ORIGIN)
    return texts.text("origin", longest=LONGEST_WORDS)


def _unit(text: str, field: str) -> str:
    try:
        return pressure_unit(text)
    except ValueError as error:
        raise BadInput(f"{error}.", field=field) from error


def _all_errors(texts: Texts, check: Callable[[], T]) -> T:
    """The checked value; what could not be read and what cannot be are told together."""
    try:
        result = check()
    except BadFields as error:
        raise BadFields({**error.errors, **texts.errors}) from error
    texts.done()
    return result

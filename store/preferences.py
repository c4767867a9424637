"""How each person reads figures: units, locale, steps or exact. It never touches what is stored."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields, replace
from typing import Any

from model.errors import BadInput
from store.database import Connection

PRESSURE = ("micron", "Pa", "hPa", "mbar", "Torr", "kPa")
TEMPERATURE = ("°C", "°F")
VOLUME = ("L", "ft³")

_SPELLINGS = {
    "pressure_unit": {unit.casefold(): unit for unit in PRESSURE},
    "beside_unit": {unit.casefold(): unit for unit in PRESSURE},
    "temperature_unit": {"°c": "°C", "c": "°C", "cel": "°C", "°f": "°F", "f": "°F"},
    "volume_unit": {"l": "L", "litre": "L", "liter": "L", "ft³": "ft³", "ft3": "ft³"},
}


@dataclass(frozen=True, slots=True)
class Preferences:
    """What a person chose.

    Parameters
    ----------
    pressure_unit : str
        One of `PRESSURE`.
    beside_unit : str or None
        A second unit of pressure, shown beside the first.
    temperature_unit, volume_unit : str
        One of `TEMPERATURE`, `VOLUME`.
    locale : str or None
        BCP 47 tag or ``si``; None: what the browser asks for.
    exact : bool
        Figures as stored instead of in steps.
    chosen : bool
        False: these are what everybody begins with.
    """

    pressure_unit: str = "micron"
    beside_unit: str | None = "Pa"
    temperature_unit: str = "°C"
    volume_unit: str = "L"
    locale: str | None = None
    exact: bool = False
    chosen: bool = False

    def changed(self, changes: Mapping[str, Any]) -> Preferences:
        """With some of them changed.

        Raises
        ------
        BadInput
            For a unit that cannot be chosen; its ``field`` names which.
        """
        read = {name: _read(name, value) for name, value in changes.items()}
        if not self.chosen and "pressure_unit" in read:
            # The pair that everybody begins with goes together.
            read.setdefault("beside_unit", None)
        after = replace(self, **read, chosen=True)
        # The same figure twice says nothing.
        return replace(after, beside_unit=None) if after.beside_unit == after.pressure_unit else after


NONE_CHOSEN = Preferences()
COLUMNS = tuple(field.name for field in fields(Preferences) if field.name != "chosen")


def _read(name: str, value: Any) -> Any:
    known = _SPELLINGS.get(name)
    if known is None or (value is None and name == "beside_unit"):
        return value
    found = known.get(str(value).strip().casefold())
    if found is None:
        choice = ", ".join(dict.fromkeys(known.values()))
        raise BadInput(f"{str(value)[:40]!r} cannot be chosen; choose one of {choice}.", field=name)
    return found


def of(conn: Connection, person_id: int) -> Preferences:
    """What a person chose, or what everybody begins with."""
    row = conn.execute(
        f"SELECT {', '.join(COLUMNS)} FROM preference WHERE person_id = %s",  # noqa: S608 - our own names
        (person_id,),
    ).fetchone()
    return NONE_CHOSEN if row is None else Preferences(**row, chosen=True)


def keep(conn: Connection, person_id: int, chosen: Preferences) -> None:
    """Store what a person chose."""
    names = ", ".join(COLUMNS)
    values = ", ".join(f"%({name})s" for name in COLUMNS)
    updates = ", ".join(f"{name} = excluded.{name}" for name in COLUMNS)
    conn.execute(
        f"INSERT INTO preference (person_id, {names}) VALUES (%(person)s, {values}) "  # noqa: S608 - as above
        f"ON CONFLICT (person_id) DO UPDATE SET {updates}",
        {**asdict(chosen), "person": person_id},
    )

"""What the company puts on what it hands out: its name, and the units and paper of its records."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

from model.errors import BadInput
from model.texts import LONGEST_WORDS, check_text
from store import audit
from store.audit import By
from store.database import Connection
from store.preferences import Preferences

PAPERS = ("a4", "letter")
LINES = 5


@dataclass(frozen=True, slots=True)
class Company:
    """Name and address as they stand on a record, its units, and its paper.

    Parameters
    ----------
    address : str
        Lines.
    pressure_unit, temperature_unit, volume_unit, locale : str
        As in `Preferences`.
    paper : str
        One of `PAPERS`.
    """

    name: str = ""
    address: str = ""
    pressure_unit: str = "micron"
    temperature_unit: str = "°C"
    volume_unit: str = "L"
    locale: str = "si"
    paper: str = "a4"

    @property
    def preferences(self) -> Preferences:
        """How its records write figures: pascals beside another unit, which every inspector can read."""
        return Preferences(
            self.pressure_unit,
            None if self.pressure_unit == "Pa" else "Pa",
            self.temperature_unit,
            self.volume_unit,
            self.locale,
            chosen=True,
        )

    def checked(self) -> Company:
        """This, with units spelt as usual; raises `BadInput` with the field."""
        name = check_text(self.name, "name")
        address = "\n".join(
            line.strip() for line in check_text(self.address, "address", longest=LONGEST_WORDS).splitlines()
        )
        if len(address.splitlines()) > LINES:
            raise BadInput(f"An address has {LINES} lines at most.", field="address")
        if self.paper not in PAPERS:
            raise BadInput("The paper is a4 or letter.", field="paper")
        units = {one: getattr(self, one) for one in ("pressure_unit", "temperature_unit", "volume_unit")}
        chosen = Preferences().changed(units)
        return replace(
            self,
            name=name,
            address=address,
            pressure_unit=chosen.pressure_unit,
            temperature_unit=chosen.temperature_unit,
            volume_unit=chosen.volume_unit,
        )


COLUMNS = tuple(field.name for field in fields(Company))


def of(conn: Connection) -> Company:
    """What was written down, else what everybody begins with."""
    row = conn.execute(f"SELECT {', '.join(COLUMNS)} FROM company").fetchone()  # noqa: S608 - our own names
    return Company() if row is None else Company(**row)


def keep(conn: Connection, wanted: Company, by: By) -> Company:
    """Write it down; raises `BadInput`. What was handed out before stays as it is."""
    wanted = wanted.checked()
    before = of(conn)
    values = ", ".join(f"%({name})s" for name in COLUMNS)
    updates = ", ".join(f"{name} = excluded.{name}" for name in COLUMNS)
    conn.execute(
        f"INSERT INTO company ({', '.join(COLUMNS)}) VALUES ({values}) "  # noqa: S608 - as above
        f"ON CONFLICT (one) DO UPDATE SET {updates}",
        audit.of(wanted),
    )
    if wanted != before:
        audit.write(conn, by, "change-company", "company", audit.of(before), audit.of(wanted))
    return wanted

"""Many at once from a table (CSV): all or nothing, with a dry run that goes through the very same checks.

A row is known by its key (a site by its name, an instrument by gateway and name, …): a new key makes
something, a known one changes what its columns say, and a column that is missing leaves what there is.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from enum import StrEnum

from model import quantities, records
from model.equipment import Circuit, Site, check_name
from model.errors import BadFields, BadInput
from model.texts import LONGEST_WORDS, Texts
from physics.refrigerants import NOT_LISTED, listed
from store import audit, changing, equipment, procedures
from store.audit import By
from store.database import Connection

MOST_ROWS = 5_000
MOST_BYTES = 2_000_000


class Fate(StrEnum):
    """What became, or would become, of a row."""

    MADE = "made"
    CHANGED = "changed"
    LEFT = "left"


@dataclass(frozen=True, slots=True)
class Row:
    """A row that can be used.

    Parameters
    ----------
    line : int
        Its line in the file, the header being line 1.
    name : str
        What it is about.
    changes : dict
        Before and after of what changes, by column.
    password : str or None
        The password of a gateway that was made, shown this once; None in a dry run.
    remark : str
        A sentence on what can be used and yet is worth a look.
    """

    line: int
    name: str
    fate: Fate
    changes: dict[str, tuple[str, str]]
    password: str | None = None
    remark: str = ""


@dataclass(frozen=True, slots=True)
class BadCell:
    """What is wrong with a cell, in a sentence; an empty column means the whole row or file."""

    line: int
    column: str
    text: str

    def __str__(self) -> str:
        where = f"line {self.line}" + (f", {self.column}" if self.column else "")
        return f"{where}: {self.text}"


@dataclass(frozen=True, slots=True)
class Outcome:
    """What an import did, or a dry run would have done; with a bad cell nothing was done."""

    kind: str
    rows: tuple[Row, ...]
    bad: tuple[BadCell, ...]
    applied: bool

    def count(self, fate: Fate) -> int:
        """How many rows met this fate."""
        return sum(row.fate == fate for row in self.rows)

    def passwords_csv(self) -> str:
        """Gateways and their new passwords, as a table to keep safe."""
        out = io.StringIO()
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(("gateway", "password"))
        writer.writerows((row.name, row.password) for row in self.rows if row.password)
        return out.getvalue()


@dataclass(frozen=True, slots=True)
class Kind:
    """A sort of thing that a table can hold.

    Parameters
    ----------
    columns : tuple of str
        All columns; `needed` are those that every table has.
    key : callable
        What a row is about, for finding it twice in one table.
    apply : callable
        Makes or changes the thing of a row.
    example : str
        A table to begin with.
    """

    columns: tuple[str, ...]
    needed: tuple[str, ...]
    apply: Callable[[Connection, Texts, By], Row]
    example: str


class _Undone(Exception):
    """Ends the attempt without a trace."""


def run(conn: Connection, kind: str, text: str, by: By, *, dry_run: bool) -> Outcome:
    """Import a table in the caller's transaction.

    Returns
    -------
    Outcome
        With ``applied`` only if there was no bad cell and it was no dry run; else nothing has changed.

    Raises
    ------
    BadInput
        If the text is no table of this kind at all.
    """
    return run_kind(conn, kind, KINDS[kind], text, by, dry_run=dry_run)


def run_kind(conn: Connection, kind: str, what: Kind, text: str, by: By, *, dry_run: bool) -> Outcome:
    """`run` for a kind that is not set up, but comes from elsewhere."""
    lines = read_table(text, what)
    rows: list[Row] = []
    bad: list[BadCell] = []
    seen: dict[str, int] = {}
    try:
        with conn.transaction():
            for line, values, trouble in lines:
                if trouble:
                    bad.append(trouble)
                    continue
                key = _key(kind, values)
                if key in seen:
                    bad.append(BadCell(line, what.needed[-1], f"Line {seen[key]} is about the same."))
                    continue
                seen[key] = line
                try:
                    with conn.transaction():
                        rows.append(replace(what.apply(conn, Texts(values), by), line=line))
                except BadFields as error:
                    bad += [BadCell(line, column, words) for column, words in error.errors.items()]
                except BadInput as error:
                    column = error.field if error.field in what.columns else ""
                    bad.append(BadCell(line, column or "", str(error)))
            if bad or dry_run:
                raise _Undone
    except _Undone:
        return Outcome(kind, tuple(replace(row, password=None) for row in rows), tuple(bad), applied=False)
    return Outcome(kind, tuple(rows), (), applied=True)


def read_table(text: str, what: Kind) -> list[tuple[int, dict[str, str], BadCell | None]]:
    """The rows by line number; raises `BadInput` if the header cannot be used."""
    if len(text) > MOST_BYTES:
        raise BadInput(f"The table is larger than {MOST_BYTES // 1_000_000} MB: split it.", field="file")
    if "\0" in text:
        raise BadInput("This is no text: it holds a character zero.", field="file")
    text = text.removeprefix("\ufeff")
    first = text.split("\n", 1)[0]
    delimiter = max(",;\t", key=first.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    result: list[tuple[int, dict[str, str], BadCell | None]] = []
    header: list[str] = []
    try:
        for cells in reader:
            if not any(cell.strip() for cell in cells):
                continue
            if not header:
                header = _header(cells, what)
                continue
            if len(result) >= MOST_ROWS:
                raise BadInput(f"The table has more than {MOST_ROWS} rows: split it.", field="file")
            trouble = None
            if len(cells) != len(header):
                trouble = BadCell(
                    reader.line_num, "", f"The row has {len(cells)} cells, the header has {len(header)}."
                )
            result.append((reader.line_num, dict(zip(header, cells, strict=False)), trouble))
    except csv.Error as error:
        raise BadInput(f"Line {reader.line_num} cannot be read as CSV: {error}.", field="file") from error
    if not header:
        raise BadInput(f"The table is empty; its header is {','.join(what.columns)}.", field="file")
    if not result:
        raise BadInput("The table has a header and no rows.", field="file")
    return result


def _header(cells: list[str], what: Kind) -> list[str]:
    header = [cell.strip().casefold().replace(" ", "_") for cell in cells]
    known = ", ".join(what.columns)
    for name in header:
        if name not in what.columns:
            raise BadInput(f"Line 1: there is no column {name!r}; the columns are {known}.", field="file")
        if header.count(name) > 1:
            raise BadInput(f"Line 1: the column {name!r} stands there twice.", field="file")
    missing = [name for name in what.needed if name not in header]
    if missing:
        raise BadInput(
            f"Line 1: the column {missing[0]!r} is missing; the columns are {known}.", field="file"
        )
    return header


_KEYS: Mapping[str, tuple[str, ...]] = {
    "circuit": ("site", "name"),
    "instrument": ("gateway", "name"),
    "job": ("site", "title", "start"),
}


def _key(kind: str, values: Mapping[str, str]) -> str:
    names = _KEYS.get(kind, ("name",))
    return "\0".join(values.get(name, "").strip() for name in names)


# One row of each kind ---------------------------------------------------------------------------------


def _row(
    name: str, before: Mapping[str, str] | None, after: Mapping[str, str], password: str | None = None
) -> Row:
    if before is None:
        return Row(0, name, Fate.MADE, {key: ("", value) for key, value in after.items() if value}, password)
    changes = {key: (before[key], after[key]) for key in after if before[key] != after[key]}
    return Row(0, name, Fate.CHANGED if changes else Fate.LEFT, changes, password)


def _site_record(site: Site) -> dict[str, str]:
    return {"time_zone": site.time_zone, "place": site.place}


def _site(conn: Connection, texts: Texts, by: By) -> Row:
    name = texts.text("name", required=True)
    place = texts.text("place", longest=LONGEST_WORDS)
    texts.done()
    found = conn.execute("SELECT * FROM site WHERE name = %s", (name,)).fetchone()
    if found is None:
        made = equipment.add_site(conn, name, texts.raw("time_zone"), place, by=by)
        return _row(name, None, _site_record(made))
    changes = {key: texts.raw(key) for key in ("time_zone", "place") if key in texts}
    after = changing.change_site(conn, found["id"], by, **changes)
    return _row(name, _site_record(equipment.site_from_row(found)), _site_record(after))


def _circuit_record(circuit: Circuit) -> dict[str, str]:
    return {
        "volume": quantities.write_volume(circuit.volume_m3),
        "refrigerant": circuit.refrigerant or "",
        "oil": circuit.oil or "",
    }


def _circuit(conn: Connection, texts: Texts, by: By) -> Row:
    name = texts.text("name", required=True)
    volume = texts.read("volume", quantities.volume)
    words = {key: texts.text(key) or None for key in ("refrigerant", "oil") if key in texts}
    site_name = texts.text("site", required=True)
    texts.done()
    site = equipment.site_named(conn, site_name)
    found = conn.execute("SELECT * FROM circuit WHERE site_id = %s AND name = %s", (site.id, name)).fetchone()
    label = f"{name} at {site.name}"
    if found is None:
        made = equipment.add_circuit(conn, site.id, name, volume, **words, by=by)
        return _remarked(_row(label, None, _circuit_record(made)), made)
    changes: dict[str, object] = dict(words)
    if "volume" in texts:
        changes["volume_m3"] = records.kept(volume, found["volume_m3"])
    after = changing.change_circuit(conn, found["id"], by, **changes)
    row = _row(label, _circuit_record(equipment.circuit_from_row(found)), _circuit_record(after))
    return _remarked(row, after)


def _remarked(row: Row, circuit: Circuit) -> Row:
    if circuit.refrigerant and not listed(circuit.refrigerant):
        return replace(row, remark=f"{circuit.refrigerant} {NOT_LISTED}.")
    return row


def _crew(conn: Connection, texts: Texts, by: By) -> Row:
    name = texts.text("name", required=True)
    texts.done()
    if conn.execute("SELECT 1 FROM crew WHERE name = %s", (name,)).fetchone():
        return _row(name, {}, {})
    equipment.add_crew(conn, name, by=by)
    return _row(name, None, {})


def _gateway(conn: Connection, texts: Texts, by: By) -> Row:
    name = texts.text("name", required=True)
    site_name = texts.text("site", required=True)
    texts.done()
    check_name(name, "gateway")
    site = equipment.site_named(conn, site_name)
    found = conn.execute(
        "SELECT g.id, g.site_id, s.name AS site FROM gateway g "
        "JOIN site s ON s.id = g.site_id WHERE g.name = %s",
        (name,),
    ).fetchone()
    if found is None:
        _, login = equipment.register_gateway(conn, name, site.id, by.at, by=by)
        return _row(name, None, {"site": site.name}, login.secret)
    if found["site_id"] != site.id:
        changing.move_gateway(conn, found["id"], by, site.id)
    return _row(name, {"site": found["site"]}, {"site": site.name})


def _instrument(conn: Connection, texts: Texts, by: By) -> Row:
    name = texts.text("name", required=True)
    owner = texts.text("gateway", required=True)
    if texts.errors:
        texts.done()
    check_name(name, "instrument")
    gateway = equipment.gateway_named(conn, owner)
    found = conn.execute(
        "SELECT * FROM instrument WHERE gateway_id = %s AND name = %s", (gateway.id, name)
    ).fetchone()
    label = f"{owner}/{name}"
    if found is None:
        wanted = records.read_properties(texts)
        equipment.register_instrument(conn, gateway.id, name, wanted, by=by)
        return _row(label, None, records.write_properties(wanted))
    before = changing.properties_of(equipment.instrument_from_row(found))
    wanted = records.read_properties(texts, before)
    if wanted != before:
        changing.change_instrument(conn, found["id"], by, wanted)
    return _row(label, records.write_properties(before), records.write_properties(wanted))


def _procedure(conn: Connection, texts: Texts, by: By) -> Row:
    name = texts.raw("name")
    found = conn.execute(
        "SELECT * FROM procedure WHERE name = %s ORDER BY version DESC LIMIT 1", (name,)
    ).fetchone()
    before = None if found is None else procedures.from_row(found)
    wanted = records.read_procedure(texts, before)
    if before is None:
        procedures.add(conn, wanted, by=by)
        return _row(name, None, records.write_procedure(wanted))
    if audit.of(replace(wanted, id=before.id, version=before.version)) != audit.of(before):
        procedures.add(conn, wanted, by=by)
    return _row(name, records.write_procedure(before), records.write_procedure(wanted))


KINDS: Mapping[str, Kind] = {
    "site": Kind(
        records.SITE,
        ("name",),
        _site,
        "name,time_zone,place\nHarbour cold store,Europe/Berlin,Quay 4\n",
    ),
    "circuit": Kind(
        records.CIRCUIT,
        ("site", "name"),
        _circuit,
        "site,name,volume,refrigerant,oil\nHarbour cold store,Rack 2,38 l,R-448A,POE 32\n",
    ),
    "crew": Kind(records.CREW, ("name",), _crew, "name\nCrew North\n"),
    "gateway": Kind(records.GATEWAY, ("name", "site"), _gateway, "name,site\nvan-7,Harbour cold store\n"),
    "instrument": Kind(
        records.INSTRUMENT,
        ("gateway", "name"),
        _instrument,
        "gateway,name,role,position,principle,unit,range_low,range_high,accuracy,interval,serial\n"
        "van-7,g1,gauge,circuit,thermistor,micron,1 micron,25000 micron,10 %,10 s,A-1044\n",
    ),
    "procedure": Kind(
        records.PROCEDURE,
        ("name",),
        _procedure,
        "name,target,dwell,hold,settle,limit,origin\n"
        "Cold rooms,300 micron,5 min,1 h,2 min,500 micron,Own practice since last year\n",
    ),
}

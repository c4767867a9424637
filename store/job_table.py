"""Planned jobs from a table: all or nothing, with a dry run that goes through the very same checks."""

from __future__ import annotations

from dataclasses import replace

from model import moments, quantities
from model.errors import BadFields, BadInput
from model.texts import LONGEST_WORDS, Texts
from store import bulk, equipment, job_changes, procedures
from store.acting import Act, Actor
from store.audit import By
from store.bulk import Fate, Kind, Outcome, Row
from store.database import Connection
from store.job_changes import Details, Serving

COLUMNS = (
    "title",
    "site",
    "circuit",
    "crew",
    "procedure",
    "start",
    "instruments",
    "note",
    "pump",
    "ultimate",
    "hose",
)
NEEDED = ("title", "site", "start")
EXAMPLE = (
    "title,site,circuit,crew,procedure,start,instruments,note,hose\n"
    "Evacuate rack 2,Harbour cold store,Rack 2,Crew North,,2026-11-24 18:30,van-7/g1 van-7/v1,,"
    "10 mm x 1.5 m\n"
)


def run(
    conn: Connection, text: str, actor: Actor, *, dry_run: bool, take_over: bool = False
) -> tuple[Outcome, dict[int, int]]:
    """Open planned jobs, one a row, in the caller's transaction.

    ``start`` is the time at the site unless it has an offset. ``instruments`` are gateway/name, with spaces
    between; the first gauge decides. ``pump`` and ``ultimate`` are of a pump that is not among them.

    Returns
    -------
    Outcome, dict
        With bad cells nothing has changed; the numbers of the jobs made, by line.
    """
    act = Act(conn, actor)
    made: list[int] = []

    def apply(conn: Connection, texts: Texts, by: By) -> Row:
        row, number = _open(act, texts, take_over=take_over)
        made.append(number)
        return row

    outcome = bulk.run_kind(
        conn, "job", Kind(COLUMNS, NEEDED, apply, EXAMPLE), text, actor.by, dry_run=dry_run
    )
    if not outcome.applied:
        return outcome, {}
    act.done(f"assignment corrected by {actor.name}")
    return outcome, {row.line: number for row, number in zip(outcome.rows, made, strict=True)}


def _open(act: Act, texts: Texts, *, take_over: bool) -> tuple[Row, int]:
    conn = act.conn
    title = texts.text("title", longest=200, required=True)
    note = texts.text("note", longest=LONGEST_WORDS)
    site_name = texts.text("site", required=True)
    if not texts.raw("start"):
        texts.errors.setdefault("start", "This is needed.")
    if "site" in texts.errors:
        texts.done()
    site = equipment.site_named(conn, site_name)
    opened_us = texts.read("start", lambda text, field: moments.parse(text, site.time_zone, field))
    procedure = texts.read("procedure", lambda text, _: procedures.named(conn, text))
    circuits = {circuit.name: circuit.id for circuit in equipment.circuits(conn, site.id)}
    circuit_id = texts.read("circuit", lambda text, field: _named(circuits, text, field, f" at {site.name}"))
    crews = {crew.name: crew.id for crew in equipment.crews(conn)}
    crew_id = texts.read("crew", lambda text, field: _named(crews, text, field))
    servings = texts.read("instruments", lambda text, field: _servings(conn, text, field))
    pump_m3_s = texts.read("pump", quantities.flow)
    ultimate_pa = texts.read("ultimate", quantities.pressure)
    hose_m = texts.read("hose", quantities.hose)
    texts.done()
    assert opened_us is not None
    given = Details(
        title,
        site.id,
        (procedure or procedures.default(conn)).id,
        opened_us,
        circuit_id,
        crew_id,
        note,
        pump_m3_s,
        ultimate_pa,
        *(hose_m or (None, None)),
    )
    try:
        job = job_changes.open_job(conn, given, servings or [], act.actor, take_over=take_over, act=act)
    except BadFields:
        raise
    except BadInput as error:
        raise BadFields({_COLUMN.get(error.field or "", error.field or "title"): str(error)}) from error
    return Row(0, job.title, Fate.MADE, {}), job.id


_COLUMN = {"instrument": "instruments", "deciding": "instruments", "since": "start", "circuit_id": "circuit"}


def _named(known: dict[str, int], text: str, field: str, where: str = "") -> int:
    if text not in known:
        raise BadInput(f"There is no {field} {text!r}{where}.", field=field)
    return known[text]


def _servings(conn: Connection, text: str, field: str) -> list[Serving]:
    found = []
    for path in text.split():
        try:
            found.append(equipment.instrument_named(conn, path))
        except BadInput as error:
            raise BadInput(str(error), field=field) from error
    decides = next((one.id for one in found if one.role == "gauge" and one.position == "circuit"), None)
    return [replace(Serving(one.id), deciding=one.id == decides) for one in found]

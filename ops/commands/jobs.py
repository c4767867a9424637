"""``job``."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from model.equipment import Position
from model.errors import BadInput, NotFound
from model.job import JobState
from ops.commands.common import Json, clock, database
from ops.output import show, show_one

if TYPE_CHECKING:
    from store.acting import Actor
    from store.database import Connection

job = typer.Typer(help="Evacuation jobs and the instruments that serve them.", no_args_is_help=True)

Number = Annotated[int, typer.Argument(metavar="JOB", help="Number of the job.", show_default=False)]
AT_SITE = "Time at the site, such as '2026-11-24 18:30', or ISO 8601."
Moment = Annotated[str | None, typer.Option(help=AT_SITE)]
Side = Annotated[
    Position | None, typer.Option(help="On which side of the valve the gauge sat; else as it is registered.")
]
TakeOver = Annotated[bool, typer.Option("--take-over", help="Another job gives the span up, if need be.")]
ToRule = Annotated[
    bool, typer.Option("--to-rule", help="Readings that no job has any more may open walk-up jobs.")
]
Note = Annotated[str, typer.Option(help="A word about why.")]

Pump = Annotated[
    str | None,
    typer.Option(help="Pumping speed of a pump that is not registered: '6 cfm'; '' takes it away."),
]
Ultimate = Annotated[str | None, typer.Option(help="Its ultimate pressure: '15 micron'; '' takes it away.")]
Hose = Annotated[
    str | None, typer.Option(help="Bore and length of the hose: '10 mm x 1.5 m'; '' takes it away.")
]

WHO = "the command line"
COLUMNS = ("id", "title", "state", "site", "circuit", "crew", "procedure", "opened_at", "closed_at")


def _actor() -> Actor:
    from store.acting import Actor

    return Actor(WHO, clock().now_us())


def _row(connection: Connection, number: int) -> dict[str, Any]:
    from store.lists import JOBS

    found = JOBS.one(connection, {"site": None, "state": None}, number)
    if found is None:
        raise NotFound(f"There is no job {number}.")
    return found


def _print(connection: Connection, number: int, *, as_json: bool) -> None:
    from store import lists

    row = _row(connection, number)
    serving = lists.serving(connection, number)
    if as_json:
        show_one({**row, "assignments": serving}, as_json=True)
        return
    show_one(row, as_json=False)
    if serving:
        print()
        columns = ("assignment_id", "gateway", "name", "role", "since", "until", "deciding")
        show([{key: one[key] for key in columns} for one in serving], as_json=False)


def _moment(text: str | None, zone: str, option: str) -> int | None:
    from model.moments import parse

    return None if text is None else parse(text, zone, option)


@job.command("add")
def add_job(
    title: Annotated[str, typer.Argument(show_default=False)],
    site: Annotated[str, typer.Option(help="Name or number of its site.")],
    start: Moment = None,
    circuit: Annotated[str | None, typer.Option(help="Name of a circuit of the site.")] = None,
    crew: Annotated[str | None, typer.Option(help="Name of a crew.")] = None,
    procedure: Annotated[str | None, typer.Option(help="Name or number; the default one without.")] = None,
    instrument: Annotated[
        list[str] | None,
        typer.Option(metavar="GATEWAY/NAME", help="Serves it; several may. The first decides, if a gauge."),
    ] = None,
    running: Annotated[bool, typer.Option("--running", help="Under way since its start.")] = False,
    note: Note = "",
    pump: Pump = None,
    ultimate: Ultimate = None,
    hose: Hose = None,
    take_over: TakeOver = False,
    json: Json = False,
) -> None:
    """Open a job."""
    from store import equipment, job_changes, procedures
    from store.job_changes import Details, Serving

    with database() as connection:
        where = equipment.site_named(connection, site)
        actor = _actor()
        opened_us = _moment(start, where.time_zone, "--start")
        circuits = {one.name: one.id for one in equipment.circuits(connection, where.id)}
        crews = {one.name: one.id for one in equipment.crews(connection)}
        chosen = procedures.named(connection, procedure) if procedure else procedures.default(connection)
        found = [equipment.instrument_named(connection, path) for path in instrument or []]
        made = job_changes.open_job(
            connection,
            Details(
                title,
                where.id,
                chosen.id,
                actor.at_us if opened_us is None else opened_us,
                _named(circuits, circuit, "circuit"),
                _named(crews, crew, "crew"),
                note,
                **_rig(pump, ultimate, hose),
            ),
            [Serving(one.id, deciding=n == 0 and one.role == "gauge") for n, one in enumerate(found)],
            actor,
            state=JobState.RUNNING if running else JobState.PLANNED,
            take_over=take_over,
        )
        _print(connection, made.id, as_json=json)


def _rig(pump: str | None, ultimate: str | None, hose: str | None) -> dict[str, float | None]:
    """Of pump and hose what was given, as it is stored."""
    from ops import quantities

    given: dict[str, float | None] = {}
    if pump is not None:
        given["pump_m3_s"] = quantities.flow(pump, "--pump") if pump else None
    if ultimate is not None:
        given["ultimate_pa"] = quantities.pressure(ultimate, "--ultimate") if ultimate else None
    if hose is not None:
        given["hose_bore_m"], given["hose_length_m"] = (
            quantities.hose(hose, "--hose") if hose else (None, None)
        )
    return given


def _named(known: dict[str, int], name: str | None, what: str) -> int | None:
    if name is None:
        return None
    if name not in known:
        raise BadInput(f"There is no {what} {name!r}.", field=what)
    return known[name]


@job.command("list")
def list_jobs(
    state: Annotated[JobState | None, typer.Option(help="Only those in this state.")] = None,
    site: Annotated[str | None, typer.Option(help="Only those at this site.")] = None,
    limit: Annotated[int, typer.Option(min=1, max=10_000, help="The newest so many.")] = 100,
    json: Json = False,
) -> None:
    """Jobs, the newest first."""
    from store import equipment
    from store.lists import JOBS

    with database() as connection:
        number = None if site is None else equipment.site_named(connection, site).id
        rows = JOBS.page(connection, {"site": number, "state": state}, None, limit)
    show(rows if json else [{key: row[key] for key in COLUMNS} for row in rows], as_json=json)


@job.command("show")
def show_job(number: Number, json: Json = False) -> None:
    """One job with the instruments that served it."""
    with database() as connection:
        _print(connection, number, as_json=json)


@job.command("change")
def change_job(
    number: Number,
    title: Annotated[str | None, typer.Option(help="Its name.")] = None,
    circuit: Annotated[str | None, typer.Option(help="Name of a circuit of the site.")] = None,
    crew: Annotated[str | None, typer.Option(help="Name of a crew.")] = None,
    procedure: Annotated[str | None, typer.Option(help="Name or number.")] = None,
    start: Moment = None,
    note: Annotated[str | None, typer.Option(help="A note.")] = None,
    pump: Pump = None,
    ultimate: Ultimate = None,
    hose: Hose = None,
    json: Json = False,
) -> None:
    """Name a job, or write down other facts of it; another procedure or circuit judges it anew."""
    from store import equipment, job_changes, jobs, procedures

    with database() as connection:
        row = _row(connection, number)
        wanted = job_changes.details(jobs.by_id(connection, number))
        circuits = {one.name: one.id for one in equipment.circuits(connection, row["site_id"])}
        crews = {one.name: one.id for one in equipment.crews(connection)}
        opened_us = _moment(start, row["time_zone"], "--start")
        given: dict[str, Any] = {
            "title": title,
            "circuit_id": _named(circuits, circuit, "circuit"),
            "crew_id": _named(crews, crew, "crew"),
            "procedure_id": None if procedure is None else procedures.named(connection, procedure).id,
            "opened_us": opened_us,
            "note": note,
        }
        given = {key: value for key, value in given.items() if value is not None}
        given |= _rig(pump, ultimate, hose)
        job_changes.change(connection, number, replace(wanted, **given), _actor())
        _print(connection, number, as_json=json)


@job.command("assign")
def assign(
    number: Number,
    path: Annotated[str, typer.Argument(metavar="GATEWAY/NAME", show_default=False)],
    since: Annotated[str, typer.Option(help=AT_SITE)],
    until: Moment = None,
    deciding: Annotated[bool, typer.Option("--deciding", help="Its pressure decides.")] = False,
    side: Side = None,
    take_over: TakeOver = False,
    json: Json = False,
) -> None:
    """Let an instrument serve a job in a span, also of the past; the job is judged anew."""
    from model.moments import parse
    from store import assignments, equipment
    from store.assignments import Wish

    with database() as connection:
        zone = _row(connection, number)["time_zone"]
        found = equipment.instrument_named(connection, path)
        wish = Wish(
            number, found.id, parse(since, zone, "--since"), _moment(until, zone, "--until"), deciding, side
        )
        assignments.assign(connection, wish, _actor(), take_over=take_over)
        _print(connection, number, as_json=json)


@job.command("correct")
def correct(
    assignment: Annotated[int, typer.Argument(help="Number of the assignment.", show_default=False)],
    since: Moment = None,
    until: Annotated[str | None, typer.Option(help="As --since; 'open' for: it still serves.")] = None,
    to_job: Annotated[int | None, typer.Option("--job", help="It served this other job.")] = None,
    path: Annotated[
        str | None, typer.Option("--instrument", metavar="GATEWAY/NAME", help="It was this other one.")
    ] = None,
    deciding: Annotated[
        bool | None, typer.Option("--deciding/--not-deciding", help="Whether its pressure decides.")
    ] = None,
    side: Side = None,
    remove: Annotated[bool, typer.Option("--remove", help="It did not serve the job at all.")] = False,
    take_over: TakeOver = False,
    to_rule: ToRule = False,
    json: Json = False,
) -> None:
    """Say afterwards how an assignment was, also of a closed job: all that it touches is judged anew."""
    from model.clock import to_us
    from store import assignments, equipment
    from store.assignments import Wish

    with database() as connection:
        old = assignments.by_id(connection, assignment)
        assert old.job_id is not None
        if remove:
            assignments.remove(connection, assignment, _actor(), to_rule=to_rule)
            _print(connection, old.job_id, as_json=json)
            return
        since_us = _moment(since, old.time_zone, "--since")
        until_us = None if old.until is None else to_us(old.until)
        if until is not None:
            until_us = None if until == "open" else _moment(until, old.time_zone, "--until")
        wish = Wish(
            old.job_id if to_job is None else to_job,
            old.instrument_id if path is None else equipment.instrument_named(connection, path).id,
            to_us(old.since) if since_us is None else since_us,
            until_us,
            old.deciding if deciding is None else deciding,
            old.side if side is None else side,
        )
        assignments.correct(connection, assignment, wish, _actor(), take_over=take_over, to_rule=to_rule)
        _print(connection, wish.job_id, as_json=json)


@job.command("merge")
def merge(
    number: Number,
    other: Annotated[int, typer.Argument(help="The job that is the same one; it is emptied and closed.")],
    json: Json = False,
) -> None:
    """Take another job of the same site in and judge the whole anew; correct the assignments to undo it."""
    from store import merging

    with database() as connection:
        merging.merge(connection, other, number, _actor())
        _print(connection, number, as_json=json)


@job.command("close")
def close(number: Number, note: Note = "", at: Moment = None, json: Json = False) -> None:
    """Close a job; its instruments are free from then on."""
    from store import job_changes

    with database() as connection:
        at_us = _moment(at, _row(connection, number)["time_zone"], "--at")
        job_changes.close(connection, number, _actor(), note=note, at_us=at_us)
        _print(connection, number, as_json=json)


@job.command("reopen")
def reopen(number: Number, note: Note = "", json: Json = False) -> None:
    """Open a closed job again; only a person closes it then."""
    from store import job_changes

    with database() as connection:
        job_changes.reopen(connection, number, _actor(), note=note)
        _print(connection, number, as_json=json)


@job.command("import")
def import_jobs(
    file: Annotated[Path, typer.Argument(help="CSV with a header.", show_default=False)],
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Only say what would become of it.")] = False,
    json: Json = False,
) -> None:
    """Open planned jobs from a table, all or nothing.

    Its columns: title, site, circuit, crew, procedure, start (time at the site), instruments (GATEWAY/NAME
    with spaces between; the first gauge decides), note, pump, ultimate, hose.
    """
    from store import job_table

    try:
        text = file.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise BadInput(f"{file} is not UTF-8: save the table as CSV UTF-8.") from error
    except OSError as error:
        raise BadInput(f"{file} cannot be read: {error.strerror}.") from error
    with database() as connection:
        outcome, numbers = job_table.run(connection, text, _actor(), dry_run=dry_run)
    if outcome.bad:
        raise BadInput("\n".join(str(cell) for cell in outcome.bad))
    rows = [{"line": row.line, "title": row.name, "job": numbers.get(row.line)} for row in outcome.rows]
    show(rows, as_json=json)

"""``record`` and ``verify``: signed records of evacuations."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from model.errors import BadInput, HoldfastError
from ops.commands.common import FAILED, Json, by, database
from ops.output import show

if TYPE_CHECKING:
    from api.records.signing import Checked, Signer
    from store.database import Connection

record = typer.Typer(
    help="Signed records of evacuations, for customers and inspectors.", no_args_is_help=True
)

WHO = "the command line"
COLUMNS = ("id", "job_id", "number", "title", "site", "made_at", "made_by", "digest", "key_id", "latest")


@record.command("list")
def list_records(
    job: Annotated[int | None, typer.Option(help="Of this job only.")] = None, json: Json = False
) -> None:
    """List records, the newest first."""
    from store.records import RECORDS

    with database() as conn:
        rows = RECORDS.page(conn, {"job": job}, None, 10_000)
    show(
        [{name: row[name] for name in COLUMNS} for row in rows],
        as_json=json,
        nothing="No record was made yet.",
    )


@record.command()
def make(
    jobs: Annotated[
        list[int] | None, typer.Argument(metavar="JOB...", help="Numbers of jobs.", show_default=False)
    ] = None,
    closed: Annotated[
        bool, typer.Option("--closed", help="All jobs that are closed and have no record yet.")
    ] = False,
    out: Annotated[
        Path | None, typer.Option(metavar="FOLDER", help="Write page and signed file of each there.")
    ] = None,
    paper: Annotated[str | None, typer.Option(help="a4 or letter; else what the company has chosen.")] = None,
    json: Json = False,
) -> None:
    """Make records of jobs as they are now; one that cannot be made is told, and the others are."""
    from rich.progress import Progress

    from store.company import PAPERS

    if paper not in (None, *PAPERS):
        raise BadInput("--paper is a4 or letter.", field="--paper")
    if out is not None:
        out.mkdir(parents=True, exist_ok=True)
    signer = _signer()
    made, failed = [], 0
    with database(autocommit=True) as conn:
        numbers = _closed(conn) if closed else list(dict.fromkeys(jobs or []))
        if not numbers and not closed:
            raise BadInput("Name jobs by their numbers, or say --closed.")
        with Progress(transient=True, disable=json) as progress:
            for number in progress.track(numbers, description="records"):
                try:
                    made.append(_one(conn, signer, number, out, paper))
                except HoldfastError as error:
                    failed += 1
                    progress.console.print(f"job {number}: {error}", highlight=False)
    show(made, as_json=json, nothing="There was nothing to make a record of.")
    if failed:
        raise typer.Exit(FAILED)


def verify(
    files: Annotated[list[Path], typer.Argument(metavar="FILE...", show_default=False)],
    key: Annotated[
        str | None,
        typer.Option(help="Name of the key that must have signed, as the company's own page shows it."),
    ] = None,
    json: Json = False,
) -> None:
    """Check files of records: is each as it was signed, with every reading? Needs no installation.

    Whose key it is no file can tell: compare it with the page of the company, or give it with --key.
    """
    from json import dumps

    bad = False
    for file in files:
        try:
            found = _checked(file)
        except BadInput as error:
            bad = True
            print(
                dumps({"file": str(file), "unaltered": False, "error": str(error)})
                if json
                else f"{file}: {error}"
            )
            continue
        as_asked = key is None or found.key_id == key
        bad |= not (found.unaltered and as_asked)
        if json:
            told = {"number": found.number, "digest": found.digest, "unaltered": found.unaltered}
            findings = [{"good": one.good, "text": one.text} for one in found.findings]
            told_key = {"key_id": found.key_id, "key_as_asked": as_asked if key else None}
            print(dumps({"file": str(file), **told, **told_key, "findings": findings}, ensure_ascii=False))
        else:
            _tell(file, found, as_asked=as_asked, key=key)
    if bad:
        raise typer.Exit(FAILED)


def _tell(file: Path, found: Checked, *, as_asked: bool, key: str | None) -> None:
    whole = "unaltered since it was signed" if found.unaltered else "ALTERED"
    print(f"{file}: record {found.number}, {whole}")
    for one in found.findings:
        print(f"  {'so    ' if one.good else 'NOT SO'}  {one.text}")
    if key is None:
        print(f"  Signed with key {found.key_id}: compare it with what the company says its key is.")
    else:
        print(f"  {'so    ' if as_asked else 'NOT SO'}  Signed with key {key}.")


def _checked(file: Path) -> Checked:
    from api.records import signing

    try:
        if file.stat().st_size > signing.LARGEST_FILE:
            raise BadInput("it is too large for a record.")
        return signing.check(file.read_bytes())
    except OSError as error:
        raise BadInput(f"it cannot be read: {error.strerror}.") from error


def _signer() -> Signer:
    from api.records.signing import Signer
    from api.routes.records import NO_KEY
    from ops.installation import read
    from ops.settings import load

    settings = load()
    installation = read(settings.data_dir)
    key = settings.record_key or (installation.record_key if installation else "")
    if not key:
        raise BadInput(NO_KEY)
    return Signer.read(key)


def _closed(conn: Connection) -> list[int]:
    rows = conn.execute(
        "SELECT id FROM job j WHERE state = 'closed' AND withdrawn_at IS NULL AND merged_into IS NULL "
        "AND NOT EXISTS (SELECT FROM record r WHERE r.job_id = j.id) ORDER BY id"
    )
    return [row["id"] for row in rows]


def _one(
    conn: Connection, signer: Signer, job: int, out: Path | None, paper: str | None
) -> dict[str, object]:
    from api.records import making
    from store import company, records

    with conn.transaction():
        number = making.make(conn, signer, job, WHO, by())
        made, kept = records.by_id(conn, number), company.of(conn)
    assert made is not None
    if out is not None:
        name = f"record-{made.job_id}-{made.number}"
        (out / f"{name}.json").write_bytes(making.file_of(made))
        (out / f"{name}.pdf").write_bytes(making.pdf_of(made, kept, paper or kept.paper, ""))
    return {"id": number, "job_id": made.job_id, "number": made.number, "digest": made.digest}

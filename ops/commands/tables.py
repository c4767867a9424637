"""``import``: many at once from a table, with a dry run."""

from __future__ import annotations

import json as json_module
import sys
from pathlib import Path
from typing import Annotated

import typer

from model.errors import BadInput
from ops.commands.common import FAILED, by, database
from ops.output import plain, show

Table = Annotated[Path, typer.Argument(metavar="FILE", help="CSV with a header.", show_default=False)]
DryRun = Annotated[bool, typer.Option("--dry-run", help="Only say what would become of each row.")]


def import_table(kind: str, file: Path, *, dry_run: bool, json: bool) -> None:
    """Import a table, or say what is wrong with it; passwords of new gateways are printed this once."""
    from store import bulk

    try:
        text = file.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise BadInput(f"{file} cannot be read: {error.strerror}.") from error
    except UnicodeDecodeError as error:
        raise BadInput(f"{file} is not UTF-8: save the table as CSV UTF-8.") from error
    with database() as connection:
        outcome = bulk.run(connection, kind, text, by(), dry_run=dry_run)
    if outcome.bad:
        for cell in outcome.bad:
            print(f"{file}: {cell}", file=sys.stderr)
        print("Nothing was changed.", file=sys.stderr)
        raise typer.Exit(FAILED)
    for row in outcome.rows:
        if row.remark:
            print(f"{file}: line {row.line}: {row.remark}", file=sys.stderr)
    if json:
        counts: dict[str, object] = {fate.value: outcome.count(fate) for fate in bulk.Fate}
        rows = [
            {
                "line": r.line,
                "name": r.name,
                "fate": r.fate,
                "changes": r.changes,
                "password": r.password,
                "remark": r.remark,
            }
            for r in outcome.rows
        ]
        print(
            json_module.dumps(
                {"applied": outcome.applied, **counts, "rows": rows}, default=plain, ensure_ascii=False
            )
        )
        return
    with_passwords = any(row.password for row in outcome.rows)
    show(
        [
            {
                "line": row.line,
                "name": row.name,
                "fate": row.fate,
                "changes": ", ".join(f"{key} {new or '–'}" for key, (_, new) in row.changes.items()),
                **({"password": row.password} if with_passwords else {}),
            }
            for row in outcome.rows
        ],
        as_json=False,
    )
    if not outcome.applied:
        print("Nothing was changed: this was a dry run.")

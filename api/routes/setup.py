"""Setting up many at once, and the volume of a circuit from its pipes."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Annotated

from fastapi import APIRouter, Body, Query
from pydantic import BaseModel, Field

from api.asked import Asked
from api.context import Ctx
from api.permissions import LOOK, MayEquip, MayKeepGateways, MaySetProcedures
from api.problems import errors_of
from api.quantities import InUnit, Volume
from api.routes.places import by_of
from model.errors import BadFields, BadInput
from physics.pipes import LENGTH_SHARE, VESSEL_SHARE, Between, total, vessel_volume
from physics.pipes import pipe_volume as volume_of_pipe
from store import bulk
from store.audit import By
from store.bulk import Fate, Outcome

router = APIRouter(tags=["setting up"])

Table = Annotated[
    bytes | None, Body(media_type="text/csv", description="CSV with a header, UTF-8, commas or semicolons.")
]
DryRun = Annotated[bool, Query(description="Only say what would become of each row.")]


class ImportedRow(BaseModel):
    """What became of a row, or would become."""

    line: int
    name: str
    fate: Fate
    changes: dict[str, tuple[str, str]] = Field(description="Before and after, by column.")
    password: str | None = Field(None, description="The password of a new gateway, shown this once.")
    remark: str = Field("", description="A sentence on what can be used and yet is worth a look.")


class Imported(BaseModel):
    """The outcome of a table without a bad cell."""

    applied: bool = Field(description="False for a dry run: nothing has changed.")
    made: int
    changed: int
    left: int
    rows: list[ImportedRow]


def _import(ctx: Ctx, kind: str, table: bytes | None, by: By, dry_run: bool) -> Imported:
    with ctx.database() as conn:
        outcome = bulk.run(conn, kind, decoded(table), by, dry_run=dry_run)
    refuse_bad(outcome)
    return Imported(
        applied=outcome.applied,
        made=outcome.count(Fate.MADE),
        changed=outcome.count(Fate.CHANGED),
        left=outcome.count(Fate.LEFT),
        rows=[
            ImportedRow(
                line=r.line, name=r.name, fate=r.fate, changes=r.changes, password=r.password, remark=r.remark
            )
            for r in outcome.rows
        ],
    )


def refuse_bad(outcome: Outcome) -> None:
    """Raise `BadFields` with a sentence for each bad cell, its field being ``line 3, volume``."""
    if outcome.bad:
        raise BadFields(
            {
                f"line {cell.line}" + (f", {cell.column}" if cell.column else ""): cell.text
                for cell in outcome.bad
            }
        )


def decoded(table: bytes | None) -> str:
    """The text of a table; raises `BadInput` if it is not UTF-8."""
    table = table or b""
    if len(table) > bulk.MOST_BYTES:
        raise BadInput(f"The table is larger than {bulk.MOST_BYTES // 1_000_000} MB: split it.", field="file")
    try:
        return table.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = table.count(b"\n", 0, error.start) + 1
        raise BadInput(f"Line {line} is not UTF-8: save the table as CSV UTF-8.", field="file") from error


_RESPONSES = errors_of(401, 403, 422, 503)


@router.post("/sites/import", responses=_RESPONSES)
def import_sites(ctx: Ctx, person: MayEquip, table: Table = None, dry_run: DryRun = False) -> Imported:
    """Sites from a table with the columns name, time_zone, place: all or nothing."""
    return _import(ctx, "site", table, by_of(ctx, person), dry_run)


@router.post("/circuits/import", responses=_RESPONSES)
def import_circuits(ctx: Ctx, person: MayEquip, table: Table = None, dry_run: DryRun = False) -> Imported:
    """Circuits from a table with the columns site, name, volume, refrigerant, oil: all or nothing."""
    return _import(ctx, "circuit", table, by_of(ctx, person), dry_run)


@router.post("/crews/import", responses=_RESPONSES)
def import_crews(ctx: Ctx, person: MayEquip, table: Table = None, dry_run: DryRun = False) -> Imported:
    """Crews from a table with the column name: all or nothing."""
    return _import(ctx, "crew", table, by_of(ctx, person), dry_run)


@router.post("/gateways/import", responses=_RESPONSES)
def import_gateways(
    ctx: Ctx, person: MayKeepGateways, table: Table = None, dry_run: DryRun = False
) -> Imported:
    """Gateways from a table with the columns name, site: all or nothing. Passwords are shown this once."""
    return _import(ctx, "gateway", table, by_of(ctx, person), dry_run)


@router.post("/instruments/import", responses=_RESPONSES)
def import_instruments(ctx: Ctx, person: MayEquip, table: Table = None, dry_run: DryRun = False) -> Imported:
    """Instruments from a table; its columns are gateway, name and those of an instrument: all or nothing."""
    return _import(ctx, "instrument", table, by_of(ctx, person), dry_run)


@router.post("/procedures/import", responses=_RESPONSES)
def import_procedures(
    ctx: Ctx, person: MaySetProcedures, table: Table = None, dry_run: DryRun = False
) -> Imported:
    """Procedures from a table: a known name with other numbers becomes its next version. All or nothing."""
    return _import(ctx, "procedure", table, by_of(ctx, person), dry_run)


@contextmanager
def named(field: str) -> Iterator[None]:
    """Within it, a figure that cannot be is an error of that field."""
    try:
        yield
    except ValueError as error:
        raise BadInput(f"{str(error)[:1].upper()}{str(error)[1:]}.", field=field) from error


class PipeRow(Asked):
    """A run of pipe. Without the inside diameter, the usual walls of copper tube of that size are taken."""

    length_m: float
    inner_m: float | None = None
    outer_m: float | None = None


class PipeVolumeAsked(Asked):
    """Pipes and vessels of a circuit."""

    pipes: list[PipeRow] = Field([], max_length=500)
    vessels_m3: list[float] = Field(
        [], max_length=500, description="Receivers, heat exchangers, housings [m³]."
    )
    length_share: float = Field(LENGTH_SHARE, description="How far lengths may be off.")
    vessel_share: float = Field(VESSEL_SHARE, ge=0, lt=1, description="How far vessels may be off.")


class PipeVolume(BaseModel):
    """The volume with its range of worst cases."""

    volume: Volume
    low: Volume
    high: Volume
    rows: list[Volume] = Field(description="Volume of each pipe, then of each vessel.")


@router.post("/pipe-volume", dependencies=[LOOK], responses=errors_of(401, 422))
def pipe_volume(unit: InUnit, asked: PipeVolumeAsked) -> PipeVolume:
    """Volume from pipes and vessels, V = π/4 d² L; nothing is stored."""
    parts: list[Between] = []
    for number, row in enumerate(asked.pipes):
        with named(f"pipes.{number}"):
            parts.append(
                volume_of_pipe(
                    row.length_m, inner_m=row.inner_m, outer_m=row.outer_m, length_share=asked.length_share
                )
            )
    for number, volume in enumerate(asked.vessels_m3):
        with named(f"vessels_m3.{number}"):
            parts.append(vessel_volume(volume, share=asked.vessel_share))
    whole = total(parts)
    return PipeVolume(
        volume=unit.volume(whole.value),
        low=unit.volume(whole.low),
        high=unit.volume(whole.high),
        rows=[unit.volume(part.value) for part in parts],
    )
